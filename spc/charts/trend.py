"""Drift: how fast a point moves, how sure that is, and when it would meet a limit.

References
----------
.. [1] Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. Journal
       of the American Statistical Association 63, 1379-1389.
.. [2] Fieller, E. C. (1954). Some problems in interval estimation. Journal of the Royal Statistical
       Society B 16, 175-185.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints
from spc.charts.tails import normal_isf, t_isf, t_sf


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trend:
    """A straight line through each point's history, by least squares and by medians.

    Parameters
    ----------
    slope
        Least-squares slope in the values' unit per unit of time, ``(points,)``.
    slope_low, slope_high
        Ends of its interval, ``(points,)``.
    slope_error
        Its standard error, ``(points,)``.
    p
        Probability of a slope as far from 0 if there were none, ``(points,)``.
    level_now
        Value of the line at the last time, ``(points,)``.
    mean_time, mean
        Centre of the data through which the line goes, ``(points,)`` each.
    robust_slope, robust_low, robust_high
        Median of all pairwise slopes and its interval [1]_, ``(points,)``; a wild value hardly
        moves it.
    sd
        Standard deviation about the line, ``(points,)``.
    lag_one
        Autocorrelation of neighbouring residuals, ``(points,)``.
    time_spread
        Sum of squares of the times about their mean, ``(points,)``.
    n
        Values, ``(points,)``.
    level
        Confidence level.
    notes
        One text a point: why there is no slope, or why its interval is too narrow.
    """

    slope: Floats
    slope_low: Floats
    slope_high: Floats
    slope_error: Floats
    p: Floats
    level_now: Floats
    mean_time: Floats
    mean: Floats
    robust_slope: Floats
    robust_low: Floats
    robust_high: Floats
    sd: Floats
    lag_one: Floats
    time_spread: Floats
    n: Ints
    level: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Meeting:
    """When each point's line meets a limit, if it goes on as it did.

    Parameters
    ----------
    time
        Time at which the line meets the limit it moves towards, ``(points,)``; NaN where it has
        none.
    low, high
        Ends of its interval by Fieller's theorem [2]_, ``(points,)``; infinite where the data
        cannot bound it.
    limit
        The limit it moves towards, ``(points,)``.
    notes
        One text a point.
    """

    time: Floats
    low: Floats
    high: Floats
    limit: Floats
    notes: tuple[str, ...]


def trend(x: ArrayLike, time: ArrayLike, *, level: float = 0.95, robust: bool = True) -> Trend:
    """Fit a straight line in time to each point.

    Parameters
    ----------
    x
        Values (or batch means), ``(runs, points)``, NaN where missing.
    time
        Time of each run in any unit, ``(runs,)``; need not be even or sorted.
    level
        Confidence level.
    robust
        Find the median slope too (all pairs of runs: 2,000 runs are two million pairs a point).
    """
    a = arrays.matrix(x)
    t = np.asarray(time, dtype=np.float64)
    arrays.require(t.shape == a.shape[:1], "time", f"of shape {t.shape}", f"({a.shape[0]},)")
    arrays.require(bool(np.isfinite(t).all()), "time", "missing or infinite", "finite for each run")
    arrays.require(0 < level < 1, "level", level, "between 0 and 1")
    present = ~np.isnan(a)
    n = present.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):  # too few values: NaN, told in notes
        when = (present * t[:, None]).sum(axis=0) / n
        mean = np.where(present, a, 0.0).sum(axis=0) / n
        dt = np.where(present, t[:, None] - when, 0.0)
        spread = (dt**2).sum(axis=0)
        slope = (dt * np.where(present, a - mean, 0.0)).sum(axis=0) / spread
        residual = np.where(present, a - mean - slope * dt, 0.0)
        sd = np.sqrt((residual**2).sum(axis=0) / np.where(n > 2, n - 2, np.nan))
        error = sd / np.sqrt(spread)
        ratio = np.abs(slope) / error
    df = np.maximum(n - 2, 1)
    half = error * t_isf((1 - level) / 2, df)
    lag = _lag_one(residual, present)
    median = _sen(a, t, level) if robust else np.full((3, a.shape[1]), np.nan)
    last = t.max(initial=-np.inf)
    return Trend(
        slope=slope, slope_low=slope - half, slope_high=slope + half, slope_error=error,
        p=np.minimum(2 * t_sf(ratio, df), 1.0), level_now=mean + slope * (last - when),
        mean_time=when, mean=mean, robust_slope=median[0], robust_low=median[1],
        robust_high=median[2], sd=sd, lag_one=lag, time_spread=spread, n=n, level=level,
        notes=tuple(map(_note, n, spread, sd, lag)),
    )  # fmt: skip


def meets_limit(line: Trend, lower: ArrayLike, upper: ArrayLike) -> Meeting:
    """Tell when each line meets the limit it moves towards.

    Parameters
    ----------
    line
        See `trend`.
    lower, upper
        Limits or tolerances, a number or ``(points,)``; NaN where there is none.
    """
    shape = line.slope.shape
    low, high = (np.broadcast_to(np.asarray(v, dtype=np.float64), shape) for v in (lower, upper))
    limit = np.where(line.slope > 0, high, low)
    gap = limit - line.mean
    q = t_isf((1 - line.level) / 2, np.maximum(line.n - 2, 1)) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):  # no slope: no meeting, told in notes
        # all times u with (gap − slope u)² ≤ q sd² (1/n + u²/spread)
        a = line.slope**2 - q * line.slope_error**2
        b = line.slope * gap
        c = gap**2 - q * line.sd**2 / line.n
        root = np.sqrt(np.maximum(b**2 - a * c, 0.0))
        bounded = a > 0
        ends = np.where(bounded, (b - root) / a, -np.inf), np.where(bounded, (b + root) / a, np.inf)
        time = line.mean_time + gap / line.slope
    known = np.isfinite(limit) & np.isfinite(line.slope_error) & (line.slope != 0)
    out = [np.where(known, v, np.nan) for v in (time, *(line.mean_time + e for e in ends))]
    notes = tuple(map(_meeting_note, known, bounded))
    return Meeting(time=out[0], low=out[1], high=out[2], limit=limit, notes=notes)


def smallest_drift(n: int, sigma: float = 1.0, *, errors: float = 3.0) -> float:
    """Return the total move over ``n`` even pieces that a slope can just show.

    The slope of n pieces has standard deviation ``sqrt(12/(n³−n)) sigma`` per piece; the move is
    ``errors`` of them times n − 1 steps.

    Examples
    --------
    >>> [round(smallest_drift(n), 1) for n in (20, 40, 60)]
    [2.2, 1.6, 1.3]
    """
    arrays.require(n >= 3, "n", n, "3 or more")
    return float(errors * np.sqrt(12 / (n**3 - n)) * (n - 1) * sigma)


def _lag_one(residual: Floats, present: Bools) -> Floats:
    both = present[1:] & present[:-1]
    with np.errstate(invalid="ignore", divide="ignore"):  # no spread: NaN
        pairs = np.where(both, residual[1:] * residual[:-1], 0.0).sum(axis=0)
        return np.asarray(pairs / (residual**2).sum(axis=0))


def _sen(a: Floats, t: Floats, level: float) -> Floats:
    z = float(normal_isf((1 - level) / 2))
    return np.array([_sen_point(t[~np.isnan(y)], y[~np.isnan(y)], z) for y in a.T]).reshape(-1, 3).T


def _sen_point(t: Floats, y: Floats, z: float) -> tuple[float, float, float]:
    first, second = np.triu_indices(len(t), 1)
    run = t[second] - t[first]
    slopes = (y[second] - y[first])[run != 0] / run[run != 0]
    pairs, n = len(slopes), len(y)
    if n < 3 or not pairs:
        return (np.nan, np.nan, np.nan)
    variance = (n * (n - 1) * (2 * n + 5) - _ties(t) - _ties(y)) / 18
    reach = z * np.sqrt(max(variance, 0.0))
    high = min(round((pairs + reach) / 2), pairs - 1)
    low = max(round((pairs - reach) / 2) - 1, 0)
    middle = (pairs - 1) // 2, pairs // 2
    # of millions of pairs only four places are wanted in order
    slopes.partition(sorted({low, high, *middle}))
    median = (slopes[middle[0]] + slopes[middle[1]]) / 2
    return float(median), float(slopes[low]), float(slopes[high])


def _ties(values: Floats) -> float:
    count = np.unique(values, return_counts=True)[1]
    return float((count * (count - 1) * (2 * count + 5)).sum())


def _note(n: int, spread: float, sd: float, lag: float) -> str:
    if n < 3:
        return f"{n} values: a slope needs 3 or more"
    if not spread > 0:
        return "all values have one time: no slope"
    if sd > 0 and lag > 2 / np.sqrt(n):
        return "values hang together beyond the line: the interval of the slope is too narrow"
    return ""


def _meeting_note(known: bool, bounded: bool) -> str:
    if not known:
        return "no limit on the side it moves to, or no slope"
    return "" if bounded else "the slope may be nil: no time can be promised"
