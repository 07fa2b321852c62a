"""A baseline proposed: planted changes found, in each mould, and the span that it names."""

import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from histories import NO_EVENTS, history, stored
from scipy.stats import ttest_ind
from strategies import Array

from spc.charts.scan import step_at
from spc.errors import InputError, NotFoundError
from spc.pages.proposal_text import proposal_text
from spc.store.connection import open_store
from spc.studies import proposing
from spc.studies.freezing import freeze
from spc.studies.history import History
from spc.studies.monitor import monitor
from spc.studies.proposing import BaselineProposal, MouldProposal, propose
from spc.studies.spans import day, in_span


def proposed(past: History, events: pd.DataFrame = NO_EVENTS, **question: Any) -> BaselineProposal:
    """Return the proposal for a history that no store holds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(proposing, "past_of", lambda *_: past)
        patch.setattr(proposing.read, "events", lambda *_: events)
        patch.setattr(proposing, "limit_sets", lambda *_: ())
        return propose(None, **question)  # type: ignore[arg-type]


def by_mould(found: BaselineProposal) -> dict[str, MouldProposal]:
    return {one.mould: one for one in found.moulds}


@pytest.fixture(scope="module")
def of_samples(sample_store: Path) -> dict[str, MouldProposal]:
    with open_store(sample_store, read_only=True) as store:
        found = propose(store)
    assert found.span == "2026-07-13..2026-09-10"
    return by_mould(found)


def test_the_resin_lot_is_found_in_both_moulds(
    of_samples: dict[str, MouldProposal], truth: Any
) -> None:
    """B14 is the first batch of the lot, of mould K2; B15 the first of K1."""
    large = {p for p, z in truth["step"]["in_batch_sigma"].items() if abs(z) > 3}
    for mould, first in (("K1", "B15"), ("K2", truth["step"]["batch"])):
        (change,) = (c for c in of_samples[mould].changes if c.label == first)
        assert set(change.series) <= large | {"shoulder-right-rear"}
        assert len(change.series) >= 4
        assert change.p < 0.01
        assert change.event == "resin lot: lot PE-131 opened"
    # Five batches of K2 before it do not show it alone, but where K1 shows it.
    assert [c.seen_in for c in of_samples["K1"].changes] == [""]
    assert [c.seen_in for c in of_samples["K2"].changes] == ["K1", ""]


def test_the_warp_is_found_in_its_mould_alone(
    of_samples: dict[str, MouldProposal], truth: Any
) -> None:
    warped = of_samples[truth["warp"]["mould"]].changes[-1]
    assert truth["warp"]["three_sigma_batch"] <= warped.label <= "B30"
    shown = set(truth["warp"]["shows_at"]) | {"mode-1", "fit-noise", "fit-worst"}
    assert set(warped.series) <= shown
    assert {"mode-1", "corner-front-right"} <= set(warped.series)


def test_a_stretch_lies_between_the_changes(of_samples: dict[str, MouldProposal]) -> None:
    k1, k2 = of_samples["K1"], of_samples["K2"]
    assert (k1.first, k1.last, k2.first, k2.last) == ("B15", "B34", "B14", "B26")
    assert (k1.n, k2.n) == (11, 6)
    assert "provisional" in k1.note
    assert "only 6 values without a change: too few for limits of their own" in k2.note
    for one in (k1, k2):
        assert not [c for c in one.changes if one.since < c.at <= one.until]


def test_frozen_from_its_span_it_judges_what_followed(sample_copy: Path) -> None:
    with open_store(sample_copy) as store:
        found = propose(store)
        done = freeze(store, names=("tail-left", "corner-front-right"), baseline=found.span,
                      by="batch", since=None, why="proposed", who="tester",
                      rules=("beyond limit",))  # fmt: skip
        chart = monitor(store, names=("tail-left", "corner-front-right"))
    # Seven batches of K1 from B15 to B25, and five of K2 from B16 to B26.
    assert [s.n for s in done.sets] == [12] * 4
    assert {(s.series, s.mould) for s in chart.signals if s.chart == "values"} >= {
        ("corner-front-right", "K2")
    }
    assert not [s for s in chart.signals if s.series == "tail-left" and s.chart == "values"]


def quiet(n: int = 60, seed: int = 0, checks: int = 6) -> Array:
    return np.random.default_rng(seed).normal(0, 0.1, (n, 9 + checks))


def test_a_quiet_history_is_proposed_whole() -> None:
    found = proposed(history(quiet(), moulds=["MN"[k % 2] for k in range(60)]))
    for one in found.moulds:
        assert (one.n, one.changes, one.note) == (30, (), "")
        assert len(one.left_out) <= 3  # thirty batches at a dozen series, by chance
    assert found.span == "2026-01-06..2026-03-04"


def test_quiet_moulds_seldom_borrow_a_change_of_one_another() -> None:
    """A change in M alone: asked at its place, N shows one in a hundred times by chance."""
    borrowed = 0
    for seed in range(40):
        values = quiet(seed=seed)
        values[30::2, 9:12] += 0.4
        found = by_mould(proposed(history(values, moulds=["MN"[k % 2] for k in range(60)])))
        assert found["M"].changes[0].label in ("B00028", "B00030", "B00032")
        borrowed += bool(found["N"].changes)
    assert borrowed <= 3


def test_one_wild_batch_is_named_with_its_reason_and_stays_in() -> None:
    values = quiet()
    values[20, 9] += 3.0
    (one,) = proposed(history(values)).moulds
    assert (one.n, one.changes) == (60, ())
    out = next(o for o in one.left_out if o.label == "B00020")
    assert "check-1" in out.series
    assert out.reason == "a value beyond a limit"


def test_a_change_is_placed_between_the_runs_of_the_other_mould() -> None:
    """Material changed before batch 25 of N; M shows it from 26 on. N has three batches before."""
    values = quiet(60)
    moulds = ["N" if k in (1, 11, 21, *range(25, 60, 4)) else "M" for k in range(60)]
    values[25:, 9:12] += 0.3
    found = by_mould(proposed(history(values, moulds=moulds)))
    assert [c.label for c in found["M"].changes] == ["B00026"]
    (change,) = found["N"].changes
    assert (change.label, change.seen_in) == ("B00025", "M")
    assert found["N"].first == "B00025"


def test_its_last_day_is_that_of_the_last_piece_of_a_batch() -> None:
    past = history(quiet(), batches=[f"B{k // 2:02d}" for k in range(60)])
    found = proposed(past)
    (one,) = found.moulds
    assert (one.last, f"{one.until:%Y-%m-%d}") == ("B29", "2026-03-04")
    # The second piece of the last batch was measured a day after the first.
    assert found.span == "2026-01-05..2026-03-05"
    assert in_span(past.runs, found.span).all()


def test_only_one_mould_may_be_asked_for_but_all_are_looked_at() -> None:
    values = quiet(60)
    moulds = ["N" if k in (1, 11, 21, *range(25, 60, 4)) else "M" for k in range(60)]
    values[25:, 9:12] += 0.3
    past = history(values, moulds=moulds)
    (one,) = proposed(past, mould="N").moulds
    assert one == by_mould(proposed(past))["N"]
    with pytest.raises(InputError, match="no run of mould 'Q'"):
        proposed(past, mould="Q")


def test_moulds_without_a_time_in_common_are_frozen_apart() -> None:
    found = proposed(history(quiet(), moulds=["MN"[k >= 30] for k in range(60)]))
    assert found.span == ""
    assert [one.n for one in found.moulds] == [30, 30]


def cavities_of_one_mould(offset: float) -> History:
    """Return 30 batches of two cavities, the second ``offset`` off; a step in it from batch 20."""
    values = quiet(120)
    cavity = ["12"[k % 2] for k in range(120)]
    values[1::2, 9] += offset
    values[81::2, 10] += 0.6
    return history(values, batches=[f"B{k // 4:02d}" for k in range(120)], cavities=cavity)


def test_cavities_get_a_stretch_each_where_they_are_charted_apart() -> None:
    found = proposed(cavities_of_one_mould(0.5))
    one, two = found.moulds
    assert (one.mould, two.mould) == ("M1 cavity 1", "M1 cavity 2")
    # The step is of the second alone.
    assert (one.n, one.changes) == (30, ())
    assert [c.label for c in two.changes] == ["B20"]
    assert two.changes[0].series == ("check-2",)
    assert "they belong apart" in " ".join(found.remarks)
    # Twenty batches of both lie in the days that they share, but for the first piece of the first.
    assert found.common == 39
    (mould,) = proposed(cavities_of_one_mould(0.5), cavities="together").moulds
    assert mould.mould == "M1"
    alike = proposed(cavities_of_one_mould(0.0)).moulds
    assert [m.mould for m in alike] == ["M1"]
    both = proposed(cavities_of_one_mould(0.5), mould="M1").moulds
    assert both == found.moulds


def test_pieces_that_name_no_cavity_do_not_bound_the_stretch_of_the_others() -> None:
    past = cavities_of_one_mould(0.5)
    cavity = past.runs["cavity"].copy()
    cavity[:2] = ""
    found = proposed(replace(past, runs=past.runs.assign(cavity=cavity)))
    assert [one.n for one in found.moulds] == [30, 20, 1]
    assert found.moulds[-1].mould == "M1 cavity unknown"
    # From the third piece, a cavity 1, to the last of cavity 2 before its step.
    assert found.span == "2026-01-08..2026-03-25"
    assert found.common > 30


@pytest.mark.parametrize(
    ("rows", "moulds", "words"),
    [
        (1, "M1", "Too few to freeze limits from: 8 batches without a change are needed"),
        (7, "M1", "Too few to freeze limits from: 8 batches without a change are needed"),
        (8, "M1", "In common: --baseline 2026-01-05..2026-01-12. Freeze it with"),
        (14, ["M"] * 7 + ["N"] * 7, "Too few to freeze limits from: 8 batches"),
        (18, ["M"] * 8 + ["MN"[k % 2] for k in range(4)] + ["N"] * 6,
         "In common they have only 2 batches (2026-01-14..2026-01-15), too few"),
    ],
)  # fmt: skip
def test_no_command_is_offered_for_too_few(rows: int, moulds: str | list[str], words: str) -> None:
    text = proposal_text(proposed(history(quiet(rows), moulds=moulds)))
    assert words in text
    assert ("spc limits freeze" in text) == (rows == 8)


@pytest.mark.parametrize("by", ["batch", "piece"])
def test_odd_histories_are_borne_without_a_warning(by: str) -> None:
    missing = quiet(20)
    missing[:, 10] = np.nan
    missing[5, 9] = np.nan
    still = np.zeros((20, 12))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for values in (quiet(1), quiet(2), missing, still, np.full((12, 11), np.nan)):
            past = history(values, moulds="", batches=[""] * len(values))
            (one,) = proposed(past, by=by).moulds
            assert (one.mould, one.changes) == ("", ())
            assert one.n <= len(values)
            assert ("provisional" if one.n >= 8 else "too few") in one.note


EVENTS = pd.DataFrame(
    [("2026-01-10", "mould work", "M1", "too early"), ("2026-02-03", "mould work", "M2", "other"),
     ("2026-02-02", "resin lot", "", ""), ("2026-02-04", "arm check", "", "fine"),
     ("2026-02-05", "resin lot", "", "too late")],
    columns=["happened_at", "kind", "mould", "note"],
).astype({"happened_at": "datetime64[us]"})  # fmt: skip


def test_the_event_beside_a_change_is_the_last_of_three_weeks_that_concerns_it() -> None:
    values = quiet()
    values[30:, 9:12] += 0.8
    (one,) = proposed(history(values), EVENTS.sort_values("happened_at")).moulds
    (change,) = one.changes
    assert (change.label, change.event) == ("B00030", "resin lot")
    (bare,) = proposed(history(values), EVENTS[:1]).moulds[0].changes
    assert bare.event == ""


def test_a_step_at_a_given_place_is_students_two_sample_test() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=(20, 4)) + np.where(np.arange(20) >= 12, 2.0, 0.0)[:, None] * [1, 0, 1, 0]
    x[3, 2], x[15, 2] = np.nan, np.nan
    found = step_at(x, [12])
    expected = [
        ttest_ind(a[:12][np.isfinite(a[:12])], a[12:][np.isfinite(a[12:])]).pvalue for a in x.T
    ]
    assert found.p == pytest.approx(np.minimum(np.array(expected) * 4, 1.0))
    assert (found.first, found.n.tolist()) == (12, [20, 20, 18, 20])
    three = step_at(x, range(11, 14))
    assert three.first == 12
    assert three.p == pytest.approx(np.minimum(found.p * 3, 1.0), rel=1e-9)


def test_places_at_the_ends_and_short_series_are_passed_over() -> None:
    x = np.random.default_rng(1).normal(size=(20, 2))
    for places in ([], [0], [1], [19], [20], [-3]):
        assert step_at(x, places).first == -1
        assert np.isnan(step_at(x, places).p).all()
    assert step_at(x[:7], [3]).first == -1
    assert step_at(np.full((20, 2), np.nan), [10]).first == -1
    assert step_at(x[:, :0], [10]).first == -1


# --- spans -------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["2026", "10", "July", "", "today", "2026-7-6", "20260706", "06/07/2026", "2026-02-30",
     "2026-07-06T08:00", "0000-01-01", "9999-12-31", " 2026-07-06"],
)  # fmt: skip
def test_a_day_is_written_in_one_way_only(text: str) -> None:
    with pytest.raises(InputError) as refused:
        day(text)
    assert str(refused.value) == f"'{text}' is not a day; write it as 2026-04-01"


def test_days_and_months_are_their_first_moments() -> None:
    assert day("2026-07-06") == pd.Timestamp("2026-07-06 00:00")
    assert day("2026-07") == pd.Timestamp("2026-07-01 00:00")


SPANS = {
    "B01": {1}, "B01..B02": {1, 2}, "2026-01-06": {1}, "2026-01-06..2026-01-07": {1, 2},
    "2026-01": {0, 1, 2}, "2026-01..2026-02": {0, 1, 2}, "2025-12..2026-01-05": {0},
}  # fmt: skip


@pytest.mark.parametrize("text", SPANS)
def test_spans_take_in_both_their_ends(text: str) -> None:
    runs = history(quiet(3), batches=["B00", "B01", "B02"]).runs
    assert set(np.flatnonzero(in_span(runs, text))) == SPANS[text]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("B01..", "is not a span"), ("..B01", "is not a span"), ("..", "is not a span"),
        ("2026-01-05..", "is not a span"), ("", "is not a span"),
        ("B02..B01", "batch B02 comes after batch B01"), ("B09", "no batch 'B09'"),
        ("2026-02..2026-01", "ends before it begins"), ("B00..2026-01-06", "no batch '2026-01-06'"),
        ("2026-02-30..2026-03-01", "is not a day"), ("2026-13", "no batch '2026-13'"),
    ],
)  # fmt: skip
def test_what_is_no_span_is_refused(text: str, words: str) -> None:
    runs = history(quiet(3), batches=["B00", "B01", "B02"]).runs
    with pytest.raises((InputError, NotFoundError)) as refused:
        in_span(runs, text)
    assert words in str(refused.value)


def test_a_batch_seen_again_later_stretches_a_span_to_its_last_piece() -> None:
    past = history(quiet(5), batches=["A", "B", "A", "C", "D"])
    assert in_span(past.runs, "A").tolist() == [True, True, True, False, False]
    late = replace(past, runs=past.runs.assign(batch=["A", "B", "C", "B", "D"]))
    assert in_span(late.runs, "A..B").tolist() == [True] * 4 + [False]


def test_the_store_gives_the_same_proposal(tmp_path: Path) -> None:
    values = quiet()
    values[30:, 9:12] += 0.8
    past = history(values)
    with open_store(stored(tmp_path, past), read_only=True) as store:
        found = propose(store)
    assert found.moulds == proposed(past).moulds
    assert found.span == proposed(past).span
