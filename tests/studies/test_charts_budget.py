"""A budget of false alarms: the widths against what simulated shops need, and what is refused.

How limits from few values err: Quesenberry, C. P. (1993), Journal of Quality Technology 25,
237-247; here the law of the mean moving range is drawn anew and not taken from the program.
"""

from pathlib import Path

import numpy as np
import pytest
from histories import NO_EVENTS, history, stored
from scipy.stats import norm
from strategies import Array

from spc.errors import InputError
from spc.store.connection import open_store
from spc.studies.freezing import freeze
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted, monitor

#: The mean range of two normal values in standard deviations: 2 / √π (ISO 7870-2, d2).
D2 = 2 / np.pi**0.5
DAYS_A_MONTH = 365.25 / 12
SHOPS = 200_000
NAMES = tuple(f"check-{k}" for k in range(1, 6))


def steady(rows: int, moulds: str = "M", checks: int = 5, seed: int = 1) -> History:
    """Return one piece a day, of the moulds by turns."""
    values = np.random.default_rng(seed).normal(0, 0.1, (rows, 9 + checks))
    return history(values, moulds=[moulds[k % len(moulds)] for k in range(rows)])


def budgeted(past: History, months: float, last: int, names: tuple[str, ...] = NAMES) -> Monitor:
    return charted(past, NO_EVENTS, names=names, months=months,
                   baseline=f"B00000..B{last - 1:05d}")  # fmt: skip


def sigmas(lengths: list[int]) -> Array:
    """Return sigma estimated by many shops, true value 1, from moving ranges within moulds."""
    rng = np.random.default_rng(9)
    ranges = [np.abs(np.diff(rng.normal(size=(SHOPS, n)), axis=1)) for n in lengths]
    return np.hstack(ranges).mean(axis=1) / D2


def rate_of(chart: Monitor, months: float) -> float:
    """Return what each point may raise: half an alarm over all charts in so many months."""
    charts = len(chart.series.names) * len(set(chart.rows.moulds))
    days = float((chart.rows.times.max() - chart.rows.times.min()) / np.timedelta64(1, "D"))
    a_month = len(chart.rows.labels) / len(set(chart.rows.moulds)) * DAYS_A_MONTH / days
    return 0.5 / (months * charts * a_month)


@pytest.mark.parametrize(("moulds", "last"), [("M", 12), ("MN", 24), ("M", 40), ("MNQ", 24)])
def test_values_pass_their_limits_as_seldom_as_promised(moulds: str, last: int) -> None:
    chart = budgeted(steady(60, moulds), 0.5, last)
    own = last // len(moulds)
    # A value less a centre from n others has variance 1 + 1/n, whatever sigma was estimated.
    tail = 2 * norm.sf(chart.width[-1, 0] * sigmas([own] * len(moulds)) / np.sqrt(1 + 1 / own))
    error = 3 * tail.std() / SHOPS**0.5
    rate = rate_of(chart, 0.5)
    assert rate == pytest.approx(0.5 / (0.5 * 5 * 60 * DAYS_A_MONTH / 59))
    # Ranges of several moulds hang together a little less than those of one: never beyond it.
    assert tail.mean() <= rate + error
    assert tail.mean() >= (1.0 if len(moulds) == 1 else 0.8) * rate - error


@pytest.mark.parametrize("last", [12, 40])
def test_moving_averages_pass_theirs_no_more_often(last: int) -> None:
    """The average of a settled chart: weights 0.2 · 0.8^k, so variance 1/9 of that of a value."""
    chart = budgeted(steady(60), 0.05, last)
    spread = (chart.average_upper - chart.center)[-1, 0] / chart.sigma[-1, 0]
    rng = np.random.default_rng(4)
    weights = 0.2 * 0.8 ** np.arange(60)
    average = rng.normal(size=(SHOPS, 60)) @ weights
    center = rng.normal(0, last**-0.5, SHOPS)
    beyond = np.abs(average - center) > spread * sigmas([last])
    rate = rate_of(chart, 0.05)
    assert beyond.mean() == pytest.approx(rate, abs=4 * (rate / SHOPS) ** 0.5)


def test_each_mould_has_the_width_that_its_own_centre_needs() -> None:
    past = history(steady(60).deviations, moulds=["MN"[k % 4 == 0] for k in range(60)])
    chart = budgeted(past, 1.0, 24)
    m, n = (np.array([x == mould for x in chart.rows.moulds]) for mould in "MN")
    squares = chart.width[:, 0] ** 2
    # 18 baseline values of M and 6 of N share one sigma.
    assert np.unique(squares[m]).size == np.unique(squares[n]).size == 1
    assert squares[n][0] / squares[m][0] == pytest.approx((1 + 1 / 6) / (1 + 1 / 18))
    np.testing.assert_allclose(
        chart.upper - chart.center, chart.width * chart.sigma, rtol=1e-12, atol=0
    )


def test_a_longer_budget_asks_for_wider_limits_and_only_limits_are_looked_for() -> None:
    past = steady(60)
    widths = [float(budgeted(past, months, 25).width[0, 0]) for months in (0.1, 1, 12, 120)]
    assert widths == sorted(widths)
    assert np.diff(widths).min() > 0.3
    assert budgeted(past, 1, 25).rules == ("beyond limit",)


def test_the_budget_is_told_with_what_it_is_reckoned_from() -> None:
    chart = budgeted(steady(60, "MN"), 3, 24)
    said = chart.remarks[-1]
    assert said.startswith("limits for at most one false alarm in 3 months over 10 charts of about")
    # 30 points of each mould in 59 days.
    assert f"{30 * DAYS_A_MONTH / 59:.1f} points a month" in said
    assert f"{chart.width[0, 0]:.2f} sigma from the centre" in said
    assert chart.notes == ("limits from 24 batches, widened for it",) * 5


def test_fit_points_are_charted_but_not_counted() -> None:
    past = steady(60)
    every = charted(past, NO_EVENTS, months=1.0, baseline="B00000..B00024")
    counted = int((~every.series.fit_point).sum())
    assert f"over {counted} charts" in every.remarks[-1]
    assert len(every.series.names) == counted + 9


def test_series_without_a_baseline_are_left_without_limits_and_stop_nothing() -> None:
    past = steady(60)
    past.deviations[:, 9] = np.nan  # never measured
    past.deviations[:21, 10] = np.nan  # three baseline values
    past.deviations[:, 11] = 0.1  # does not vary
    past.deviations[1:25:2, 12] = np.nan  # thirteen baseline values, none next to another
    chart = budgeted(past, 1.0, 24)
    assert np.isnan(chart.upper[:, :4]).all()
    assert np.isfinite(chart.upper[:, 4]).all()
    assert chart.notes[0].startswith("no limits: 0 baseline batches")
    assert chart.notes[1].startswith("no limits: 3 baseline batches")
    assert chart.notes[2] == "no limits: the baseline does not vary"
    assert chart.notes[3].startswith("no limits")
    assert not [s for s in chart.signals if s.series != "check-5"]


def test_too_few_neighbours_leave_a_budget_without_limits() -> None:
    """Eight values in five moulds: three moving ranges cannot tell a rate of one in thousands."""
    past = history(steady(30).deviations, moulds=["ABCDE"[k % 5] for k in range(30)])
    chart = budgeted(past, 1.0, 8)
    assert np.isnan(chart.upper).all()
    assert (
        chart.notes[0]
        == "no limits: too few of the 8 baseline batches follow one of the same mould"
    )
    assert chart.signals == ()


@pytest.mark.parametrize("months", [0.0, -1.0, np.nan, np.inf])
def test_a_budget_must_be_a_number_of_months(months: float) -> None:
    with pytest.raises(InputError, match=r"a budget of .* months; use a number above 0"):
        budgeted(steady(30), months, 12)


def test_a_budget_that_cannot_be_kept_or_reckoned_is_refused() -> None:
    with pytest.raises(InputError, match="spent before a point comes in"):
        budgeted(steady(30), 1e-9, 12)
    at_once = history(steady(30).deviations, times=[np.datetime64("2026-01-05T08:00")] * 30)
    with pytest.raises(InputError, match="too short to say how many points a month"):
        charted(at_once, NO_EVENTS, by="piece", months=1.0)


def test_frozen_limits_have_no_budget(tmp_path: Path) -> None:
    path = stored(tmp_path, steady(40))
    with open_store(path) as store:
        freeze(store, names=("check-1",), baseline="B00000..B00019", by="batch", since=None,
               why="stable", who="tester", rules=("beyond limit",))  # fmt: skip
        with pytest.raises(InputError, match="frozen limits have a width of their own"):
            monitor(store, months=3.0)
        assert np.isfinite(monitor(store, months=3.0, names=("check-2",)).upper).all()
        past_them = monitor(store, months=3.0, baseline="B00000..B00019")
    assert not past_them.frozen.any()
    assert (past_them.width[np.isfinite(past_them.width)] > 3.0).all()
