"""Charts of counts: pieces, points or hits found out of tolerance, for lots of any size.

With large lots the plain Poisson or binomial limits are too narrow, because real processes vary
more from lot to lot than counting alone; with limits from how the standardised counts move, they
are not.

References
----------
.. [1] ISO 7870-2:2023, Control charts: Shewhart control charts (u, c, p, np).
.. [2] Laney, D. B. (2002). Improved control charts for attributes. Quality Engineering 14, 531-537.
.. [3] Fisher, R. A. (1925). Statistical Methods for Research Workers, index of dispersion.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.constants import d2
from spc.charts.sigma import mean as mean_down
from spc.charts.sigma import moving_ranges

POISSON = "poisson"
BINOMIAL = "binomial"
FEWEST = 8
"""Fewest baseline lots that get limits (common practice, no published source)."""
FEW_FINDINGS = 5
"""Findings to a lot below which limits by the normal law are called rough (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountLimits:
    """Limits of a rate of findings, for each lot's size.

    Parameters
    ----------
    rate
        Findings per unit examined, ``(runs, points)``.
    center
        Rate of the baseline, all findings over all units, ``(points,)``.
    lower, upper
        Limits for each lot's size, ``(runs, points)``; cut at 0 (and at 1 for a share of units).
    z
        Rate less centre, over the standard deviation that counting alone gives, ``(runs, points)``.
    spread
        Factor by which limits were widened (or narrowed): the standard deviation of ``z`` from
        its moving range, ``(points,)``; 1 where not asked for.
    dispersion
        Σ z² / (n − 1) of the baseline, ``(points,)``: 1 where only counting varies [3]_.
    dispersion_p
        Probability of a dispersion at least as large if only counting varied, ``(points,)``.
    n
        Lots in the baseline, ``(points,)``.
    law
        ``poisson`` or ``binomial``.
    width
        Distance of the limits in standard deviations.
    notes
        One text a point: why there are no limits, or what to beware of.
    """

    rate: Floats
    center: Floats
    lower: Floats
    upper: Floats
    z: Floats
    spread: Floats
    dispersion: Floats
    dispersion_p: Floats
    n: Ints
    law: str
    width: float
    notes: tuple[str, ...]


def count_limits(
    counts: ArrayLike,
    sizes: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    law: str = POISSON,
    widened: bool = True,
    spans: ArrayLike | None = None,
    width: float = 3.0,
    fewest: int = FEWEST,
) -> CountLimits:
    """Limits for counts of findings in lots of unequal size.

    Parameters
    ----------
    counts
        Findings in each lot, ``(runs, points)``, NaN where not looked for.
    sizes
        Units examined in each lot: a number, ``(runs,)`` or ``(runs, points)``, above 0.
    baseline
        True for the lots that the limits come from, ``(runs,)`` or ``(runs, points)``; None takes
        all.
    law
        ``poisson`` for findings of which a unit may have several, ``binomial`` for units found bad.
    widened
        Multiply the limits' distance by ``spread``, the mean moving range of ``z`` over 1.128 [2]_:
        ``center ± width · sd_i · spread``. False gives the limits of counting alone [1]_.
    spans
        Label of each lot; no moving range is taken across a change of label.
    width
        Distance of the limits in standard deviations.
    fewest
        Fewest baseline lots that get limits.
    """
    a = arrays.matrix(counts, "counts")
    arrays.require(law in (POISSON, BINOMIAL), "law", repr(law), f"{POISSON!r} or {BINOMIAL!r}")
    arrays.require(width > 0, "width", width, "above 0")
    size = _sizes(sizes, a, law)
    mask = arrays.baseline_mask(baseline, (a.shape[0], a.shape[1])) & ~np.isnan(a)
    n = mask.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):  # an empty baseline: 0/0 is NaN
        center = np.where(mask, a, 0.0).sum(0) / np.where(mask, size, 0.0).sum(0)
    own = np.sqrt(center * ((1 - center) if law == BINOMIAL else 1.0) / size)
    with np.errstate(invalid="ignore", divide="ignore"):  # no finding at all: 0/0 is NaN
        z = (a / size - center) / own
    inside = np.where(mask, z, np.nan)
    spread = mean_down(moving_ranges(inside, spans=spans)) / d2(2) if widened else np.ones(len(n))
    squares = np.where(mask, z, 0.0) ** 2
    usable = (n >= fewest) & (center > 0) & (spread > 0)
    half = np.where(usable, width * own * spread, np.nan)
    df = np.maximum(n - 1, 1)
    dispersion_p = np.where(usable, chdtrc(df, squares.sum(0)), np.nan)
    return CountLimits(
        rate=a / size, center=center, lower=np.maximum(center - half, 0.0),
        upper=np.minimum(center + half, 1.0 if law == BINOMIAL else np.inf), z=z, spread=spread,
        dispersion=np.where(usable, squares.sum(0) / df, np.nan), dispersion_p=dispersion_p, n=n,
        law=law, width=width,
        notes=tuple(map(_note, n, np.where(mask, a, 0.0).sum(0), spread, dispersion_p,
                        [fewest] * len(n), [widened] * len(n))),
    )  # fmt: skip


def _sizes(sizes: ArrayLike, counts: Floats, law: str) -> Floats:
    size = np.asarray(sizes, dtype=np.float64)
    size = size[:, None] if size.ndim == 1 else size
    size = np.broadcast_to(arrays.per_point(size, counts.shape, "sizes"), counts.shape)
    known = ~np.isnan(counts)
    arrays.require(
        bool((size[known] > 0).all()), "sizes", size[known].min(initial=np.inf), "above 0"
    )
    low = counts[known].min(initial=0.0)
    arrays.require(low >= 0, "counts", low, "0 or more")
    over = law == BINOMIAL and bool((counts[known] > size[known]).any())
    arrays.require(not over, "counts", "above the size of its lot", "at most the size of its lot")
    return size


def _note(
    n: int, findings: float, spread: float, p: float, fewest: int, widened: bool
) -> str:  # fmt: skip
    if n < fewest:
        several = "" if n == 1 else "s"
        return f"no limits: {n} baseline lot{several}, at least {fewest} are needed"
    if findings == 0:
        return f"no limits: no finding in {n} baseline lots"
    if np.isnan(spread):
        return "no limits: no two baseline lots follow each other without a gap"
    if spread == 0:
        return "no limits: the baseline's rate does not vary at all"
    if p < 0.01 and not widened:
        return "the lots vary more than counting explains: these limits will give false alarms"
    if spread < 0.8 and widened:
        return "the lots vary less than counting explains: look whether lots were mixed or adjusted"
    if findings < FEW_FINDINGS * n:
        return f"{findings / n:.1f} findings to a lot: limits are rough below {FEW_FINDINGS}"
    return ""
