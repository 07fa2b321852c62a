"""Degrees of freedom of a standard deviation that came with an interval and without them.

A gauge's standard deviation is the root of a sum of variances, and its interval is all that a study
hands on. What comes after asks how well it is known: as well as a single standard deviation whose
chi-square interval is as wide, end over end (in the manner of Satterthwaite 1946).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.bounds import check_level, positive

FloatArray = NDArray[np.float64]

_FEWEST, _MOST = 0.25, 1e7


def dof_of_interval(low: ArrayLike, high: ArrayLike, level: float = 0.95) -> FloatArray:
    """Find the degrees of freedom of a chi-square interval with these ends' ratio.

    Parameters
    ----------
    low, high
        Ends of a standard deviation's interval. A low end of 0 is known hardly at all.
    level
        Its confidence level, a fraction.

    Returns
    -------
    ndarray
        Between 0.25 and 10 million; NaN where an end is missing or the high one is not above 0.

    Examples
    --------
    The interval of a standard deviation of 1 with 10 degrees of freedom:

    >>> print(f"{dof_of_interval(0.6987, 1.7549):.2f}")
    10.00
    """
    tail = 0.5 * (1.0 - check_level(level))
    bottom, top = np.broadcast_arrays(np.asarray(low, dtype=np.float64), positive(high))
    with np.errstate(divide="ignore"):  # a low end of 0: as wide as can be
        wide = np.log(top) - np.log(np.maximum(bottom, 0.0))

    def width(nu: FloatArray) -> FloatArray:
        ratio = special.chdtri(nu, tail) / special.chdtri(nu, 1.0 - tail)
        return np.asarray(0.5 * np.log(ratio))

    few, many = np.full(wide.shape, np.log(_FEWEST)), np.full(wide.shape, np.log(_MOST))
    for _ in range(60):
        middle = 0.5 * (few + many)
        wider = width(np.exp(middle)) > wide
        few, many = np.where(wider, middle, few), np.where(wider, many, middle)
    return np.where(np.isnan(wide), np.nan, np.exp(0.5 * (few + many)))
