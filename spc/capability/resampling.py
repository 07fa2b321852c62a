"""Fits of a point's shape again, to resamples: how far they stray is how sure the shape is.

References
----------
.. [1] Efron & Tibshirani (1993), An Introduction to the Bootstrap, Chapman & Hall, chapters 6, 13.
.. [2] Bickel, Götze & van Zwet (1997), Resampling fewer than n observations, Statistica Sinica 7,
   1-31 (above `MOST_RESAMPLED` pieces, where differences are shrunk by the root of the ratio).
.. [3] Rao & Wu (1988), Resampling inference with complex survey data, Journal of the American
   Statistical Association 83, 231-241 (one batch fewer than there are).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.capability.batches import UNKNOWN
from spc.capability.families import Family
from spc.capability.fits import fit
from spc.capability.goodness import MOST_RESAMPLED, resampled

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Batches below which resampling whole batches gives intervals that are clearly too short: common
#: practice, no published source.
FEWEST_BATCHES_RESAMPLED = 10
#: Readings of resamples fitted side by side: to fit many at once costs far less than one by one.
_CELLS = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refits:
    """Parameters of a family fitted to resamples.

    Parameters
    ----------
    parameters
        Shape (parameters, points, resamples); no resamples where there are too few batches.
    shrink
        Factor for the differences from the fit, shape (points, 1); below 1 where the resamples
        have fewer pieces than the point.
    """

    parameters: FloatArray
    shrink: FloatArray


def refits(
    family: Family,
    x: FloatArray,
    parameters: FloatArray,
    codes: IntArray | None,
    *,
    rng: np.random.Generator,
    resamples: int,
) -> Refits:
    """Fit a family to resamples from its own fit [1]_, or of whole batches [3]_.

    Parameters
    ----------
    family
        The family of these points.
    x
        Their readings, shape (pieces, points), NaN for missing.
    parameters
        Its parameters, shape (parameters, points).
    codes
        Batch of each piece, -1 for unknown; None where pieces are independent.
    rng
        Source of the resamples.
    resamples
        Number of resamples a point.
    """
    points = x.shape[1]
    n = np.maximum((~np.isnan(x)).sum(axis=0), 1)
    if codes is None:
        shrink = np.sqrt(np.minimum(n, MOST_RESAMPLED) / n)
        source = resampled(family, x, parameters, rng=rng, resamples=resamples)
    else:
        shrink = np.ones(points)
        source = _whole_batches(x, codes, rng, resamples)
    at, again = [np.zeros(0, np.int64)], [np.zeros((family.stored, 0))]
    for which, readings in source:
        at.append(which)
        again.append(fit(family, readings, parameters[:, which]))
    order = np.argsort(np.concatenate(at), kind="stable")
    found = np.concatenate(again, axis=1)[:, order]
    each = order.size // points if points else 0
    return Refits(
        parameters=found.reshape(family.stored, points, each), shrink=shrink[:, np.newaxis]
    )


def _whole_batches(
    x: FloatArray, codes: IntArray, rng: np.random.Generator, resamples: int
) -> Iterator[tuple[IntArray, FloatArray]]:
    """Draw one batch fewer than there are, with replacement, so that the variance is right [3]_."""
    rows = [np.flatnonzero(codes == k) for k in np.unique(codes[codes != UNKNOWN])]
    if len(rows) < FEWEST_BATCHES_RESAMPLED:
        return
    points = np.arange(x.shape[1])
    longest = max(map(len, rows)) * (len(rows) - 1)
    at_once = max(_CELLS // max(longest * len(points), 1), 1)
    for start in range(0, resamples, at_once):
        drawn = [
            np.concatenate([rows[k] for k in rng.integers(0, len(rows), len(rows) - 1)])
            for _ in range(min(at_once, resamples - start))
        ]
        # Batches differ in length: what is short is filled up with missing readings.
        place = np.full((max(map(len, drawn)), len(drawn)), -1)
        for column, own in enumerate(drawn):
            place[: len(own), column] = own
        found = np.where((place < 0)[:, :, np.newaxis], np.nan, x[place])
        yield np.tile(points, len(drawn)), found.reshape(len(place), -1)


def quantiles(drawn: FloatArray, probabilities: tuple[float, ...]) -> FloatArray:
    """Take quantiles over the last axis; NaN where over one resample in twenty is no number.

    Each is a resample's own value: between infinite ones there is nothing to interpolate.
    """
    none = drawn.shape[-1] == 0
    if none:
        return np.full((len(probabilities), *drawn.shape[:-1]), np.nan)
    enough = np.isnan(drawn).mean(axis=-1) <= 0.05
    kept = np.where(enough[..., np.newaxis], drawn, 0.0)
    found = np.nanquantile(kept, probabilities, axis=-1, method="inverted_cdf").astype(np.float64)
    return np.where(enough, found, np.nan)
