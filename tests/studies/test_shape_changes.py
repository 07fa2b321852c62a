"""Shapes named where none moved, and shapes that moved: rates by simulation, fits by libraries."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from histories import NO_EVENTS, history, simulated
from scipy import stats

from spc.demo.scenario import build
from spc.studies.drift import drift_of
from spc.studies.drift_words import chance_words, sentences_of
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted, touching
from spc.studies.series import SeriesSet
from spc.studies.shape_changes import (
    ALPHA,
    chance_of,
    changes_in,
    shapes_charted,
)
from spc.studies.shape_series import shapes_of


def charts(values: np.ndarray, moulds: str = "KL", events: pd.DataFrame = NO_EVENTS) -> Monitor:
    """Chart columns of values as shapes, one piece a batch, moulds in turn."""
    rows, columns = values.shape
    past = history(np.zeros((rows, 10)), moulds=[moulds[k % len(moulds)] for k in range(rows)])
    names = tuple(f"shape {k + 1}" for k in range(columns))
    none = np.full(columns, np.nan)
    no = np.zeros(columns, dtype=bool)
    series = SeriesSet(names=names, spoken=names, values=values, skewed=no, fit_point=no,
                       lower=none, upper=none, units=("",) * columns)  # fmt: skip
    return shapes_charted(past, events, None, series)


def test_quiet_shapes_are_named_no_more_often_than_stated() -> None:
    """A hundred histories of 8 shapes on 2 moulds: 5 % are 5, and 12 lie three SE above."""
    rng = np.random.default_rng(11)
    named = sum(bool(changes_in(charts(rng.normal(size=(36, 8))))) for _ in range(100))
    assert named <= stats.binom.ppf(0.9987, 100, ALPHA)
    assert named > 0  # a rule that never names anything would keep to it too


@pytest.mark.parametrize("seed", range(4))
def test_a_quiet_process_has_no_shape_named(seed: int) -> None:
    """Nothing planted, seasons and ages as ever: four of the hundreds of which 97 % are quiet."""
    past = simulated(build(seed, null=True))
    assert changes_in(shapes_charted(past, NO_EVENTS, None, shapes_of(past).series)) == ()


def test_usual_limits_would_name_as_many_as_is_said() -> None:
    """1,200 shapes on two moulds without a change: within three standard errors of what is said."""
    rng = np.random.default_rng(5)
    past = history(np.zeros((36, 10)), moulds=["K", "L"] * 18)
    counts: list[int] = []
    for _ in range(4):
        one = charts(rng.normal(size=(36, 300)))
        usual = charted(past, NO_EVENTS, of=one.series)
        named = {(s.series, s.mould) for s in touching(usual, ~usual.rows.baseline)}
        counts += [sum((n, m) in named for m in "KL") for n in one.series.names]
    error = np.std(counts) / len(counts) ** 0.5
    assert abs(np.mean(counts) - chance_of(one).usual / 300) < 3 * error


def test_a_step_is_found_with_the_interval_of_a_regression() -> None:
    rng = np.random.default_rng(8)
    values = rng.normal(0.0, 0.1, (24, 1))
    values[15:] += 1.0
    (change,) = changes_in(charts(values, "K"))
    assert (change.found, change.last_before, change.first_after) == ("step", "B00014", "B00015")
    x = sm.add_constant((np.arange(24) >= 15).astype(float))
    low, high = sm.OLS(values[:, 0], x).fit().conf_int()[1]
    assert (change.shift_low, change.shift_high) == pytest.approx((low, high))


def test_the_interval_of_a_step_holds_the_step_wherever_it_is_placed() -> None:
    """Eight shapes that step by four sigma on each of two moulds: 95 % of 320 intervals and more.

    The place is not known, and the interval spans every place that it may have.
    """
    rng, held, seen = np.random.default_rng(21), 0, 0
    for _ in range(20):
        values = rng.normal(size=(36, 8))
        values[20:] += 4.0
        steps = [c for c in changes_in(charts(values)) if c.found == "step"]
        held += sum(c.shift_low <= 4.0 <= c.shift_high for c in steps)
        seen += len(steps)
    assert seen > 250
    assert held >= stats.binom.ppf(0.0013, seen, 0.95)


def test_a_drift_is_told_from_a_step_and_dated_to_its_beginning() -> None:
    rng = np.random.default_rng(9)
    k = np.arange(30)
    values = rng.normal(0.0, 0.1, (30, 1)) + 0.2 * np.maximum(k - 17, 0)[:, None]
    (change,) = changes_in(charts(values, "K"))
    assert change.found == "growing"
    assert int(change.last_before[1:]) < 18 <= int(change.first_after[1:])
    assert change.shift_low < 0.2 * 12 < change.shift_high


def test_one_wild_batch_is_found_by_its_chart() -> None:
    values = np.random.default_rng(10).normal(0.0, 0.1, (40, 2))
    values[30, 1] += 3.0
    (change,) = changes_in(charts(values, "K"))
    assert (change.shape, change.found) == ("shape 2", "limit")


def test_events_between_are_named_the_newest_first_and_others_not() -> None:
    values = np.random.default_rng(8).normal(0.0, 0.1, (24, 1))
    values[15:] += 1.0
    days = ["2026-01-10", "2026-01-19T12:00", "2026-01-20T01:00", "2026-01-19T13:00", "2026-02-20"]
    events = pd.DataFrame({
        "happened_at": pd.to_datetime(days, format="ISO8601").astype("datetime64[us]"),
        "kind": ["resin lot", "resin lot", "mould work", "mould work", "mould work"],
        "mould": ["", "", "K", "L", "K"], "note": ["a", "b", "c", "d", "e"],
    })  # fmt: skip
    (change,) = changes_in(charts(values, "K", events))
    assert change.events == ("mould work: c", "resin lot: b")


@pytest.mark.parametrize("rows", [1, 2, 7])
def test_few_batches_say_so_and_not_that_nothing_moved(rows: int) -> None:
    chart = charts(np.random.default_rng(1).normal(size=(rows, 3)), "K")
    chance = chance_of(chart)
    assert changes_in(chart) == ()
    assert (chance.charts, chance.unjudged) == (0, (("K", rows),))
    (said,) = sentences_of(chart.plan, [], chance)
    assert "too few to tell whether a shape moved" in said
    assert "nothing" not in said
    assert chance_words(chance) == ""


def test_constant_and_missing_shapes_are_no_error() -> None:
    values = np.zeros((20, 3))
    values[:, 1] = np.nan
    values[10:, 2] = 1.0
    found = changes_in(charts(values, "K"))
    assert {c.shape for c in found} <= {"shape 3"}


def conditioned(past: History, hours: object, celsius: object) -> History:
    runs = past.runs.assign(hours_since_moulding=hours, part_temp_c=celsius)
    runs["piece_id"] = runs["serial"]
    return replace(past, runs=runs)


def test_a_drift_of_one_piece_says_what_it_cannot() -> None:
    past = simulated(build(3, null=True))
    one = past.where(np.arange(len(past.runs)) == 0)
    found = drift_of(conditioned(one, np.nan, np.nan), NO_EVENTS)
    assert found is not None
    assert all("too few" in sentence for sentence in found.sentences)
    assert found.adjusted.age.note == "no hours since moulding recorded"
    assert found.points == ()
