"""Does a family fit? Anderson-Darling, with its p value by simulation from the fitted shape.

Published tables of the statistic hold for few families with all parameters estimated; simulating
from the fit and fitting again holds for any (parametric bootstrap) [2]_. Where pieces came in
batches, so do the simulated ones (`spc.capability.like_batches`).

References
----------
.. [1] Anderson & Darling (1954), A test of goodness of fit, Journal of the American Statistical
   Association 49, 765-769.
.. [2] Stute, González Manteiga & Presedo Quindimil (1993), Bootstrap based goodness-of-fit tests,
   Metrika 40, 243-256.
.. [3] Stephens (1974), EDF statistics for goodness of fit and some comparisons, Journal of the
   American Statistical Association 69, 730-737 (the statistic hardly depends on n).
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from spc.capability.families import Family
from spc.capability.fits import fit
from spc.capability.like_batches import drawn_alike, lumps

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Above this number of pieces the resamples have this many: the statistic's distribution has long
#: settled [3]_, and the work has not.
MOST_RESAMPLED = 400
_MOST_AT_ONCE = 2_000_000


def anderson_darling(family: Family, x: FloatArray, parameters: FloatArray) -> FloatArray:
    """Compute the Anderson-Darling statistic of a fitted family at every point [1]_.

    Parameters
    ----------
    family
        The family.
    x
        Readings, shape (pieces, points), NaN for missing.
    parameters
        Its parameters, shape (parameters, points).

    Returns
    -------
    ndarray
        The statistic, shape (points,); NaN without parameters, infinite where a reading lies beyond
        the family's ends.
    """
    ordered = np.sort(x, axis=0)
    seen = ~np.isnan(ordered)
    n = seen.sum(axis=0)
    rank = np.arange(1.0, x.shape[0] + 1.0)[:, np.newaxis]
    below = family.log_below(ordered, parameters)
    above = family.log_above(ordered, parameters)
    weighed = (2.0 * rank - 1.0) * below + (2.0 * (n - rank) + 1.0) * above
    known = ~np.isnan(parameters[0])
    total = np.where(seen, weighed, 0.0).sum(axis=0)
    return np.where(known & (n > 0), -n - total / np.maximum(n, 1), np.nan)


def p_values(
    family: Family,
    x: FloatArray,
    parameters: FloatArray,
    *,
    rng: np.random.Generator,
    resamples: int,
    codes: IntArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Compute the statistic and its p value by parametric bootstrap at every point [2]_.

    Parameters
    ----------
    family, x, parameters
        As in `anderson_darling`.
    rng
        Source of the resamples.
    resamples
        Number of resamples a point; the smallest p value is 1 / (resamples + 1).
    codes
        Batch of each piece, -1 for unknown (left out); None where pieces are independent.

    Returns
    -------
    statistic, p
        Shape (points,); NaN without parameters.
    """
    if codes is None:
        source = resampled(family, x, parameters, rng=rng, resamples=resamples)
    else:
        x, codes = x[codes >= 0], codes[codes >= 0]
        seen = lumps(family, x, parameters, codes, MOST_RESAMPLED)
        source = drawn_alike(family, parameters, seen, rng=rng, resamples=resamples)
    statistic = anderson_darling(family, x, parameters)
    beyond = np.ones_like(statistic)
    for at, again in source:
        refitted = fit(family, again, parameters[:, at])
        # A resample that the family cannot be fitted to counts as one that fits worse.
        found = anderson_darling(family, again, refitted)
        np.add.at(beyond, at, ~(found < statistic[at]))
    p = beyond / (resamples + 1.0)
    return statistic, np.where(np.isnan(statistic), np.nan, p)


def resampled(
    family: Family,
    x: FloatArray,
    parameters: FloatArray,
    *,
    rng: np.random.Generator,
    resamples: int,
) -> Iterator[tuple[NDArray[np.int64], FloatArray]]:
    """Simulate readings from the fitted shape, in pieces that fit in memory.

    Yields
    ------
    at, again
        Points that the columns belong to, shape (columns,), and readings with as many pieces as the
        point has, at most `MOST_RESAMPLED`, shape (pieces, columns).
    """
    n = np.minimum((~np.isnan(x)).sum(axis=0), MOST_RESAMPLED)
    rows = int(n.max(initial=0))
    every = np.repeat(np.arange(x.shape[1]), resamples)
    width = max(1, _MOST_AT_ONCE // max(rows, 1))
    for first in range(0, every.size, width):
        at = every[first : first + width]
        again = family.draw(rng.standard_normal((rows, at.size)), parameters[:, at])
        absent = np.arange(rows)[:, np.newaxis] >= n[at]
        yield at, np.where(absent, np.nan, again)
