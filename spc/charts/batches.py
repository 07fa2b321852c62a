"""Charts for parts moulded in batches that differ more than their own pieces explain.

Three charts: the batch means as single values, the moving range of the means, and the standard
deviation within batches. Limits of means taken from the spread within batches would cry wolf at
every resin lot and set-up; here they come from how the means themselves move.

References
----------
.. [1] ISO 7870-2:2023, Control charts: Shewhart control charts.
.. [2] Graybill, F. A. and Wang, C.-M. (1980). Confidence intervals on nonnegative linear
       combinations of variances. Journal of the American Statistical Association 75, 869-873.
.. [3] Ting, N., Burdick, R. K., Graybill, F. A., Jeyaratnam, S. and Lu, T.-F. C. (1990). Confidence
       intervals on linear combinations of variance components that are unrestricted in sign.
       Journal of Statistical Computation and Simulation 35, 135-143.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.limits import FEWEST, IndividualsLimits, individuals_limits
from spc.charts.sigma import moving_ranges
from spc.charts.subgroups import sizes_and_means, subgroup_limits
from spc.charts.tails import chi2_isf, f_isf


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BatchCharts:
    """Charts of batch means, of their moving range, and of the spread within batches.

    Parameters
    ----------
    mean
        Mean of each batch, ``(batches, points)``.
    n
        Pieces in each batch, ``(batches, points)``.
    means
        Limits of the means taken as single values (``means.notes`` tells why there are none).
    lower, upper
        Limits of each mean for its own batch size, ``(batches, points)``; equal to those of
        ``means`` where all batches are alike in size.
    moving_range
        Moving range of the means, ``(batches, points)``; its limit is ``means.mr_upper``.
    sd
        Standard deviation within each batch, ``(batches, points)``; NaN below two pieces.
    sd_center, sd_lower, sd_upper
        Centre and limits of ``sd`` for each batch's size, ``(batches, points)``.
    sigma_within, sigma_between
        Standard deviation of pieces within a batch and of the batches' own levels, ``(points,)``.
    within_df
        Degrees of freedom of ``sigma_within``, ``(points,)``.
    within_low, within_high, between_low, between_high
        Ends of their intervals at ``level``, ``(points,)``.
    between_share
        σ_b² / (σ_b² + σ_w²), ``(points,)``.
    level
        Confidence level of the intervals.
    notes
        One text a point: what the batches cannot tell; empty where nothing.
    """

    mean: Floats
    n: Ints
    means: IndividualsLimits
    lower: Floats
    upper: Floats
    moving_range: Floats
    sd: Floats
    sd_center: Floats
    sd_lower: Floats
    sd_upper: Floats
    sigma_within: Floats
    sigma_between: Floats
    within_df: Floats
    within_low: Floats
    within_high: Floats
    between_low: Floats
    between_high: Floats
    between_share: Floats
    level: float
    notes: tuple[str, ...]


def batch_charts(
    x: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    spans: ArrayLike | None = None,
    width: float = 3.0,
    fewest: int = FEWEST,
    level: float = 0.95,
) -> BatchCharts:
    """Limits for batches in time order, and the split of the spread between and within them.

    Parameters
    ----------
    x
        Values, ``(batches, pieces, points)``, NaN where missing (see
        `spc.charts.subgroups.gather`).
    baseline
        True for the batches that the limits come from, ``(batches,)``; None takes all.
    spans
        Label of each batch, ``(batches,)``; no moving range is taken across a change of label.
    width
        Distance of the limits in standard deviations.
    fewest
        Fewest baseline batches that get limits.
    level
        Confidence level of the intervals.

    Notes
    -----
    ``σ_b² = max(0, (MR̄/1.128)² − σ_w²/ñ)`` with ñ the harmonic mean of the baseline's batch
    sizes. A mean of n pieces is given the variance ``(MR̄/1.128)² + σ_w² (1/n − 1/ñ)``, at least
    the smaller of ``(MR̄/1.128)²`` and ``σ_w²/n``. Where every batch has one piece, what lies
    between batches and what within them cannot be told apart: the chart of means is then the
    chart of single values, and the split is NaN with a note. The interval of ``σ_b`` is that of a
    difference of two variances by the modified large-sample method [2]_ [3]_, its low end cut at 0.
    """
    a = np.asarray(x, dtype=np.float64)
    arrays.require(a.ndim == 3, "x", f"of shape {a.shape}", "(batches, pieces, points)")
    arrays.require(0 < level < 1, "level", level, "between 0 and 1")
    used = arrays.baseline_mask(baseline, (a.shape[0], a.shape[2]))
    n, mean = sizes_and_means(a)
    means = individuals_limits(mean, baseline, spans=spans, width=width, fewest=fewest)
    inner = subgroup_limits(a, baseline, width=width, fewest=1)
    # The spread within is told from any batch, with its interval; limits stand on enough of them.
    told = (np.where(inner.n_subgroups >= fewest, line, np.nan)
            for line in (inner.spread_center, inner.spread_lower, inner.spread_upper))  # fmt: skip
    sd_center, sd_lower, sd_upper = told
    size = _harmonic_size(np.where(used, n, 0))
    within = inner.sigma
    of_means = means.sigma**2
    between = np.sqrt(np.maximum(of_means - within**2 / size, 0.0))
    half = width * np.sqrt(_variance_of_means(of_means, within, n, size))
    half = np.where(np.isnan(means.upper), np.nan, half)
    low, high = _difference_interval(
        of_means, means.sigma_df, within**2 / size, inner.df, level
    )  # fmt: skip
    in_low, in_high = _sd_interval(within, inner.df, level)
    return BatchCharts(
        mean=mean, n=n, means=means, lower=means.center - half, upper=means.center + half,
        moving_range=moving_ranges(mean, spans=spans),
        sd=inner.spread, sd_center=sd_center, sd_lower=sd_lower, sd_upper=sd_upper,
        sigma_within=within, sigma_between=between,
        within_df=inner.df, within_low=in_low, within_high=in_high,
        between_low=np.sqrt(low), between_high=np.sqrt(high),
        between_share=_share(between, within), level=level,
        notes=tuple(map(_note, inner.n_subgroups, means.n, between, low)),
    )  # fmt: skip


def _harmonic_size(n: Ints) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):  # no batch at all: 0/0 is NaN
        inverse = np.where(n > 0, 1.0 / n, 0.0).sum(axis=0)
        return np.asarray((n > 0).sum(axis=0) / inverse)


def _variance_of_means(of_means: Floats, within: Floats, n: Ints, size: Floats) -> Floats:
    inner = np.nan_to_num(within) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):  # an empty batch has no limits
        own = np.where(n > 0, inner / n, np.nan)
    return np.maximum(of_means + own - inner / size, np.minimum(of_means, own))


def _share(between: Floats, within: Floats) -> Floats:
    with np.errstate(invalid="ignore"):  # neither varies: 0/0 is NaN
        return np.asarray(between**2 / (between**2 + within**2))


def _sd_interval(sd: Floats, df: Floats, level: float) -> tuple[Floats, Floats]:
    tail = (1 - level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):  # no degrees of freedom: NaN
        low = sd * np.sqrt(df / chi2_isf(tail, df))
        high = sd * np.sqrt(df / chi2_isf(1 - tail, df))
    return np.where(df > 0, low, np.nan), np.where(df > 0, high, np.nan)


def _difference_interval(
    first: Floats, first_df: Floats, second: Floats, second_df: Floats, level: float
) -> tuple[Floats, Floats]:
    """Return the interval of ``first − second``, two independent variances, cut at 0 [3]_."""
    tail = (1 - level) / 2
    known = (first_df > 0) & (second_df > 0)
    f1, f2 = np.where(known, first_df, 1.0), np.where(known, second_df, 1.0)
    g1, g2 = 1 - f1 / chi2_isf(tail, f1), 1 - f2 / chi2_isf(tail, f2)
    h1, h2 = f1 / chi2_isf(1 - tail, f1) - 1, f2 / chi2_isf(1 - tail, f2) - 1
    upper_f, lower_f = f_isf(tail, f1, f2), f_isf(1 - tail, f1, f2)
    g12 = ((upper_f - 1) ** 2 - (g1 * upper_f) ** 2 - h2**2) / upper_f
    h12 = ((1 - lower_f) ** 2 - (h1 * lower_f) ** 2 - g2**2) / lower_f
    product, gap = first * second, first - second
    down = (g1 * first) ** 2 + (h2 * second) ** 2 + g12 * product
    up = (h1 * first) ** 2 + (g2 * second) ** 2 + h12 * product
    low = np.maximum(gap - np.sqrt(np.maximum(down, 0.0)), 0.0)
    high = np.maximum(gap + np.sqrt(np.maximum(up, 0.0)), 0.0)
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def _note(told: int, batches: int, between: float, low: float) -> str:
    if told == 0 and batches > 0:
        return (
            "every batch has one piece: the spread between batches and within them cannot be told"
            " apart, and the chart of means is a chart of single values"
        )
    if told == 0:
        return "no batch in the baseline"
    if between == 0:
        return "no spread between batches can be seen: their means move no more than pieces explain"
    if low == 0:
        return f"{batches} batches: the spread between them may be nil"
    return ""


def effective_number(batches: ArrayLike, pieces: ArrayLike, share: ArrayLike) -> Floats:
    """Return to how many independent pieces ``batches`` of ``pieces`` amount for the mean.

    Parameters
    ----------
    batches, pieces
        Number of batches and of pieces in each, any shape.
    share
        Share of the variance that lies between batches, any shape.

    Examples
    --------
    >>> round(float(effective_number(5, 20, 0.5)), 1)
    9.5
    """
    b, n, rho = (np.asarray(v, dtype=np.float64) for v in (batches, pieces, share))
    return np.asarray(b * n / (1 + (n - 1) * rho))
