"""Frozen limits: what they judge, from when, by which rules; they never rewrite a chart."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers import contents
from histories import history, stored
from hypothesis import given
from hypothesis import strategies as st
from strategies import Array

from spc.errors import InputError
from spc.store.connection import open_store
from spc.studies.freezing import Frozen, freeze, listed, retire
from spc.studies.history import History
from spc.studies.limit_sets import LimitSet, set_numbers
from spc.studies.monitor import Monitor, monitor
from spc.studies.omissions import omit

BATCHES, EACH = 36, 3
#: The mean range of two normal values in standard deviations: 2 / √π (ISO 7870-2, d2).
D2 = 2 / np.pi**0.5


def made(seed: int = 5) -> History:
    """Return 36 batches of three, two moulds by turns, one batch a week; a step at batch 20."""
    rng = np.random.default_rng(seed)
    n = BATCHES * EACH
    batch = np.arange(n) // EACH
    values = rng.normal(0, 0.1, (n, 11)) + rng.normal(0, 0.2, (BATCHES, 11))[batch]
    values[:, 9] += np.where(batch % 2, 0.5, -0.5) + np.where(batch >= 20, 1.5, 0.0)
    start = np.datetime64("2026-01-05T08:00")
    return history(
        values,
        batches=[f"B{b:02d}" for b in batch],
        moulds=["MN"[b % 2] for b in batch],
        times=[start + int(b) * 7 * 24 * 60 + k % EACH * 30 for k, b in enumerate(batch)],
    )


def day(batch: int) -> str:
    """Return the day on which a batch was measured."""
    return str(np.datetime64("2026-01-05") + 7 * batch)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stored(tmp_path_factory.mktemp("frozen"), made())


@pytest.fixture
def store(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(original, tmp_path / "s.duckdb"))


def frozen(store: Path, baseline: str, *names: str, **said: Any) -> Frozen:
    question = {"by": "batch", "since": None, "why": "stable", "who": "tester",
                "rules": ("beyond limit", "nine on one side"), **said}  # fmt: skip
    with open_store(store) as opened:
        return freeze(opened, names=names, baseline=baseline, **question)


def retired(store: Path, at: str, *names: str, **said: Any) -> int:
    with open_store(store) as opened:
        return retire(opened, names, at=at, why="changed", who="tester", **said).sets


def seen(store: Path, **question: Any) -> Monitor:
    with open_store(store, read_only=True) as opened:
        return monitor(opened, **question)


def sets_of(store: Path) -> tuple[LimitSet, ...]:
    with open_store(store, read_only=True) as opened:
        return listed(opened)


def means(past: History, column: int) -> dict[str, list[tuple[str, float]]]:
    """Return batches of each mould in order with their means, the slow way."""
    found: dict[str, list[tuple[str, float]]] = {"M": [], "N": []}
    for b in range(BATCHES):
        rows = [k for k in range(BATCHES * EACH) if past.runs["batch"][k] == f"B{b:02d}"]
        mean = sum(past.deviations[k, column] for k in rows) / EACH
        found["MN"[b % 2]].append((f"B{b:02d}", mean))
    return found


def by_hand(past: History, column: int, batches: int) -> dict[str, tuple[float, float]]:
    """Return centre and sigma of each mould from its batches among the first so many."""
    kept = {m: [v for name, v in rows if int(name[1:]) < batches]
            for m, rows in means(past, column).items()}  # fmt: skip
    ranges = [abs(b - a) for v in kept.values() for a, b in pairwise(v)]
    sigma = sum(ranges) / len(ranges) / D2
    return {m: (sum(v) / len(v), sigma) for m, v in kept.items()}


def at_rows(chart: Monitor, test: Callable[[int], bool]) -> Array:
    """Return the rows of the chart whose batch's number passes."""
    return np.array([test(int(label[1:])) for label in chart.rows.labels])


def test_a_set_holds_each_moulds_mean_and_their_common_moving_range(store: Path) -> None:
    done = frozen(store, "B00..B15", "check-1", "fit-noise")
    assert (len(done.sets), done.known, done.ended, done.skipped) == (4, 0, 0, ())
    expected = by_hand(made(), 9, 16)
    for one in (s for s in done.sets if s.series == "check-1"):
        center, sigma = expected[one.mould]
        found = [one.center, one.sigma, one.lower, one.upper]
        assert found == pytest.approx([center, sigma, center - 3 * sigma, center + 3 * sigma])
        assert (one.n, one.scale, one.width, one.by) == (16, "plain", 3.0, "batch")
        assert (one.why, one.who, one.baseline) == ("stable", "tester", "B00..B15")
        assert one.valid_from == one.baseline_to + timedelta(microseconds=1)
        assert one.baseline_to == datetime.fromisoformat(f"{day(15)}T09:00")
    for one in (s for s in done.sets if s.series == "fit-noise"):
        assert one.scale == "two thirds"
        top, middle = (one.center + 3 * one.sigma) ** 1.5, one.center**1.5
        assert (one.upper, one.upper > middle > one.lower >= 0) == (pytest.approx(top), True)


def told(chart: Monitor) -> list[object]:
    """Return the signals but for the last bits of their centre, which is worked out anew."""
    return [replace(s, center=round(s.center, 12), value=round(s.value, 12)) for s in chart.signals]


@pytest.mark.parametrize("name", ["check-1", "fit-noise", "mode-2"])
def test_frozen_limits_are_those_the_chart_showed_on_its_baseline(store: Path, name: str) -> None:
    before = seen(store, names=(name,), baseline="B00..B15")
    frozen(store, "B00..B15", name)
    after = seen(store, names=(name,))
    assert after.frozen.tolist() == [True]
    for figure in ("center", "lower", "upper", "average", "average_lower", "average_upper"):
        np.testing.assert_allclose(getattr(after, figure), getattr(before, figure), rtol=1e-12)
    assert told(after) == told(before) != []
    assert "frozen limits from 16 batches, provisional" in after.notes


def test_they_judge_their_own_baseline_and_from_their_first_day_on(store: Path) -> None:
    frozen(store, "B04..B15", "check-1", since=day(20))
    chart = seen(store, names=("check-1",))
    judged = np.isfinite(chart.upper[:, 0])
    expected = at_rows(chart, lambda b: 4 <= b <= 15 or b >= 20)
    np.testing.assert_array_equal(judged, expected)
    np.testing.assert_array_equal(np.isfinite(chart.average_upper[:, 0]), expected)
    # The step of batch 20 has just begun there; what is not judged raises nothing.
    assert {s.first for s in chart.signals} >= {"B20", "B21"}
    for s in chart.signals:
        assert int(s.first[1:]) >= 20 or 4 <= int(s.first[1:]) <= int(s.last[1:]) <= 15


def test_no_rule_counts_across_the_time_between_sets(store: Path) -> None:
    frozen(store, "B00..B09", "check-1", since=day(26))
    found = seen(store, names=("check-1",), rules=("nine on one side",))
    # Batches 26 to 35 are five of each mould: with what came before them they were nine.
    assert [s for s in found.signals if s.chart == "values" and s.first >= "B10"] == []
    assert (found.values[at_rows(found, lambda b: b >= 20), 0] > 0.5).all()


def test_a_new_set_changes_nothing_that_an_older_chart_showed(store: Path) -> None:
    frozen(store, "B00..B13")
    before = seen(store)
    frozen(store, "B20..B29", why="after the step")
    after = seen(store)
    old = at_rows(after, lambda b: b <= 29)
    for figure in ("values", "center", "lower", "upper", "average", "average_lower",
                   "average_upper", "ranges", "width"):  # fmt: skip
        np.testing.assert_array_equal(getattr(after, figure)[old], getattr(before, figure)[old])
    # Signals of the old time are the same, but that they end with it.
    end = {"M": "B28", "N": "B29"}
    ends = [(s.series, s.mould, s.rule, s.first, min(s.last, end[s.mould]))
            for s in before.signals if s.first <= "B29"]  # fmt: skip
    assert [(s.series, s.mould, s.rule, s.first, s.last) for s in after.signals
            if s.first <= "B29"] == ends  # fmt: skip
    new = at_rows(after, lambda b: b > 29)
    column = after.series.names.index("check-1")
    assert (after.center[new, column] - before.center[new, column] > 1.0).all()
    assert len([s for s in sets_of(store) if s.valid_to is None]) * 2 == len(sets_of(store))


def test_freezing_twice_changes_nothing(store: Path) -> None:
    first = frozen(store, "B00..B15")
    held = contents(store)
    again = frozen(store, "B00..B15", why="once more")
    assert (again.sets, again.known, again.ended) == ((), len(first.sets), 0)
    assert contents(store) == held


def test_other_rules_another_day_or_other_runs_are_other_limits(store: Path) -> None:
    names = [frozen(store, baseline, "check-1", mould="M", **said).sets[0].limit_set_id
             for baseline, said in (("B00..B15", {}), ("B00..B17", {}),
                                    ("B00..B15", {"since": day(17)}), ("B00..B15", {"by": "piece"}),
                                    ("B00..B15", {"rules": ("beyond limit",)}))]  # fmt: skip
    assert len(set(names)) == 5


def test_retired_limits_judge_no_more_from_their_day_on(store: Path) -> None:
    frozen(store, "B00..B15", "check-1")
    before = seen(store, names=("check-1",))
    assert retired(store, day(25), "check-1") == 2
    after = seen(store, names=("check-1",))
    gone = at_rows(after, lambda b: b >= 25)
    assert np.isnan(after.upper[gone]).all()
    np.testing.assert_array_equal(after.upper[~gone], before.upper[~gone])
    assert all(s.first < "B25" for s in after.signals)
    with pytest.raises(InputError, match="no limits in force to retire"):
        retired(store, day(30), "check-1")
    assert {s.valid_to for s in sets_of(store)} == {datetime.fromisoformat(day(25))}


def test_what_was_retired_is_not_said_to_stay_in_force(store: Path) -> None:
    frozen(store, "B00..B15", "check-1")
    retired(store, day(25))
    again = frozen(store, "B00..B15", "check-1")
    assert (again.sets, again.known, again.ended) == ((), 2, 2)
    anew = frozen(store, "B00..B15", "check-1", since=day(30))
    assert (len(anew.sets), anew.known) == (2, 0)
    chart = seen(store, names=("check-1",))
    np.testing.assert_array_equal(
        np.isfinite(chart.upper[:, 0]), at_rows(chart, lambda b: b < 25 or b >= 30)
    )


def test_freezing_one_mould_leaves_the_other_as_it_was(store: Path) -> None:
    before = seen(store, names=("check-1", "check-2"))
    done = frozen(store, "B00..B19", "check-1", mould="M")
    assert [(s.mould, s.n) for s in done.sets] == [("M", 10)]
    after = seen(store, names=("check-1", "check-2"))
    n, m = (np.array([x == mould for x in after.rows.moulds]) for mould in "NM")
    np.testing.assert_array_equal(after.upper[n], before.upper[n])
    np.testing.assert_array_equal(after.average[n], before.average[n])
    assert not np.allclose(after.upper[m, 0], before.upper[m, 0])
    assert [s for s in after.signals if s.mould == "N"] == [
        s for s in before.signals if s.mould == "N"
    ]
    assert after.notes[0].endswith("10 batches for mould M, provisional; for N from the baseline")
    retired(store, day(22), mould="M")
    last = seen(store, names=("check-1",))
    np.testing.assert_array_equal(last.upper[n, 0], before.upper[n, 0])
    assert np.isnan(last.upper[m & at_rows(last, lambda b: b >= 22), 0]).all()


def test_moulds_frozen_apart_have_each_their_own_spread_and_limit_of_jumps(store: Path) -> None:
    """The limit of a moving range of two is D4 = 1 + 3 d3/d2 mean ranges (ISO 7870-2)."""
    for mould, last in (("M", "B15"), ("N", "B19")):
        frozen(store, f"B00..{last}", "check-1", mould=mould)
    own = {one.mould: one for one in sets_of(store)}
    chart = seen(store, names=("check-1",))
    assert own["M"].sigma != own["N"].sigma
    assert (own["M"].n, own["N"].n) == (8, 10)
    d4 = 1 + 3 * np.sqrt(2 - D2**2) / D2
    for mould, one in own.items():
        at = [k for k, name in enumerate(chart.rows.moulds) if name == mould]
        limited = np.array([k for k in at if np.isfinite(chart.sigma[k, 0])])
        assert limited.size
        np.testing.assert_allclose(chart.sigma[limited, 0], one.sigma)
        np.testing.assert_allclose(chart.sigma_df[limited, 0], one.sigma_df)
        np.testing.assert_allclose(chart.range_upper[limited, 0], d4 * D2 * one.sigma, rtol=1e-9)
        assert np.unique(chart.n_baseline[limited, 0]).tolist() == [one.n]


def test_labels_of_stretches_are_never_shared_by_two_moulds(store: Path) -> None:
    frozen(store, "B00..B19", "check-1", mould="N")
    frozen(store, "B20..B35", "check-1", mould="N", since=day(24))
    chart = seen(store, names=("check-1",))
    label = chart.spans[:, 0]
    by_label = {s: {m for m, x in zip(chart.rows.moulds, label, strict=True) if x == s}
                for s in set(label)}  # fmt: skip
    assert all(len(moulds) == 1 for moulds in by_label.values())
    assert len(by_label) == 3


def test_a_set_is_watched_by_the_rules_that_were_frozen_with_it(store: Path) -> None:
    """The second set looks for six in one direction and not for values beyond a limit."""
    frozen(store, "B00..B13", "check-1", rules=("beyond limit",))
    frozen(store, "B00..B13", "check-1", rules=("six in one direction",), since=day(28))
    own = seen(store, names=("check-1",))
    beyond = [s for s in own.signals if s.rule == "a value beyond a limit"]
    assert beyond
    assert all("B20" <= s.first <= s.last < "B28" for s in beyond)
    assert set(own.rules) == {"beyond limit", "nine on one side", "six in one direction"}
    assert not [s for s in own.signals if s.rule.startswith("nine values")]
    asked = seen(store, names=("check-1",), rules=("beyond limit",))
    late = [s for s in asked.signals if s.rule == "a value beyond a limit" and s.last >= "B28"]
    assert asked.rules == ("beyond limit",)
    assert len(late) == 2


def test_a_baseline_named_for_one_chart_looks_past_frozen_limits(store: Path) -> None:
    before = seen(store, baseline="B00..B09")
    frozen(store, "B20..B29")
    after = seen(store, baseline="B00..B09")
    np.testing.assert_array_equal(after.upper, before.upper)
    assert after.signals == before.signals
    assert not after.frozen.any()


def test_only_signals_of_the_baseline_itself_are_told(tmp_path: Path) -> None:
    past = made()
    past.deviations[7 * EACH : 8 * EACH, 10] += 3.0  # batch 7, mould N
    past.deviations[1 * EACH : 2 * EACH, 10] += 3.0  # batch 1, before the baseline
    store = stored(tmp_path, past)
    done = frozen(store, "B04..B15", "check-2", rules=("beyond limit",))
    told = {s.first for s in done.inside if s.chart == "values"}
    assert told <= {"B07"}
    assert all("B04" <= s.first <= "B15" for s in done.inside)
    chart = seen(store, names=("check-2",), baseline="B04..B15", rules=("beyond limit",))
    assert "B01" in {s.first for s in chart.signals}


def test_a_batch_only_half_in_the_baseline_has_no_say_in_it(tmp_path: Path) -> None:
    past = made()
    when = past.runs["measured_at"].to_numpy().copy()
    when[12 * EACH + 2] += np.timedelta64(1, "D")  # the last piece of batch 12, the day after
    past = replace(past, runs=past.runs.assign(measured_at=when))
    past.deviations[12 * EACH : 12 * EACH + 2, 9] += 40.0
    store = stored(tmp_path, past)
    done = frozen(store, f"{day(0)}..{day(12)}", "check-1")
    chart = seen(store, names=("check-1",), baseline=f"{day(0)}..{day(12)}")
    assert [s.n for s in done.sets] == [12, 12]
    assert np.unique(chart.n_baseline).tolist() == [12]
    assert max(s.upper for s in done.sets) < 3.0


def test_a_point_left_out_of_a_fit_makes_other_limits_of_the_same_runs(sample_copy: Path) -> None:
    span = "B01..B23"
    first = frozen(sample_copy, span, "fit-noise", "hit-spread", mould="K1")
    assert frozen(sample_copy, span, "fit-noise", mould="K1").known == 1
    with open_store(sample_copy) as opened:
        omit(opened, "H0188-1", "flank-1", why="slid", reason="slip", force=False, who="tester")
    again = frozen(sample_copy, span, "fit-noise", mould="K1")
    assert len(again.sets) == 1
    old = next(s for s in first.sets if s.series == "fit-noise")
    assert abs(again.sets[0].center - old.center) > 1e-4
    # The first stays in the store, with its end; the newer one is in force from the same moment.
    both = [s for s in sets_of(sample_copy) if s.series == "fit-noise"]
    assert sorted((s.valid_to is None) for s in both) == [False, True]


def test_limits_are_in_force_by_the_measuring_time_in_any_order(tmp_path: Path) -> None:
    past = made()
    past = replace(past, runs=past.runs.assign(hours_since_moulding=100.0))
    store = stored(tmp_path, past)
    frozen(store, "B00..B15", "check-1")
    retired(store, day(30))
    measured = seen(store, names=("check-1",))
    moulded = seen(store, names=("check-1",), order="moulded")
    np.testing.assert_array_equal(moulded.upper, measured.upper)
    shift = moulded.rows.times - measured.rows.times
    assert set(shift) == {np.timedelta64(-100 * 3600 * 10**6, "us")}
    np.testing.assert_array_equal(moulded.rows.measured, measured.rows.times)


def test_a_decision_without_a_reason_is_none(store: Path) -> None:
    with pytest.raises(InputError, match="no reason given"):
        frozen(store, "B00..B15", "check-1", why=" ")
    assert sets_of(store) == ()
    frozen(store, "B00..B15", "check-1")
    with open_store(store) as opened, pytest.raises(InputError, match="no reason given"):
        retire(opened, (), at=day(20), why="", who="tester")


def test_a_series_without_limits_is_skipped_with_its_reason(tmp_path: Path) -> None:
    past = made()
    past.deviations[:, 9] = 0.25
    past.deviations[: 10 * EACH, 10] = np.nan
    done = frozen(stored(tmp_path, past), "B00..B15", "check-1", "check-2")
    assert done.sets == ()
    assert done.skipped == (
        "check-1, mould M: no limits: the baseline does not vary",
        "check-1, mould N: no limits: the baseline does not vary",
        "check-2, mould M: no limits: 6 baseline batches, 8 are needed",
        "check-2, mould N: no limits: 6 baseline batches, 8 are needed",
    )


START = datetime(2026, 1, 1)
MOMENTS = st.integers(0, 40).map(lambda d: START + timedelta(days=d))


@st.composite
def limit_sets(draw: st.DrawFn) -> LimitSet:
    """Draw a set of some chart, in force and learned from in any way."""
    valid_from, length = draw(MOMENTS), draw(st.none() | st.integers(0, 20))
    base = sorted(draw(st.tuples(MOMENTS, MOMENTS)))
    return LimitSet(
        limit_set_id="", part="P", revision="A", series=draw(st.sampled_from("ab")),
        mould=draw(st.sampled_from("MN")), by=draw(st.sampled_from(["piece", "batch"])),
        scale="plain", center=0.0, sigma=1.0, sigma_df=9.0, lower=-3.0, upper=3.0, n=10,
        estimator="", width=3.0, rules=(), baseline="", baseline_from=base[0],
        baseline_to=base[1], valid_from=valid_from,
        valid_to=None if length is None else valid_from + timedelta(days=length), why="", who="",
        decided_at=START,
    )  # fmt: skip


@given(st.lists(limit_sets(), max_size=6), st.lists(MOMENTS, min_size=1, max_size=12))
def test_the_set_of_a_moment_is_the_one_in_force_or_else_learned_from_it(
    drawn: list[LimitSet], moments: list[datetime]
) -> None:
    sets = tuple(sorted(drawn, key=lambda s: s.valid_from))
    found = set_numbers(sets, "a", "M", "batch", np.array(moments, dtype="datetime64[us]"))
    for at, number in zip(moments, found, strict=True):
        mine = [k for k, s in enumerate(sets) if (s.series, s.mould, s.by) == ("a", "M", "batch")]
        force = [k for k in mine if sets[k].valid_from <= at < (sets[k].valid_to or datetime.max)]
        base = [k for k in mine if sets[k].baseline_from <= at <= sets[k].baseline_to]
        assert number == (force[-1] if force else base[0] if base else -1)
