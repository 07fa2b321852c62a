"""Signals: when the change behind one came, the answers given, and what chance alone would raise.

The set that holds the time of a change: Samuel, T. R., Pignatiello, J. J. and Calvin, J. A. (1998),
Quality Engineering 10, 521-527; here it is held to changes that were planted.
"""

import re
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from helpers import contents
from histories import NO_EVENTS, history, stored
from scipy.stats import norm
from strategies import Array

from spc.charts.rules import RULES
from spc.errors import InputError, NotFoundError
from spc.pages.signals_text import event_words, signals_text
from spc.store import read
from spc.store.connection import open_store
from spc.studies.chance import any_in, chance
from spc.studies.corrections import correct_serial, correct_words
from spc.studies.freezing import freeze
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted, touching
from spc.studies.month import _listed
from spc.studies.signals import (
    ANSWERED,
    OPEN,
    ListedSignal,
    SignalList,
    answer,
    listed,
    signal_list,
)
from spc.studies.spans import month

NO_ANSWERS = pd.DataFrame({"signal_id": pd.Series(dtype=object)})


def number(batch: str) -> int:
    return int(batch[1:])


def found_in(found: SignalList, mould: str) -> dict[str, ListedSignal]:
    return {s.series: s for s in found.signals if s.mould == mould}


@pytest.fixture(scope="module")
def of_samples(sample_store: Path) -> SignalList:
    with open_store(sample_store, read_only=True) as store:
        return signal_list(store)


def test_the_set_holds_the_true_batch_of_the_planted_step(
    of_samples: SignalList, truth: Any
) -> None:
    """Of points that moved by three spreads of batch means or more; the warp is another change."""
    large = {p for p, z in truth["step"]["in_batch_sigma_uncorrected"].items() if abs(z) >= 3}
    warped = set(truth["warp"]["shows_at"])
    assert len(large) == 11
    for mould, true, points in (("K1", 15, large), ("K2", 14, large - warped)):
        mine = found_in(of_samples, mould)
        assert points <= set(mine)
        for point in points:
            one, seen = mine[point], truth["step"]["seen_mm"][point]
            assert number(one.changed_first) <= true <= number(one.changed_last), one
            assert one.shift_low <= one.shift <= one.shift_high < 0 or seen > 0
            assert one.shift == pytest.approx(seen, abs=0.25)
    # Most of these intervals of 95 % hold the true size; five values know a size roughly.
    sizes = [(found_in(of_samples, "K1")[p], truth["step"]["seen_mm"][p]) for p in large]
    assert sum(s.shift_low <= mm <= s.shift_high for s, mm in sizes) >= 9


def test_the_warp_is_dated_to_the_batches_where_it_had_grown(
    of_samples: SignalList, truth: Any
) -> None:
    mine = found_in(of_samples, truth["warp"]["mould"])
    for point in ("corner-front-left", "corner-front-right", "corner-rear-right", "mode-1"):
        assert 24 <= number(mine[point].changed_first) <= 27, mine[point]
        assert mine[point].changed_last <= "B30"


def planted(shift: float, rows: int = 60, at: int = 40, checks: int = 200) -> History:
    values = np.random.default_rng(7).normal(0, 1, (rows, 9 + checks))
    values[at:, 9:] += shift
    return history(values)


@pytest.mark.parametrize(("shift", "held"), [(1.5, 0.9), (3.0, 0.92)])
def test_the_set_of_95_percent_holds_a_planted_time_nearly_so_often(
    shift: float, held: float
) -> None:
    """Centre and sigma are of 40 values, so a little is lost of what known ones would hold."""
    past = planted(shift)
    names = tuple(f"check-{k + 1}" for k in range(200))
    chart = charted(past, NO_EVENTS, names=names, baseline="B00000..B00039")
    after = [s for s in listed(chart, NO_ANSWERS).signals if number(s.first) >= 40]
    assert len(after) > 50
    within = [number(s.changed_first) <= 40 <= number(s.changed_last) for s in after]
    size = [s.shift_low <= shift <= s.shift_high for s in after]
    print(f"a shift of {shift} sigma: {np.mean(within):.1%} of {len(within)} sets hold its time")
    assert np.mean(within) >= held
    assert np.mean(size) >= 0.85


def test_a_change_is_never_sought_in_the_time_of_other_limits(tmp_path: Path) -> None:
    """From the level of the limits of today, the twenty pieces of before lie far off."""
    values = np.random.default_rng(3).normal(0, 0.1, (60, 10))
    values[20:, 9] += 2.0
    values[50:, 9] += 1.0
    past = history(values)
    with open_store(stored(tmp_path, past)) as store:
        freeze(store, names=("check-1",), baseline="B00020..B00039", by="batch", since=None,
               why="settled", who="tester", rules=("beyond limit",))  # fmt: skip
        (found,) = signal_list(store, names=("check-1",)).signals
    assert (found.first, found.changed_first, found.changed_last) == ("B00050",) * 3
    assert found.shift_low < 1.0 < found.shift_high
    unfrozen = charted(past, NO_EVENTS, names=("check-1",), baseline="B00020..B00039")
    assert listed(unfrozen, NO_ANSWERS).signals[0].first == "B00000"


def test_a_change_is_dated_by_the_sigma_of_its_own_mould(tmp_path: Path) -> None:
    """Mould M is a tenth as wide as N; the set of its small step must be as narrow as alone."""
    rng = np.random.default_rng(5)
    moulds = ["MN"[k % 2] for k in range(100)]
    wide = np.where(np.array(moulds) == "N", 1.0, 0.1)
    values = rng.normal(0, 1, (100, 10)) * wide[:, None]
    values[70::2, 9] += 0.6
    path = stored(tmp_path, history(values, moulds=moulds))
    with open_store(path) as store:
        for mould in "MN":
            freeze(store, names=("check-1",), baseline="B00000..B00059", by="batch", since=None,
                   why="settled", who="tester", rules=("beyond limit",), mould=mould)  # fmt: skip
        found = found_in(signal_list(store), "M")["check-1"]
    assert (found.changed_first, found.changed_last) == ("B00070", "B00070")
    assert found.shift_low < 0.6 < found.shift_high
    # Known to about 2 sigma/√15 either way.
    assert found.shift_high - found.shift_low == pytest.approx(2 * 1.96 * 0.1 / 15**0.5, rel=0.25)


def test_a_skewed_figure_is_dated_but_its_change_has_no_size_in_mm() -> None:
    values = np.random.default_rng(8).normal(0, 0.1, (60, 10))
    values[40:, :9] *= 4
    chart = charted(history(values), NO_EVENTS, names=("fit-noise",), baseline="B00000..B00039")
    (one,) = listed(chart, NO_ANSWERS).signals
    assert number(one.changed_first) <= 40 <= number(one.changed_last)
    assert np.isnan([one.shift, one.shift_low, one.shift_high]).all()


# --- answers ------------------------------------------------------------------------------------


def stepped() -> History:
    values = np.random.default_rng(2).normal(0, 0.1, (60, 12))
    values[30:34, 9] += 2.0
    values[50:53, 9] += 2.0
    values[40:, 10] += 1.0
    return history(values)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stored(tmp_path_factory.mktemp("signals"), stepped())


@pytest.fixture
def path(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(original, tmp_path / "s.duckdb"))


QUESTION = {"baseline": "B00000..B00024"}
SAID = {"cause": "lot PE-131", "reaction": "limits anew", "who": "tester"}


def seen(path: Path, **question: Any) -> dict[str, ListedSignal]:
    with open_store(path, read_only=True) as store:
        return {s.series: s for s in signal_list(store, **{**QUESTION, **question}).signals}


def answered(path: Path, name: str, **said: Any) -> ListedSignal:
    with open_store(path) as store:
        return answer(store, name, **{**SAID, **said}, **QUESTION)


def test_an_answer_is_kept_with_who_when_and_why_and_the_others_stay_open(path: Path) -> None:
    before = seen(path)
    done = answered(path, before["check-1"].signal_id)
    after = seen(path)
    assert done == after["check-1"]
    assert (done.state, done.cause, done.reaction, done.who) == (ANSWERED, *SAID.values())
    assert done.answered_at is not None
    assert {n: s for n, s in after.items() if n != "check-1"} == {
        n: s for n, s in before.items() if n != "check-1"
    }
    assert {s.state for n, s in after.items() if n != "check-1"} == {OPEN}
    assert list(after)[-1] == "check-1"  # open ones come first


def test_a_signal_is_answered_once(path: Path) -> None:
    name = seen(path)["check-1"].signal_id
    answered(path, name)
    held = contents(path)
    with pytest.raises(InputError, match=f"signal '{name}' is answered already"):
        answered(path, name, cause="another")
    assert contents(path) == held


def test_a_signal_is_named_by_as_much_as_tells_it_from_the_others(path: Path) -> None:
    name = seen(path)["check-1"].signal_id
    assert (len(name), answered(path, name[:6]).series) == (12, "check-1")
    held = contents(path)
    for wrong, words in (("zz", "no signal 'zz'"), ("", "more than one signal ''")):
        with pytest.raises(NotFoundError, match=words):
            answered(path, wrong)
    with pytest.raises(InputError, match="no reason given"):
        answered(path, seen(path)["check-2"].signal_id, reaction="  ")
    assert contents(path) == held


def test_names_stay_as_newer_pieces_come_in(path: Path) -> None:
    names = {n: s.signal_id for n, s in seen(path).items()}
    answers = pd.DataFrame([{"signal_id": names["check-1"], "cause": "", "reaction": "", "who": "",
                             "recorded_at": pd.Timestamp("2026-12-01")}])  # fmt: skip
    for rows in (34, 45, 56, 60):
        past = stepped().where(np.arange(60) < rows)
        found = {s.series: s for s in listed(charted(past, NO_EVENTS, **QUESTION), answers).signals}
        assert {n: s.signal_id for n, s in found.items()}.items() <= names.items()
        assert found["check-1"].state == ANSWERED
        assert ("check-2" in found) == (rows >= 45)


def answers_at(*given: tuple[str, datetime]) -> pd.DataFrame:
    """Return answers to signals by name, each recorded at its time."""
    rows = [{"signal_id": name, "cause": "lot", "reaction": "none", "who": "tester",
             "recorded_at": pd.Timestamp(when)} for name, when in given]  # fmt: skip
    return pd.DataFrame(rows)


def of_check(past: History, answers: pd.DataFrame, name: str = "check-1") -> list[ListedSignal]:
    found = listed(charted(past, NO_EVENTS, **QUESTION), answers).signals
    return [s for s in found if s.series == name]


def test_what_begins_after_an_answer_is_a_signal_of_its_own() -> None:
    """The first is answered some days after it ended; three weeks later the same comes again."""
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    assert first.first == "B00030"
    one = (first.signal_id, first.since + timedelta(days=16))
    again, old = of_check(past, answers_at(one))
    assert (again.state, again.first, again.cause) == (OPEN, "B00050", "")
    assert (again.answered_before, old.answered_before) == ("lot; none", "")
    text = signals_text(listed(charted(past, NO_EVENTS, **QUESTION), answers_at(one)))
    assert re.search(rf"{again.signal_id}  open again +check-1", text)
    assert (old.state, old.signal_id, old.first) == (ANSWERED, first.signal_id, "B00030")
    assert old.last < again.first
    assert old.since_answer == 0
    two = (again.signal_id, first.since + timedelta(days=40))
    both = of_check(past, answers_at(one, two))
    assert [(s.state, s.signal_id) for s in both] == [(ANSWERED, one[0]), (ANSWERED, two[0])]


def test_what_was_measured_before_an_answer_but_came_in_after_it_is_open() -> None:
    """Batches 50 to 52 lay in a drawer: their file is taken in after all was answered."""
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    when = datetime(2026, 3, 10)
    seen_then = answers_at((first.signal_id, when))
    (all_of_it,) = of_check(past, seen_then)
    assert (all_of_it.state, all_of_it.since_answer) == (ANSWERED, 0)
    taken = past.runs["taken_at"].copy()
    taken[50:53] = pd.Timestamp("2026-03-11")
    late = replace(past, runs=past.runs.assign(taken_at=taken))
    again, old = of_check(late, seen_then)
    assert (again.state, again.first) == (OPEN, "B00050")
    assert (old.state, old.signal_id, old.last < "B00050") == (ANSWERED, first.signal_id, True)


def test_a_signal_that_went_on_after_its_answer_says_how_many_pieces_came_since() -> None:
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS, "check-2")
    answers = answers_at((first.signal_id, datetime(2026, 2, 25)))
    found = of_check(past, answers, "check-2")
    old = next(s for s in found if s.state == ANSWERED)
    # Batch 51 is of 25 February, eight o'clock: it and the eight after it came in later.
    assert (old.last, old.since_answer) == ("B00059", 9)
    text = signals_text(listed(charted(past, NO_EVENTS, **QUESTION), answers))
    assert "answered, 9 pieces since" in text


def test_an_older_signal_that_comes_in_late_takes_no_answer_away() -> None:
    """A file from before the first signal comes in after the answer: that one is open, alone."""
    past = stepped()
    past.deviations[26, 9] = -0.45
    taken = past.runs["taken_at"].copy()
    taken[26] = pd.Timestamp("2026-04-01")
    (first,) = of_check(stepped(), NO_ANSWERS)
    late = replace(past, runs=past.runs.assign(taken_at=taken))
    found = of_check(late, answers_at((first.signal_id, datetime(2026, 3, 10))))
    assert [(s.state, s.first) for s in found] == [(OPEN, "B00026"), (ANSWERED, "B00030")]


def test_one_line_a_chart_says_what_it_found_first_and_what_else(path: Path) -> None:
    one = seen(path)["check-2"]
    assert number(one.first) in (40, 41)
    assert one.last == "B00059"
    assert {one.rule, *one.also} >= {
        RULES["nine on one side"].text, "the moving average beyond its limit"
    }  # fmt: skip
    assert one.spoken == "deviation of check-2"
    assert not one.fit_point


def test_names_tell_moulds_and_parts_apart() -> None:
    values = stepped().deviations
    one, two = (
        listed(charted(history(values, moulds=mould), NO_EVENTS, **QUESTION), NO_ANSWERS)
        for mould in "MN"
    )
    assert len({s.signal_id for s in (*one.signals, *two.signals)}) == 2 * len(one.signals)


EVENTS = pd.DataFrame(
    [
        ("2026-01-20", "mould work", "M1", "older"),
        ("2026-01-30", "mould work", "M1", "vent cleaned"),
        ("2026-02-01", "mould work", "M2", "another mould's"),
        ("2026-02-02", "arm check", "", "within limits"),
        ("2026-02-08", "resin lot", "", "after the signal"),
    ],
    columns=["happened_at", "kind", "mould", "note"],
).astype({"happened_at": "datetime64[us]"})


def among(events: pd.DataFrame) -> dict[str, ListedSignal]:
    found = listed(charted(stepped(), events, **QUESTION), NO_ANSWERS)
    return {s.series: s for s in found.signals}


def test_the_event_named_is_the_nearest_to_the_change_that_concerns_the_mould() -> None:
    """The change at batch 30 is of 4 February; events of 5 and 15 days before it concern it."""
    found = among(EVENTS)
    one = found["check-1"]
    assert one.since == datetime(2026, 2, 4, 8)
    assert one.event == "mould work: vent cleaned"
    assert one.event_days == pytest.approx(5 + 8 / 24)
    other = among(EVENTS[:1])
    assert other["check-1"].event == "mould work: older"
    # 14 February lies more than 21 days after it.
    assert other["check-2"].event == ""
    assert np.isnan(other["check-2"].event_days)


def slow() -> History:
    """Return a shift of 1.2 sigma at batch 30, which is signalled a week later."""
    values = np.random.default_rng(33).normal(0, 0.1, (60, 10))
    values[30:, 9] += 0.12
    return history(values)


def event_of(*when: str) -> ListedSignal:
    events = pd.DataFrame(
        {"happened_at": pd.Series(when, dtype="datetime64[us]"), "kind": "mould work", "mould": "",
         "note": list(when)}
    )  # fmt: skip
    chart = charted(slow(), events, **QUESTION)
    return next(s for s in listed(chart, NO_ANSWERS).signals if s.series == "check-1")


def test_an_event_is_sought_where_the_change_came_not_where_it_was_signalled() -> None:
    plain = event_of("2020-01-01")
    first, last = number(plain.changed_first), number(plain.changed_last)
    assert (plain.event, first <= 30 <= last) == ("", True)
    start = pd.Timestamp("2026-01-05")
    days = [str((start + pd.Timedelta(days=k)).date()) for k in range(70)]
    assert number(plain.first) > last, "signalled after the set that holds the change"
    # One between the change and the signal cannot have made it; the one before it may.
    assert event_of(days[last + 1]).event == ""
    both = event_of(days[first - 2], days[last + 1])
    assert both.event == f"mould work: {days[first - 2]}"
    assert both.event_days > 0
    # Within the set an event may come after the likeliest time.
    nearest = event_of(days[first - 15], days[last])
    assert nearest.event == f"mould work: {days[last]}"
    assert nearest.event_days < 0
    assert "days after the likeliest time)" in event_words(nearest)
    assert event_of(days[max(first - 23, 0)]).event == ""


# --- chance -------------------------------------------------------------------------------------


def quiet(checks: int = 100, rows: int = 60, seed: int = 6) -> Array:
    return np.random.default_rng(seed).normal(0, 0.1, (rows, 9 + checks))


def late(chart: Monitor) -> set[tuple[str, str]]:
    """Return charts, fit points apart, with a signal on a row after the baseline, row by row."""
    base = dict(zip(zip(chart.rows.moulds, chart.rows.labels, strict=True), chart.rows.baseline,
                    strict=True))  # fmt: skip
    place = {key: k for k, key in enumerate(base)}
    fit = set(np.array(chart.series.names)[chart.series.fit_point])
    out = set()
    for s in chart.signals:
        rows = range(place[s.mould, s.first], place[s.mould, s.last] + 1)
        flags = list(base.values())
        if s.series not in fit and any(not flags[k] for k in rows):
            out.add((s.series, s.mould))
    return out


def test_found_counts_charts_with_a_signal_after_the_baseline() -> None:
    past = history(quiet(), moulds=["MN"[k % 3 == 0] for k in range(60)])
    chart = charted(past, NO_EVENTS, rules=tuple(RULES)[:4], baseline="B00000..B00029")
    found = chance(chart)
    assert found.found == len(late(chart)) > 5
    early = len(touching(chart, chart.rows.baseline))
    assert 0 < early < len(chart.signals)


def test_only_points_with_limits_after_the_baseline_count() -> None:
    values = quiet(4)
    values[:, 9] = np.nan
    values[50:, 10] = np.nan
    values[:23, 11] = np.nan  # seven baseline values: no limits
    past = history(values, moulds=["MN"[k >= 40] for k in range(60)])
    names = ("check-1", "check-2", "check-3", "check-4", "top-1")
    found = chance(charted(past, NO_EVENTS, baseline="B00000..B00029", names=names))
    # Mould N has no baseline; of M rows 30 to 39 are left, of check-2 and check-4.
    assert (found.charts, found.points) == (2, 20)
    one = any_in(30, 10, ("beyond limit", "nine on one side"))
    assert found.charts_with_any == pytest.approx(2 * one)


def test_the_time_without_limits_does_not_count(tmp_path: Path) -> None:
    path = stored(tmp_path, history(quiet(2)))
    with open_store(path) as store:
        freeze(store, names=("check-1",), baseline="B00000..B00011", by="batch",
               since="2026-02-24", why="later", who="tester", rules=("beyond limit",))  # fmt: skip
        found = signal_list(store, names=("check-1",)).chance
    # Day 50 is 24 February; ten days are left.
    assert (found.charts, found.points) == (1, 10)
    assert "limits from 12 values" in found.words


def test_without_limits_there_is_nothing_to_expect() -> None:
    nothing = chance(charted(history(quiet(2, rows=5)), NO_EVENTS))
    assert (nothing.charts, nothing.points, nothing.charts_with_any, nothing.found) == (0, 0, 0, 0)
    assert nothing.words == "no chart has limits"


def test_settled_limits_alone_are_expected_to_err_as_the_normal_law_says() -> None:
    """Of 10,000 values the limits are known, and the average of λ 0.2 at 2.86 errs as often.

    One in 370 each (Lucas, J. M. and Saccucci, M. S. 1990, Technometrics 32, 1-12): both together
    more often than either, and less often than if a value beyond never moved the average.
    """
    one = any_in(10_000, 30, ("beyond limit",))
    rate = 2 * norm.sf(3)
    assert -np.expm1(-30 * rate) * 1.3 < one < -np.expm1(-30 * (rate + 1 / 370))
    assert any_in(12, 30, ("beyond limit",)) > 2 * one
    assert any_in(12, 0, ("beyond limit",)) == 0.0


def given(signal: ListedSignal, when: datetime) -> pd.DataFrame:
    """Return an answer to a signal as the store holds it."""
    return answers_at((signal.signal_id, when)).assign(
        series=signal.series, mould=signal.mould, rule=signal.rule, subject=signal.first,
        measured_at=pd.Timestamp(signal.since), value=signal.value,
    )  # fmt: skip


def test_an_answer_stays_with_a_signal_that_begins_elsewhere_since() -> None:
    """Results of the first row are corrected after the answer: the signal begins a row later."""
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    answers = given(first, datetime(2026, 4, 1))
    past.deviations[30, 9] = 0.0
    (left,) = of_check(past, NO_ANSWERS)
    assert left.signal_id != first.signal_id
    (still,) = of_check(past, answers)
    assert (still.state, still.cause, still.found) == (ANSWERED, "lot", True)
    assert (still.signal_id, still.first) == (first.signal_id, left.first)


def test_an_answer_is_kept_where_late_rows_make_a_signal_begin_earlier() -> None:
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    answers = given(first, datetime(2026, 4, 1))
    past.deviations[28:30, 9] = past.deviations[31:33, 9]
    taken = past.runs["taken_at"].copy()
    taken[28:30] = pd.Timestamp("2026-05-01")
    found = of_check(replace(past, runs=past.runs.assign(taken_at=taken)), answers)
    # What begins with rows that came in later is open; the answer stays with what it was given to.
    assert [(s.state, s.first, s.found) for s in found] == [
        (OPEN, "B00028", True), (ANSWERED, "B00033", True)
    ]  # fmt: skip
    assert found[1].signal_id == first.signal_id


def test_an_answered_signal_that_is_gone_is_listed_for_its_answer() -> None:
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    answers = given(first, datetime(2026, 4, 1))
    past.deviations[:, 9] = np.random.default_rng(4).normal(0, 0.1, 60)
    assert not of_check(past, NO_ANSWERS)
    (gone,) = of_check(past, answers)
    assert (gone.state, gone.found, gone.first) == (ANSWERED, False, first.first)
    assert (gone.cause, gone.reaction, gone.who) == ("lot", "none", "tester")
    text = signals_text(listed(charted(past, NO_EVENTS, **QUESTION), answers))
    assert "answered, not found any more" in text
    assert f"{first.signal_id}: lot; none (tester" in text


def test_an_answer_on_other_charts_is_none_here() -> None:
    """By piece, or on another revision, nothing is known of the batch that was answered."""
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    answers = given(first, datetime(2026, 4, 1)).assign(signal_id="0" * 12, subject="another batch")
    (alone,) = of_check(past, answers)
    assert (alone.state, alone.signal_id) == (OPEN, first.signal_id)


RENAMED = [
    ({"batch": "B77777"}, "B77777", "M1"),
    ({"mould": "N"}, "B00030", "N"),
]


@pytest.mark.parametrize(("words", "label", "mould"), RENAMED)
def test_an_answer_follows_a_batch_that_a_correction_renamed(
    tmp_path: Path, words: dict[str, str], label: str, mould: str
) -> None:
    """All pieces of the mould where it is the mould: what was found is still there."""
    path = stored(tmp_path, stepped())
    question: dict[str, Any] = {"names": ("check-1",), "baseline": "B00000..B00019"}
    with open_store(path) as store:
        (first,) = signal_list(store, **question).signals
        answer(store, first.signal_id, cause="lot", reaction="none", who="tester", **question)
        runs = read.runs(store)
        renamed = runs if "mould" in words else runs[runs["batch"] == first.first]
        for serial in renamed["serial"]:
            correct_words(store, str(serial), words, why="misread", who="tester")
        now = [s for s in signal_list(store, **question).signals if s.state == ANSWERED]
        by_piece = signal_list(store, by="piece", **question).signals
    (still,) = now
    assert (still.signal_id, still.cause, still.found) == (first.signal_id, "lot", True)
    assert (still.first, still.mould, still.since) == (label, mould, first.since)
    assert first.signal_id not in {s.signal_id for s in by_piece}


def test_an_answer_of_a_batch_that_is_gone_is_listed_as_not_found_any_more(tmp_path: Path) -> None:
    """The batch was part of one before it: no row stands at its time any more."""
    values = np.random.default_rng(2).normal(0, 0.1, (60, 12))
    values[20:, 9] *= 0.3
    values[30, 9] = 0.6
    path = stored(tmp_path, history(values))
    question: dict[str, Any] = {"names": ("check-1",), "baseline": "B00000..B00019"}
    with open_store(path) as store:
        (first,) = signal_list(store, **question).signals
        answer(store, first.signal_id, cause="lot", reaction="none", who="tester", **question)
        runs = read.runs(store)
        for serial in runs[runs["batch"].between("B00021", "B00030")]["serial"]:
            correct_words(store, str(serial), {"batch": "B00020"}, why="misread", who="tester")
        (gone,) = signal_list(store, **question).signals
    assert (gone.signal_id, gone.state, gone.found) == (first.signal_id, ANSWERED, False)
    assert (gone.first, gone.mould) == ("B00030", "M1")


def test_an_answer_by_piece_follows_a_serial_and_is_none_by_batch(tmp_path: Path) -> None:
    path = stored(tmp_path, stepped())
    question: dict[str, Any] = {"names": ("check-1",), "by": "piece", "baseline": "B00000..B00019"}
    with open_store(path) as store:
        (first,) = signal_list(store, **question).signals
        answer(store, first.signal_id, cause="lot", reaction="none", who="tester", **question)
        correct_serial(store, first.first, "X9", run=None, why="misread", who="tester")
        (still,) = (s for s in signal_list(store, **question).signals if s.state == ANSWERED)
        by_batch = signal_list(store, **(question | {"by": "batch"})).signals
    assert (still.signal_id, still.found, still.first) == (first.signal_id, True, "X9")
    assert first.signal_id not in {s.signal_id for s in by_batch}


def test_an_answer_whose_signal_an_older_one_holds_for_by_now_is_listed_too() -> None:
    """What lay between two answered signals comes in late, and the first answer holds for all."""
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    one = given(first, first.since + timedelta(days=16))
    again, _ = of_check(past, one)
    answers = pd.concat([one, given(again, first.since + timedelta(days=40))])
    assert [s.found for s in of_check(past, answers)] == [True, True]
    # All of it is said to have been there when the first was answered.
    taken = past.runs["taken_at"].copy()
    taken[:] = pd.Timestamp("2026-01-05")
    joined = replace(past, runs=past.runs.assign(taken_at=taken))
    found = of_check(joined, answers)
    assert [(s.state, s.signal_id, s.found) for s in found] == [
        (ANSWERED, first.signal_id, True), (ANSWERED, again.signal_id, False)
    ]  # fmt: skip


def test_a_month_lists_an_answer_to_what_began_in_it_and_is_gone() -> None:
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    answers = given(first, datetime(2026, 4, 1))
    past.deviations[:, 9] = np.random.default_rng(4).normal(0, 0.1, 60)
    chart = charted(past, NO_EVENTS, **QUESTION)
    in_month = {
        name: [s.signal_id for s in _listed(chart, answers, (), month(name))]
        for name in ("2026-01", "2026-02")
    }
    assert in_month == {"2026-01": [], "2026-02": [first.signal_id]}


def test_no_answer_holds_for_what_lies_on_the_other_side_and_begins_elsewhere() -> None:
    past = stepped()
    (first,) = of_check(past, NO_ANSWERS)
    past.deviations[34:, 9] = stepped().deviations[4:30, 9]
    past.deviations[29:34, 9] = -2.0
    found = of_check(past, given(first, datetime(2026, 4, 1)))
    assert [(s.state, s.first, s.found) for s in found] == [
        (OPEN, "B00029", True), (ANSWERED, first.first, False)
    ]  # fmt: skip
