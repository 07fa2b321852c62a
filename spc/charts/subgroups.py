"""Charts of means with the spread within subgroups, for subgroups of any and unequal size.

Subgroups are pieces alike except for the common noise: one mould, one cavity, one set-up. Never mix
cavities in one subgroup: their fixed offsets would widen the limits of the means.

References
----------
.. [1] Burr, I. W. (1969). Control charts for measurements with varying sample sizes. Journal of
       Quality Technology 1, 163-167.
.. [2] ISO 7870-2:2023, Control charts: Shewhart control charts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints
from spc.charts.constants import c4, d2, d3

MEAN_RANGE = "mean range"
MEAN_SD = "mean standard deviation"
POOLED_SD = "pooled standard deviation"
ESTIMATORS = (MEAN_RANGE, MEAN_SD, POOLED_SD)
FEWEST = 8
"""Fewest baseline subgroups that get limits (common practice, no published source)."""
SETTLED = 20
"""Baseline subgroups from which limits are no longer called provisional (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SubgroupLimits:
    """A chart of subgroup means and one of the spread within them.

    Parameters
    ----------
    mean
        Mean of each subgroup, ``(subgroups, points)``.
    spread
        Range or standard deviation of each subgroup, ``(subgroups, points)``; NaN below two pieces.
    n
        Pieces in each subgroup, ``(subgroups, points)``.
    center
        Grand mean of the baseline, each piece counted once, ``(points,)``.
    lower, upper
        Limits of the means for each subgroup's size, ``(subgroups, points)``.
    spread_center, spread_lower, spread_upper
        Centre and limits of the spread for each subgroup's size, ``(subgroups, points)``.
    sigma
        Standard deviation of single pieces within a subgroup, ``(points,)``.
    df
        Degrees of freedom that ``sigma`` stands on, ``(points,)`` (for ranges, the nearest chi's).
    n_subgroups
        Number of baseline subgroups with two or more pieces, ``(points,)``.
    width
        Distance of the limits in standard errors.
    method
        How sigma was estimated, in words.
    notes
        One text a point: why there are no limits, or why they are provisional.
    """

    mean: Floats
    spread: Floats
    n: Ints
    center: Floats
    lower: Floats
    upper: Floats
    spread_center: Floats
    spread_lower: Floats
    spread_upper: Floats
    sigma: Floats
    df: Floats
    n_subgroups: Ints
    width: float
    method: str
    notes: tuple[str, ...]


def gather(x: ArrayLike, labels: ArrayLike) -> tuple[Floats, NDArray[np.generic]]:
    """Gather runs into subgroups by their label.

    Parameters
    ----------
    x
        Values, ``(runs, points)``.
    labels
        Subgroup (batch) of each run, ``(runs,)``.

    Returns
    -------
    values, names
        ``(subgroups, pieces, points)``, NaN where a subgroup has fewer pieces than the largest;
        and the subgroups' labels in the order in which they first appear.

    Examples
    --------
    >>> values, names = gather([1.0, 2.0, 3.0], ["b", "a", "b"])
    >>> values[:, :, 0].tolist(), names.tolist()
    ([[1.0, 3.0], [2.0, nan]], ['b', 'a'])
    """
    a = arrays.matrix(x)
    marks = np.asarray(labels)
    arrays.require(marks.shape == a.shape[:1], "labels", f"of shape {marks.shape}",
                   f"one a run, shape {a.shape[:1]}")  # fmt: skip
    names, first, inverse = np.unique(marks, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.argsort(order)[inverse]
    by_group = np.argsort(rank, kind="stable")
    sizes = np.bincount(rank, minlength=len(names))
    place = np.empty(len(marks), dtype=np.int64)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    place[by_group] = np.arange(len(marks)) - np.repeat(starts, sizes)
    out = np.full((len(names), int(sizes.max(initial=0)), a.shape[1]), np.nan)
    out[rank, place] = a
    return out, names[order]


def subgroup_limits(
    x: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    estimator: str = POOLED_SD,
    width: float = 3.0,
    fewest: int = FEWEST,
) -> SubgroupLimits:
    """Limits of subgroup means and of the spread within subgroups.

    Parameters
    ----------
    x
        Values, ``(subgroups, pieces, points)``, NaN where missing (see `gather`).
    baseline
        True for the subgroups that the limits come from, ``(subgroups,)``; None takes all.
    estimator
        ``mean range`` (then the spread charted is the range), ``mean standard deviation`` or
        ``pooled standard deviation``. The first two weight each subgroup by what its size tells
        [1]_; with equal sizes they are the usual mean range / d2 and mean s / c4.
    width
        Distance of the limits in standard errors.
    fewest
        Fewest baseline subgroups of two or more pieces that get limits.

    Notes
    -----
    Limits of means from the spread within subgroups are right only where batches do not differ more
    than their own pieces explain. Where they do (most moulding), use `spc.charts.batches`.
    """
    a = np.asarray(x, dtype=np.float64)
    arrays.require(a.ndim == 3, "x", f"of shape {a.shape}", "(subgroups, pieces, points)")
    arrays.require(estimator in ESTIMATORS, "estimator", repr(estimator), f"one of {ESTIMATORS}")
    arrays.require(width > 0, "width", width, "above 0")
    used = arrays.baseline_mask(baseline, (a.shape[0], a.shape[2]))
    n, means = sizes_and_means(a)
    spread = subgroup_range(a) if estimator == MEAN_RANGE else subgroup_sd(a)
    unit, error = relative_spread(n, ranges=estimator == MEAN_RANGE)
    sigma, df, groups = _sigma(spread, n, unit, error, used, pooled=estimator == POOLED_SD)
    notes = tuple(_note(int(g), float(s), fewest) for g, s in zip(groups, sigma, strict=True))
    scale = np.where((groups >= fewest) & (sigma > 0), sigma, np.nan)
    with np.errstate(divide="ignore"):  # an empty subgroup gets no limits: width / 0 -> not shown
        half = np.where(n > 0, width * scale / np.sqrt(n), np.nan)
    center = _grand_mean(means, n, used)
    return SubgroupLimits(
        mean=means, spread=spread, n=n, center=center, lower=center - half, upper=center + half,
        spread_center=unit * scale,
        spread_lower=np.maximum(unit - width * error, 0.0) * scale,
        spread_upper=(unit + width * error) * scale,
        sigma=sigma, df=df, n_subgroups=groups, width=width, method=f"{estimator} in subgroups",
        notes=notes,
    )  # fmt: skip


def sizes_and_means(a: Floats) -> tuple[Ints, Floats]:
    """Return pieces and mean of each subgroup, ``(subgroups, points)``; the mean of none is NaN."""
    present = ~np.isnan(a)
    n = present.sum(axis=1)
    with np.errstate(invalid="ignore"):  # an empty subgroup: 0/0 is NaN
        return n, np.where(present, a, 0.0).sum(axis=1) / n


def subgroup_sd(a: Floats) -> Floats:
    """Return the standard deviation in each subgroup, ``(subgroups, points)``; NaN below two."""
    n, means = sizes_and_means(a)
    squares = (np.where(np.isnan(a), 0.0, a - means[:, None, :]) ** 2).sum(axis=1)
    return np.asarray(np.where(n >= 2, np.sqrt(squares / np.maximum(n - 1, 1)), np.nan))


def subgroup_range(a: Floats) -> Floats:
    """Return the range in each subgroup, ``(subgroups, points)``; NaN below two pieces."""
    missing = np.isnan(a)
    high = np.where(missing, -np.inf, a).max(axis=1, initial=-np.inf)
    low = np.where(missing, np.inf, a).min(axis=1, initial=np.inf)
    return np.where((~missing).sum(axis=1) >= 2, high - low, np.nan)


def relative_spread(n: Ints, *, ranges: bool) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of range (or s) over sigma for each size; NaN below 2."""
    top = int(n.max(initial=1))
    if ranges:
        present = set(np.unique(n).tolist())
        first = np.array([d2(k) if k >= 2 and k in present else np.nan for k in range(top + 1)])
        second = np.array([d3(k) if k >= 2 and k in present else np.nan for k in range(top + 1)])
        return first[n], second[n]
    mean = c4(n)
    return mean, np.sqrt(-np.expm1(2 * np.log(mean)))


def _sigma(
    spread: Floats, n: Ints, unit: Floats, error: Floats, used: Bools, *, pooled: bool
) -> tuple[Floats, Floats, Ints]:
    told = used & (n >= 2)
    df = np.where(told, n - 1, 0).sum(axis=0).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):  # no subgroup of two: 0/0 is NaN
        if pooled:
            squares = np.where(told, (n - 1) * spread**2, 0.0).sum(axis=0)
            return np.sqrt(squares / df) / c4(df + 1), df, told.sum(axis=0)
        weight = np.where(told, (unit / error) ** 2, 0.0)
        total = weight.sum(axis=0)
        sigma = np.where(told, weight * spread / unit, 0.0).sum(axis=0) / total
    # Var/mean² of the estimate is 1/total; the chi that varies as much has about total/2 degrees
    return sigma, (total + np.sqrt(total**2 + 2 * total)) / 4, told.sum(axis=0)


def _grand_mean(means: Floats, n: Ints, used: Bools) -> Floats:
    weight = np.where(used, n, 0)
    with np.errstate(invalid="ignore"):  # an empty baseline: 0/0 is NaN
        return np.asarray(np.where(weight > 0, weight * means, 0.0).sum(0) / weight.sum(0))


def _note(groups: int, sigma: float, fewest: int) -> str:
    if groups == 0:
        return "no limits: no baseline subgroup has two or more pieces"
    if groups < fewest:
        return f"no limits: {groups} baseline subgroups of two or more pieces, {fewest} are needed"
    if sigma == 0:
        return "no limits: the pieces of a subgroup do not vary, or less than they were recorded to"
    if groups < SETTLED:
        return f"provisional: limits from {groups} subgroups, {SETTLED} or more make them settled"
    return ""
