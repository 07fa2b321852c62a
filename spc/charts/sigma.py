"""Estimates of the standard deviation of single values, for all points at once.

Short-term spread comes from ranges of neighbouring runs or from within subgroups, overall spread
from all values about their mean. Which of them is right depends on what the limits must catch;
the charts of single values take moving ranges, because a slow drift widens the overall spread
but hardly the ranges.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.constants import c4, d2, d3, median_range

MOVING_RANGE = "moving range"
MEDIAN_MOVING_RANGE = "median moving range"
STANDARD_DEVIATION = "standard deviation"
ESTIMATORS = (MOVING_RANGE, MEDIAN_MOVING_RANGE, STANDARD_DEVIATION)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sigma:
    """Standard deviation of single values at each point.

    Parameters
    ----------
    sigma
        Estimate, ``(points,)``; NaN where there is nothing to estimate it from.
    n
        Number of values used, ``(points,)``.
    n_ranges
        Number of ranges (or of subgroups with two or more values) used, ``(points,)``; for the
        standard deviation of all values it equals ``n``.
    df
        Effective degrees of freedom of the estimate, ``(points,)``: by Patnaik's approximation
        where ranges overlap, so that a chi-square interval of this many degrees has the right
        spread.
    method
        How it was estimated, in words.
    """

    sigma: Floats
    n: Ints
    n_ranges: Ints
    df: Floats
    method: str


def moving_ranges(x: ArrayLike, *, spans: ArrayLike | None = None, length: int = 2) -> Floats:
    """Return the range of each value and the ``length`` − 1 before it.

    Parameters
    ----------
    x
        Values, ``(runs, points)``.
    spans
        Label of each run; no range is taken across a change of label.
    length
        Number of neighbouring runs in each range, 2 or more.

    Returns
    -------
    ndarray
        ``(runs, points)``; NaN for the first ``length`` − 1 runs of a span and wherever one of
        the values is missing, so that no range reaches across a gap.

    Examples
    --------
    >>> moving_ranges([1.0, 3.0, 2.5])[:, 0]
    array([nan, 2. , 0.5])
    """
    a = arrays.matrix(x)
    arrays.require(length >= 2, "length", length, "2 or more")
    return _ranges(a, arrays.span_ages(spans, a.shape[0]), length)


def _ranges(a: Floats, ages: Ints, length: int) -> Floats:
    runs = a.shape[0]
    out = np.empty_like(a)
    if runs >= length and length == 2:
        np.abs(np.subtract(a[1:], a[:-1], out=out[1:]), out=out[1:])
    elif runs >= length:
        high, low = a[length - 1 :].copy(), a[length - 1 :].copy()
        for lag in range(1, length):
            earlier = a[length - 1 - lag : runs - lag]
            # maximum and minimum hand a NaN on, which is what a gap asks for
            np.maximum(high, earlier, out=high)
            np.minimum(low, earlier, out=low)
        np.subtract(high, low, out=out[length - 1 :])
    out[: length - 1] = np.nan
    out[ages < length - 1] = np.nan
    return out


def _total_range(a: Floats, ages: Ints, length: int) -> tuple[Floats, Ints]:
    """Return sum and number of the moving ranges, ``(points,)`` each, without keeping them."""
    total, count = np.zeros(a.shape[1]), np.zeros(a.shape[1], dtype=np.int64)
    for rows, before in arrays.row_blocks((a.shape[0], a.shape[1]), length - 1):
        part, number = total_and_count(_ranges(a[rows], ages[rows], length)[before:])
        total += part
        count += number
    return total, count


def individuals_sigma(
    x: ArrayLike,
    *,
    spans: ArrayLike | None = None,
    estimator: str = MOVING_RANGE,
    length: int = 2,
) -> Sigma:
    """Estimate the standard deviation of single values in time order.

    Parameters
    ----------
    x
        Values of the baseline, ``(runs, points)``; leave a run out by NaN, not by closing the
        gap.
    spans
        Label of each run, see `moving_ranges`.
    estimator
        ``moving range`` (mean range / d2), ``median moving range`` (median range / its median
        under the normal law; bears with a few wild values) or ``standard deviation`` (of all
        values, divisor n − 1).
    length
        Number of runs in a moving range.

    References
    ----------
    .. [1] ISO 7870-2:2023, Control charts: Shewhart control charts.
    .. [2] Patnaik, P. B. (1950). The use of mean range as an estimator of variance in
           statistical tests. Biometrika 37, 78-87.
    """
    a = arrays.matrix(x)
    arrays.require(estimator in ESTIMATORS, "estimator", repr(estimator), f"one of {ESTIMATORS}")
    n = total_and_count(a)[1]
    if estimator == STANDARD_DEVIATION:
        return Sigma(sigma=sample_sd(a), n=n, n_ranges=n, df=np.maximum(n - 1.0, 0.0),
                     method="standard deviation of all values")  # fmt: skip
    arrays.require(length >= 2, "length", length, "2 or more")
    ages = arrays.span_ages(spans, a.shape[0])
    total, count = _total_range(a, ages, length)
    if estimator == MOVING_RANGE:
        with np.errstate(invalid="ignore"):  # no range: 0/0 is NaN
            sigma, loss, word = total / count / d2(length), 1.0, "mean"
    else:
        sigma, loss, word = (
            _median(_ranges(a, ages, length)) / median_range(length),
            _median_loss(length),
            "median",
        )
    return Sigma(sigma=sigma, n=n, n_ranges=count, df=range_df(count, length) / loss,
                 method=f"{word} moving range of {length} runs")  # fmt: skip


def pooled_sd(subgroups: ArrayLike) -> Sigma:
    """Estimate the standard deviation within subgroups, pooled over subgroups of any size.

    Parameters
    ----------
    subgroups
        Values, ``(subgroups, pieces, points)``, NaN where a subgroup has fewer pieces.

    Returns
    -------
    Sigma
        ``sqrt(Σ SS_i / Σ (n_i − 1)) / c4(Σ (n_i − 1) + 1)``; ``n_ranges`` counts subgroups with
        two or more values. A subgroup of one says nothing about spread and is left out.

    References
    ----------
    .. [1] Burr, I. W. (1969). Control charts for measurements with varying sample sizes. Journal
           of Quality Technology 1, 163-167.
    """
    a = np.asarray(subgroups, dtype=np.float64)
    arrays.require(a.ndim == 3, "subgroups", f"of shape {a.shape}", "(subgroups, pieces, points)")
    present = ~np.isnan(a)
    sizes = present.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):  # an empty subgroup has no mean: NaN
        means = np.where(present, a, 0.0).sum(axis=1) / sizes
    squares = (np.where(present, a - means[:, None, :], 0.0) ** 2).sum(axis=(0, 1))
    df = np.maximum(sizes - 1, 0).sum(axis=0).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):  # no subgroup of two: 0/0 is NaN
        sigma = np.sqrt(squares / df) / c4(df + 1)
    return Sigma(sigma=sigma, n=sizes.sum(axis=0), n_ranges=(sizes >= 2).sum(axis=0), df=df,
                 method="standard deviation within subgroups, pooled, divided by c4")  # fmt: skip


def mean(a: Floats) -> Floats:
    """Return the mean down the runs without the missing ones; NaN where there is none."""
    total, count = total_and_count(a)
    with np.errstate(invalid="ignore"):  # nothing there: 0/0 is NaN
        return np.asarray(total / count)


def total_and_count(a: Floats) -> tuple[Floats, Ints]:
    """Return sum and number down the runs without the missing ones, ``(points,)`` each."""
    total, count = np.zeros(a.shape[1]), np.full(a.shape[1], a.shape[0])
    for rows, _ in arrays.row_blocks((a.shape[0], a.shape[1])):
        part = a[rows].sum(axis=0)
        torn = np.flatnonzero(np.isnan(part))
        if torn.size:  # only these points are looked at value by value
            block = a[rows].take(torn, axis=1)
            missing = np.isnan(block)
            part[torn] = np.where(missing, 0.0, block).sum(axis=0)
            count[torn] -= missing.sum(axis=0)
        total += part
    return total, count


def sample_sd(a: Floats) -> Floats:
    """Return the standard deviation (divisor n − 1) down the runs; NaN below two values."""
    present = ~np.isnan(a)
    count = present.sum(axis=0)
    if not len(a):
        return np.full(a.shape[1], np.nan)
    # about a value of its own first: equal values then have no spread at all, not one of rounding
    first = np.take_along_axis(a, present.argmax(axis=0)[None], axis=0)
    about = a - first
    squares = np.square(about - mean(about)).sum(axis=0, where=present)
    with np.errstate(invalid="ignore", divide="ignore"):  # one value: 0/0 is NaN
        return np.asarray(np.where(count >= 2, np.sqrt(squares / np.maximum(count - 1, 0)), np.nan))


def _median(a: Floats) -> Floats:
    out = np.full(a.shape[1], np.nan)
    some = ~np.isnan(a).all(axis=0)
    out[some] = np.nanmedian(a[:, some], axis=0)
    return out


def _median_loss(length: int) -> float:
    """Return how many times the median range's variance is that of the mean range (simulated)."""
    return 1.9 if length == 2 else 1.25 + 0.85 / length


def range_df(count: Ints, length: int) -> Floats:
    """Return the degrees of freedom whose chi varies like the mean of overlapping ranges."""
    variance = relative_variance_of_mean_range(count, length)
    with np.errstate(divide="ignore", invalid="ignore"):  # no range: no degrees of freedom
        # Var(s)/E(s)² = 1/c4² − 1 ≈ 1/(2f) + 1/(8f²); solved for f
        f = (1 + np.sqrt(1 + 2 * variance)) / (4 * variance)
    return np.where(count > 0, f, 0.0)


def relative_variance_of_mean_range(count: Ints, length: int = 2) -> Floats:
    """Return Var/mean² of the mean of ``count`` consecutive moving ranges of normal values.

    For ranges of two neighbours it is exact: with d = |x2 − x1|, Var d = 2 − 4/π and the covariance
    of two ranges that share a value is (2/π)(√3 + π/6 − 2) for sigma 1. For longer ranges the
    correlation is taken as (share of common values)^(1.2 + 0.9/length), fitted to a simulation.
    """
    m = np.asarray(count, dtype=np.float64)
    if length == 2:
        own = 2 - 4 / np.pi
        shared = 2 / np.pi * (np.sqrt(3.0) + np.pi / 6 - 2)
        total = m * own + 2 * np.maximum(m - 1, 0) * shared
        mean_square = 4 / np.pi
    else:
        lags = np.arange(1, length)
        pairs = np.maximum(m[..., None] - lags, 0) * (1 - lags / length) ** (1.2 + 0.9 / length)
        total = d3(length) ** 2 * (m + 2 * pairs.sum(axis=-1))
        mean_square = d2(length) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):  # no range: NaN
        return np.asarray(total / m**2 / mean_square)
