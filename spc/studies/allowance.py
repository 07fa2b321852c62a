"""Limits from a budget of false alarms over all the charts of a part: by the month, or in all."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.optimize import brentq

from spc.charts.budget import ALONE
from spc.charts.estimated import mean_range_law
from spc.charts.sigma import moving_ranges
from spc.charts.tails import normal_sf
from spc.errors import InputError
from spc.studies.arrays import Array
from spc.studies.lines import LAMBDA
from spc.studies.moments import ChartRows
from spc.studies.series import SeriesSet

DAYS_A_MONTH = 30.4375
#: Fewest moving ranges whose law is known well enough far out.
FEWEST_RANGES = 4
#: Variance of a single value over that of the moving average, once it has settled.
SMOOTHED = (2.0 - LAMBDA) / LAMBDA


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Allowed:
    """What a budget allows.

    Parameters
    ----------
    width, average_width
        (rows, series), half width of the limits of values in sigma, and of moving averages in
        their own standard deviations; wider where fewer values stand behind them, NaN where too
        few do.
    rules
        Rules that go with it: the limits alone.
    words
        The budget in words.
    """

    width: Array
    average_width: Array
    rules: tuple[str, ...]
    words: str


def allowance(rows: ChartRows, series: SeriesSet, months: float) -> Allowed:
    """Return limits that raise at most one false alarm in ``months`` over all charts together.

    Values and moving averages share the budget equally. Both allow for the few values that a
    mould's centre and the common spread stand on, on average over shops (Quesenberry 1993). Of a
    moving average every point beyond counts, though several in a row are one alarm, so its half is
    seldom used up. Fit points are charted but not counted, since the modes say the same.

    Raises
    ------
    InputError
        Where the budget or the history is too short.
    """
    charts = max(1, int((~series.fit_point).sum())) * len(set(rows.moulds))
    pieces = _pieces_a_month(rows, months)
    rate = 0.5 / (months * charts * pieces)
    if not rate < 0.5:
        raise InputError(
            f"a budget of {months:g} months is spent before a point comes in", do="use more months"
        )
    width, average_width = _widths(rows, rate)
    return Allowed(
        width=width,
        average_width=average_width,
        rules=ALONE,
        words=f"limits for at most one false alarm in {months:g} months over {charts} charts of "
        f"about {pieces:.1f} points a month: {_range(width)} sigma from the centre, and "
        f"{_range(average_width)} of its own for the moving average; the fewer values stand behind "
        "them, the wider",
    )


def family_allowance(rows: ChartRows, series: SeriesSet, chance: float) -> Allowed:
    """Return limits that any of the charts passes by chance with this probability at most.

    The probability is shared among all values of all charts, half to the values and half to their
    moving averages (Bonferroni): it holds however the series hang together, on average over shops
    (Quesenberry 1993), and is not used up.

    Parameters
    ----------
    rows, series
        The charts; fit points are charted but not counted.
    chance
        Probability of one false alarm or more over the whole history of all charts, 0 to 1.
    """
    judged = np.isfinite(rows.values) & ~series.fit_point
    charts = {(m, int(k)) for m, row in zip(rows.moulds, judged, strict=True)
              for k in np.flatnonzero(row)}  # fmt: skip
    width, average_width = _widths(rows, 0.5 * chance / max(1, int(judged.sum())))
    return Allowed(
        width=width,
        average_width=average_width,
        rules=ALONE,
        words=f"limits so wide that of {int(judged.sum())} values on {len(charts)} charts none "
        f"lies beyond them by chance in {100 * (1 - chance):g} of 100 histories like this, or "
        f"more: {_range(width)} sigma from the centre, and {_range(average_width)} of its own for "
        "the moving average; the fewer values stand behind them, the wider",
    )


def _pieces_a_month(rows: ChartRows, months: float) -> float:
    """Return how many points a month the chart of one mould gets, on average."""
    if not (months > 0 and np.isfinite(months)):
        raise InputError(f"a budget of {months:g} months", do="use a number above 0")
    span = float((rows.times.max() - rows.times.min()) / np.timedelta64(1, "D"))
    if span <= 0:
        raise InputError(
            "a history too short to say how many points a month brings",
            do="chart without --budget",
        )
    return len(rows.labels) / len(set(rows.moulds)) / (span / DAYS_A_MONTH)


def _widths(rows: ChartRows, rate: float) -> tuple[Array, Array]:
    """Return widths (rows, series) of values and moving averages, each at this rate."""
    x, base = rows.values, rows.baseline
    ranges = np.isfinite(moving_ranges(x[base], spans=rows.spans[base])).sum(axis=0)
    common = np.array([_known_center(int(r), rate) for r in ranges])
    width, average = np.full(x.shape, np.nan), np.full(x.shape, np.nan)
    for mould in np.unique(rows.spans):
        mine = rows.spans == mould
        n = np.isfinite(x[mine & base]).sum(axis=0)
        share = np.divide(1.0, n, where=n > 0, out=np.full(n.shape, np.nan))
        width[mine] = common * np.sqrt(1 + share)
        average[mine] = common * np.sqrt(1 + SMOOTHED * share)
    return width, average


@cache
def _known_center(ranges: int, rate: float) -> float:
    """Return the width at this rate where the centre is known and sigma is from so many ranges.

    A centre from n values adds 1/n to the variance of what is judged, so that limits about it are
    as wide times the root of 1 + 1/n.
    """
    if ranges < FEWEST_RANGES:
        return np.nan
    sigma, weight = mean_range_law(ranges + 1)

    def excess(width: float) -> float:
        return float(np.log(2.0 * float(weight @ normal_sf(width * sigma)) / rate))

    high = 1.0
    while excess(high) > 0:
        high *= 1.5
    return float(brentq(excess, 1e-3, high, xtol=1e-9))


def _range(width: Array) -> str:
    there = width[np.isfinite(width)]
    if not there.size:
        return "no limits"
    low, high = f"{there.min():.2f}", f"{there.max():.2f}"
    return low if low == high else f"{low} to {high}"
