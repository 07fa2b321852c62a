"""Draws of the mean and the spread of pieces in batches: generalized pivots, without a dice.

The mean square of batch means and the mean square within are (close to) independent chi-squares
[3]_. Dividing each by draws of its own chi-square, and setting the mean off by draws of its own
noise, gives a distribution for the mean and the spread of which quantiles are confidence bounds
[1]_ [2]_. The draws are the points of a Sobol sequence, the same for every point and every call,
so nothing is random and equal data give equal bounds.

References
----------
.. [1] Weerahandi (1993), Generalized confidence intervals, Journal of the American Statistical
   Association 88, 899-905.
.. [2] Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, Wiley, chapters 2 and 5.
.. [3] Thomas & Hultquist (1978), Interval estimation for the unbalanced case of the one-way random
   effects model, Annals of Statistics 6, 582-587.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spc.capability.batches import Components
from spc.capability.bounds import positive

FloatArray = NDArray[np.float64]

# 2 to the 12 points give the bounds to about three digits; points are worked off in slices so that
# two thousand of them need no more memory than a hundred.
_POWER = 12
_SLICE = 128


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Draws at some of the points; arrays of shape (draws, points).

    Parameters
    ----------
    noise
        True mean less the mean found, mm.
    of_mean
        Variance of the mean, mm².
    total
        Whole variance of one piece, mm².
    """

    noise: FloatArray
    of_mean: FloatArray
    total: FloatArray


def slices(points: int) -> Iterator[slice]:
    """Cut the points into slices that fit in memory; at least one, even with no point."""
    return (slice(i, i + _SLICE) for i in range(0, max(points, 1), _SLICE))


def draws(found: Components, at: slice, *, dimensions: int = 3) -> Draws:
    """Draw the mean's noise and the whole variance at some of the points.

    Parameters
    ----------
    found
        Variation within and between batches; points of fewer than two batches come out NaN.
    at
        The points.
    dimensions
        Coordinates of the sequence; more than 3 leave the rest to the caller.
    """
    u, size = sobol(dimensions), found.harmonic_size[at]
    n, batches = positive(found.pieces[at]), positive(found.batches[at])
    of_means = spread_draws(found.var_of_means[at], batches - 1.0, u[:, 1])
    within = np.where(
        size == 1.0, 0.0, spread_draws(found.var_within[at], found.within_dof[at], u[:, 2])
    )
    weight = found.seen_size[at] / n
    of_mean = np.maximum(weight * of_means + (1.0 / n - weight / size) * within, within / n)
    return Draws(
        noise=special.ndtri(u[:, :1]) * np.sqrt(of_mean),
        of_mean=of_mean,
        total=of_means + (1.0 - 1.0 / size) * within,
    )


def sobol(dimensions: int = 3) -> FloatArray:
    """Give points of the unit cube, shape (draws, dimensions), none on its edge."""
    from scipy.stats import qmc  # slow to import, and needed only where there are batches

    points = qmc.Sobol(dimensions, scramble=False).random_base2(_POWER)
    return np.asarray(points + 0.5 / 2**_POWER, dtype=np.float64)


def spread_draws(var: FloatArray, dof: FloatArray, u: FloatArray) -> FloatArray:
    """Divide each variance by draws of its chi-square over dof; shape (draws, points)."""
    kinds, which = np.unique(positive(dof), return_inverse=True)
    factor = special.chdtri(kinds, u[:, np.newaxis]) / kinds
    return np.asarray(var / factor[:, which], dtype=np.float64)
