"""Random readings whose batches resemble the ones seen: what a test of fit must allow for.

Pieces of one batch lie together, so the readings of a few batches are lumpy even where their shape
is right, and a test made for independent pieces turns every shape down.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spc.capability.batches import UNKNOWN, batch_components
from spc.capability.families import Family

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Whole batches are simulated until there are as many as this of them, and of pieces as the caller
#: asks for: beyond, the distribution of a statistic has long settled.
MOST_BATCHES_RESAMPLED = 40
_MOST_AT_ONCE = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lumps:
    """Batches as they were seen at every point.

    Parameters
    ----------
    codes
        Batch of each piece, from 0 without gaps, shape (pieces,).
    missing
        True where a piece has no reading, shape (pieces, points).
    share
        Share of the variance of the normal scores that lies between batches, shape (points,).
    """

    codes: IntArray
    missing: NDArray[np.bool_]
    share: FloatArray


def lumps(
    family: Family, x: FloatArray, parameters: FloatArray, codes: IntArray, most: int
) -> Lumps:
    """See how far the readings, taken as normal scores of their shape, keep to their batches.

    Parameters
    ----------
    family, parameters
        The shape, parameters of shape (parameters, points).
    x
        Readings, shape (pieces, points), NaN for missing.
    codes
        Batch of each piece, -1 for unknown; those pieces are left out.
    most
        Pieces from which no further batch is taken, once there are `MOST_BATCHES_RESAMPLED`.
    """
    found = batch_components(_scores(family, x, parameters), codes)
    share = np.where(np.isnan(found.share), 0.0, found.share)
    known = np.unique(codes[codes != UNKNOWN])
    sizes = np.array([(codes == k).sum() for k in known])
    enough = np.searchsorted(np.cumsum(sizes), most) + 1
    kept = np.isin(codes, known[: max(int(enough), MOST_BATCHES_RESAMPLED)])
    again = np.unique(codes[kept], return_inverse=True)[1].astype(np.int64)
    return Lumps(codes=again, missing=np.isnan(x[kept]), share=share)


def _scores(family: Family, x: FloatArray, parameters: FloatArray) -> FloatArray:
    """Turn readings into normal scores from the nearer tail; NaN beyond the family's ends."""
    below, above = family.log_below(x, parameters), family.log_above(x, parameters)
    scores = np.where(below < above, special.ndtri_exp(below), -special.ndtri_exp(above))
    return np.where(np.isfinite(scores), scores, np.nan)


def drawn_alike(
    family: Family,
    parameters: FloatArray,
    seen: Lumps,
    *,
    rng: np.random.Generator,
    resamples: int,
) -> Iterator[tuple[IntArray, FloatArray]]:
    """Simulate readings of the shape in batches that share as much as the ones seen.

    Yields
    ------
    at, again
        Points that the columns belong to, shape (columns,), and readings, shape (pieces, columns).
    """
    rows, points = seen.missing.shape
    batches = int(seen.codes.max(initial=-1)) + 1
    every = np.repeat(np.arange(points), resamples)
    width = max(1, _MOST_AT_ONCE // max(rows, 1))
    for first in range(0, every.size, width):
        at = every[first : first + width]
        between, within = np.sqrt(seen.share[at]), np.sqrt(1.0 - seen.share[at])
        own = rng.standard_normal((batches, at.size))[seen.codes]
        z = between * own + within * rng.standard_normal((rows, at.size))
        again = family.draw(z, parameters[:, at])
        yield at, np.where(seen.missing[:, at], np.nan, again)
