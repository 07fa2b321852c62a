"""Confidence intervals of the indices, as functions of the estimate and what it stands on.

All functions are vectorised: every argument may be an array, all are broadcast together, and NaN in
gives NaN out. ``level`` is a fraction such as 0.95. Degrees of freedom and numbers of pieces may be
fractional, as they are when pieces come in batches.

References
----------
.. [1] Chou, Owen & Borrego (1990), Lower confidence limits on process capability indices,
   Journal of Quality Technology 22, 223-229 (chi-square for Cp, noncentral t for one side).
.. [2] Bissell (1990), How reliable is your capability index?, Applied Statistics 39, 331-340.
.. [3] Boyles (1991), The Taguchi capability index, Journal of Quality Technology 23, 17-26.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.noncentral import noncentrality
from spc.errors import DataError

FloatArray = NDArray[np.float64]
Pair = tuple[FloatArray, FloatArray]


def check_level(level: float) -> float:
    """Return ``level``, or refuse it."""
    if not 0.0 < level < 1.0:
        raise DataError(f"confidence level must lie between 0 and 1, not {level}")
    return level


def positive(value: ArrayLike) -> FloatArray:
    """Return the values as floats, NaN where not above zero."""
    array = np.asarray(value, dtype=np.float64)
    return np.where(array > 0.0, array, np.nan)


def spread_interval(sd: ArrayLike, dof: ArrayLike, level: float = 0.95) -> Pair:
    """Interval of a standard deviation from its degrees of freedom (chi-square)."""
    nu, tail = positive(dof), 0.5 * (1.0 - check_level(level))
    sd = np.asarray(sd, dtype=np.float64)
    return (
        sd * np.sqrt(nu / special.chdtri(nu, tail)),
        sd * np.sqrt(nu / special.chdtri(nu, 1.0 - tail)),
    )


def potential_interval(index: ArrayLike, dof: ArrayLike, level: float = 0.95) -> Pair:
    """Interval of Cp, Pp or Cpm: chi-square with the spread's degrees of freedom [1]_ [3]_."""
    nu, tail = positive(dof), 0.5 * (1.0 - check_level(level))
    index = np.asarray(index, dtype=np.float64)
    return (
        index * np.sqrt(special.chdtri(nu, 1.0 - tail) / nu),
        index * np.sqrt(special.chdtri(nu, tail) / nu),
    )


def standard_error(index: ArrayLike, pieces: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Approximate standard error of Cpk or Ppk [2]_.

    Parameters
    ----------
    index
        Cpk or Ppk.
    pieces
        Variance of one piece over variance of the mean: ``n`` for independent pieces, fewer for
        pieces that came in batches.
    dof
        Degrees of freedom of the standard deviation used.

    Examples
    --------
    Cpk 1.33 from 20 pieces, the worked example of Montgomery's textbook:

    >>> low, high = centred_interval(1.33, 20, 19)
    >>> print(f"{low:.2f} {high:.2f}")
    0.88 1.78
    """
    index = np.asarray(index, dtype=np.float64)
    return np.sqrt(1.0 / (9.0 * positive(pieces)) + index**2 / (2.0 * positive(dof)))


def centred_interval(
    index: ArrayLike, pieces: ArrayLike, dof: ArrayLike, level: float = 0.95
) -> Pair:
    """Two-sided interval of Cpk or Ppk by the normal approximation [2]_.

    Arguments as in `standard_error`.
    """
    z = special.ndtri(0.5 + 0.5 * check_level(level))
    index = np.asarray(index, dtype=np.float64)
    half = z * standard_error(index, pieces, dof)
    return index - half, index + half


def one_sided_bound(
    index: ArrayLike, pieces: ArrayLike, dof: ArrayLike, level: float = 0.95
) -> FloatArray:
    """Lower confidence bound of Cpk or Ppk from the noncentral t distribution [1]_.

    Exact for one limit and independent normal pieces. For two limits the bound of the nearer side
    is used, and then the true confidence is at least ``level``. With ``level`` below one half it is
    an upper bound: ``one_sided_bound(c, n, f, 0.05)`` is the upper bound at 95 %. The upper bound
    of an index with two limits must halve its tail (``0.025``) to keep its level when the process
    sits in the middle.

    Arguments as in `standard_error`.
    """
    check_level(level)
    root = 3.0 * np.sqrt(positive(pieces))
    t, nu, root = np.broadcast_arrays(root * np.asarray(index, dtype=np.float64), dof, root)
    return noncentrality(t, positive(nu), level) / root
