import numpy as np
import pytest

from spc.charts.baseline import propose_baseline

RNG = np.random.default_rng(61)


def test_a_quiet_history_is_proposed_whole():
    whole = 0
    for _ in range(200):
        found = propose_baseline(RNG.normal(size=(50, 9)))
        whole += not found.breaks
        assert found.runs.sum() == found.n == found.stop - found.start
    assert whole / 200 > 0.96


def test_the_stretch_after_a_step_is_found():
    x = RNG.normal(size=(80, 9))
    x[:30, 4] += 3
    found = propose_baseline(x)
    assert abs(found.breaks[0].run - 30) <= 2
    assert 4 in found.breaks[0].points
    assert found.stop == 80
    assert found.start == found.breaks[0].run
    assert found.note == ""


def test_wild_pieces_are_named_not_dropped_and_not_taken_for_a_change():
    x = RNG.normal(size=(60, 9)) * 0.5
    x[20, 3] = 15
    x[41, 7] = -4
    found = propose_baseline(x)
    assert found.breaks == ()
    assert found.runs.all()
    named = {c.run: c for c in found.candidates}
    assert {20, 41} <= set(named)
    assert named[20].points == (3,)
    assert named[20].reason == "a value beyond a limit"


def test_one_wild_piece_can_hide_another():
    x = RNG.normal(size=(40, 1)) * 0.1
    x[10], x[25] = 50.0, 1.5
    found = propose_baseline(x)
    late = {c.run: c.seen_without for c in found.candidates}
    assert late[10] == 0
    assert late[25] >= 1


def test_patterns_without_a_run_beyond_are_told_apart():
    x = RNG.normal(size=(60, 1)) * 0.3
    x[30:40] = 0.15 + 0.01 * RNG.normal(size=(10, 1))
    found = propose_baseline(x - np.median(x) * 0, alpha=1e-9)
    assert all(name != "beyond limit" for name, _, _ in found.patterns)
    assert any(name == "nine on one side" and 38 <= run <= 40 for name, run, _ in found.patterns)


def test_a_drift_leaves_only_a_short_stretch():
    x = 0.15 * np.arange(60.0)[:, None] + RNG.normal(size=(60, 3))
    found = propose_baseline(x)
    assert len(found.breaks) >= 2
    assert found.n < 40
    assert ("provisional" in found.note) == (found.n < 25)


def test_spans_are_never_joined_and_the_latest_wins_a_tie():
    x = RNG.normal(size=(60, 2))
    found = propose_baseline(x, spans=np.repeat([0, 1, 2], [25, 10, 25]))
    assert (found.start, found.stop) == (35, 60)


@pytest.mark.parametrize("x", [np.full((30, 2), np.nan), np.zeros((0, 2)), np.ones((1, 2))])
def test_histories_with_nothing_in_them(x):
    found = propose_baseline(x)
    assert found.n == np.sum(~np.isnan(x).all(axis=1))
    assert found.candidates == ()
    assert "too few for limits of their own" in found.note


def test_missing_runs_are_not_proposed():
    x = RNG.normal(size=(40, 2))
    x[10] = np.nan
    found = propose_baseline(x)
    assert not found.runs[10]
    assert found.n == 39


def test_unmoved_points_do_not_disturb():
    x = RNG.normal(size=(40, 2))
    x[:, 1] = 1.0
    assert propose_baseline(x).breaks == ()
