"""Mean and spread of every point, of independent pieces or of pieces that came in batches."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.capability.batches import Components, batch_components

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Moments of every point and what they are worth; arrays of shape (points,).

    Parameters
    ----------
    n, batches
        Pieces and batches; no batches given is 0.
    mean
        Mean, mm.
    var, dof
        Whole variance of one piece, mm², and its degrees of freedom.
    var_mean
        Variance of ``mean``, mm².
    share
        Share of the variance between batches; NaN where not known.
    within, within_dof
        Standard deviation within batches, mm, and its degrees of freedom; NaN where not known.
    components
        The batches' part in full; None without batches.
    """

    n: IntArray
    batches: IntArray
    mean: FloatArray
    var: FloatArray
    dof: FloatArray
    var_mean: FloatArray
    share: FloatArray
    within: FloatArray
    within_dof: FloatArray
    components: Components | None = None


def independent(x: FloatArray) -> Spread:
    """Take the pieces, shape (pieces, points), as independent of each other."""
    seen = np.isfinite(x)
    n = seen.sum(axis=0)
    some = np.maximum(n, 1)
    centre = np.where(seen, x, 0.0).sum(axis=0) / some
    z = np.where(seen, x - centre, 0.0)
    centre = centre + z.sum(axis=0) / some
    ss = (z**2).sum(axis=0) - z.sum(axis=0) ** 2 / some
    dof = np.where(n > 1, n - 1.0, np.nan)
    var = _without_dust(ss / dof, x)
    nothing = np.full(n.shape, np.nan)
    return Spread(
        n=n,
        batches=np.zeros_like(n),
        mean=np.where(n > 0, centre, np.nan),
        var=var,
        dof=dof,
        var_mean=var / some,
        share=nothing,
        within=nothing,
        within_dof=nothing,
    )


def batched(x: FloatArray, codes: IntArray) -> Spread:
    """Spread over batches; where there is only one batch, that batch by itself."""
    alone = independent(x)
    found = batch_components(x, codes)
    several = found.batches > 1
    within = np.sqrt(_without_dust(found.var_within, x))
    return Spread(
        n=found.pieces,
        batches=found.batches,
        mean=found.mean,
        var=np.where(several, _without_dust(found.var_total, x), alone.var),
        dof=np.where(several, found.total_dof, alone.dof),
        var_mean=np.where(several, found.var_mean, alone.var_mean),
        share=found.share,
        within=within,
        within_dof=np.where(found.within_dof > 0.0, found.within_dof, np.nan),
        components=found,
    )


def _without_dust(var: FloatArray, x: FloatArray) -> FloatArray:
    """Set a variance to zero that is no more than the rounding of the readings themselves."""
    largest = np.max(np.where(np.isfinite(x), np.abs(x), 0.0), axis=0, initial=0.0)
    return np.where(var <= (16.0 * np.finfo(np.float64).eps * largest) ** 2, 0.0, var)
