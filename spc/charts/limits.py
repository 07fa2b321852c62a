"""Limits for single values and their moving ranges, frozen from a baseline."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts import sigma as spread
from spc.charts.arrays import Floats, Ints
from spc.charts.constants import chart_constants, d2

FEWEST = 8
"""Fewest baseline values that get limits at all (common practice, no published source)."""
SETTLED = 25
"""Baseline values from which limits are no longer called provisional (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IndividualsLimits:
    """Limits of a chart of single values; lengths in the unit of the values.

    Parameters
    ----------
    center
        Mean of the baseline, ``(points,)``.
    lower, upper
        ``center`` ∓ ``width`` · ``sigma``, ``(points,)``; NaN where ``notes`` says why there are
        none.
    sigma
        Standard deviation of single values, ``(points,)``.
    sigma_df
        Effective degrees of freedom that ``sigma`` stands on, ``(points,)``.
    mr_bar
        Mean moving range of two runs, ``(points,)``.
    mr_upper
        Upper limit of the moving range, ``(points,)`` (its lower limit is 0).
    n
        Number of baseline values, ``(points,)``.
    n_ranges
        Number of moving ranges of two runs in the baseline, ``(points,)``.
    width
        Distance of the limits from the centre in sigma.
    method
        How sigma was estimated, in words.
    notes
        One text a point: why there are no limits, or why they are provisional; empty where
        neither.
    """

    center: Floats
    lower: Floats
    upper: Floats
    sigma: Floats
    sigma_df: Floats
    mr_bar: Floats
    mr_upper: Floats
    n: Ints
    n_ranges: Ints
    width: float
    method: str
    notes: tuple[str, ...]


def individuals_limits(
    x: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    spans: ArrayLike | None = None,
    estimator: str = spread.MOVING_RANGE,
    width: float = 3.0,
    fewest: int = FEWEST,
) -> IndividualsLimits:
    """Compute limits of single values from the runs of a baseline.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing.
    baseline
        True for the runs that the limits come from, ``(runs,)`` or ``(runs, points)``; None
        takes all. A run left out breaks the moving ranges on both sides of it.
    spans
        Label of each run; no moving range is taken across a change of label.
    estimator
        See `spc.charts.sigma.individuals_sigma`.
    width
        Distance of the limits from the centre in sigma.
    fewest
        Fewest baseline values that get limits; below it they are NaN with a note.

    References
    ----------
    .. [1] ISO 7870-2:2023, Control charts: Shewhart control charts (individuals and moving
           range).
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    The flow rate of ten batches [2]_; the handbook prints 55.8041 with d2 rounded to 1.128.

    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> limits = individuals_limits(flow)
    >>> [round(float(v[0]), 2) for v in (limits.lower, limits.center, limits.upper)]
    [45.82, 50.81, 55.8]
    """
    a = arrays.matrix(x)
    arrays.require(width > 0, "width", width, "above 0")
    if baseline is not None:
        a, spans = _kept(a, baseline, spans)
    own = spread.individuals_sigma(a, spans=spans, estimator=estimator)
    mr_bar, n_ranges = _mean_range(a, spans, own, estimator)
    center = spread.mean(a)
    notes = tuple(map(_note, own.n, n_ranges, own.sigma, [fewest] * a.shape[1]))
    usable = (own.n >= fewest) & (own.sigma > 0)
    half = np.where(usable, width * own.sigma, np.nan)
    return IndividualsLimits(
        center=center, lower=center - half, upper=center + half,
        sigma=own.sigma, sigma_df=own.df, mr_bar=mr_bar,
        mr_upper=np.where(usable & (mr_bar > 0), chart_constants(2, width).D4 * mr_bar, np.nan),
        n=own.n, n_ranges=n_ranges, width=width, method=own.method, notes=notes,
    )  # fmt: skip


def _kept(
    a: Floats, baseline: ArrayLike, spans: ArrayLike | None
) -> tuple[Floats, ArrayLike | None]:
    mask = arrays.baseline_mask(baseline, (a.shape[0], a.shape[1]))
    used = np.flatnonzero(mask.any(axis=1))
    if not used.size:
        return a[:0], None
    rows = slice(used[0], used[-1] + 1)
    kept = a[rows] if mask[rows].all() else np.where(mask[rows], a[rows], np.nan)
    return kept, None if spans is None else np.asarray(spans)[rows]


def _mean_range(
    a: Floats, spans: ArrayLike | None, own: spread.Sigma, estimator: str
) -> tuple[Floats, Ints]:
    if estimator == spread.MOVING_RANGE:
        return own.sigma * d2(2), own.n_ranges
    ranges = spread.moving_ranges(a, spans=spans)
    return spread.mean(ranges), np.count_nonzero(~np.isnan(ranges), axis=0)


def _note(n: int, n_ranges: int, sigma: float, fewest: int) -> str:
    if n == 0:
        return "no value in the baseline"
    if n < fewest:
        return f"no limits: {n} baseline value{'s' * int(n > 1)}, at least {fewest} are needed"
    if np.isnan(sigma):
        return "no limits: no two baseline values follow each other without a gap"
    if sigma == 0:
        return "no limits: the baseline does not vary, or varies less than it was recorded to"
    if n < SETTLED:
        return f"provisional: limits from {n} values, {SETTLED} or more make them settled"
    if n_ranges < 0.6 * n:
        return f"{n} baseline values, but only {n_ranges} moving ranges: many gaps"
    return ""
