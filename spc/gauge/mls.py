"""Intervals on sums, differences and ratios of variances: the modified large-sample method.

A quantity θ = Σ c_k E[MS_k] of independent mean squares, ν_k MS_k / E[MS_k] ~ χ²(ν_k). The bounds
are those of a large-sample interval with the factors changed so that each special case (one
variance, a ratio of two) comes out exact.

References
----------
.. [1] F. A. Graybill, C.-M. Wang, Confidence intervals on nonnegative linear combinations of
   variances, J. Am. Stat. Assoc. 75 (1980) 869-873.
.. [2] N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu, Confidence intervals on
   linear combinations of variance components that are unrestricted in sign, J. Stat. Comput.
   Simul. 35 (1990) 135-143.
.. [3] R. K. Burdick, C. M. Borror, D. C. Montgomery, Design and Analysis of Gauge R&R Studies,
   SIAM/ASA 2005.
.. [4] F. E. Satterthwaite, An approximate distribution of estimates of variance components,
   Biometrics Bulletin 2 (1946) 110-114.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.gauge.arrays import BoolArray, FloatArray

#: Ratios of variances are looked for between these powers of ten.
_DECADES = 12.0
_HALVINGS = 56


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Factors:
    """Factors of the bounds; they depend on degrees of freedom and level only.

    Parameters
    ----------
    shrink
        1 - ν/χ² at the upper tail, (terms, points or 1).
    grow
        ν/χ² at the lower tail - 1, (terms, points or 1).
    across
        Factor of each pair of one added and one subtracted term, (terms, terms, points or 1).
    along
        Factor of each pair of two added terms, (terms, terms, points or 1).
    """

    shrink: FloatArray
    grow: FloatArray
    across: FloatArray
    along: FloatArray


def factors(dof: ArrayLike, tail: float) -> Factors:
    """Return the factors of bounds with ``tail`` probability outside each.

    Parameters
    ----------
    dof
        Degrees of freedom (terms,) or (terms, points); a term with none may have any coefficient
        that is zero.
    tail
        Probability beyond one bound, for example 0.025 each side of a 95 % interval.

    Returns
    -------
    Factors
    """
    v = np.asarray(dof, dtype=np.float64)
    v = v[:, None] if v.ndim == 1 else v
    v = np.where(v > 0, np.minimum(v, 1e9), 1.0)
    v = v[:, :1] if (v == v[:, :1]).all() else v
    shrink = 1.0 - v / special.chdtri(v, tail)
    grow = v / special.chdtri(v, 1.0 - tail) - 1.0
    q, r = v[:, None], v[None, :]
    f = 1.0 / special.fdtri(r, q, tail)
    across = ((f - 1.0) ** 2 - (shrink[:, None] * f) ** 2 - grow[None, :] ** 2) / f
    both = 1.0 - (q + r) / special.chdtri(q + r, tail)
    along = both**2 * (q + r) ** 2 / (q * r) - shrink[:, None] ** 2 * q / r
    along -= shrink[None, :] ** 2 * r / q
    return Factors(shrink=shrink, grow=grow, across=across, along=along)


def lower_bound(coefficients: FloatArray, mean_squares: FloatArray, by: Factors) -> FloatArray:
    """Return the lower bound of Σ c E[MS], shape (points,); may be below zero.

    Parameters
    ----------
    coefficients
        c of each term, (terms, points or 1), of either sign.
    mean_squares
        Mean squares (terms, points); NaN allowed where the coefficient is zero.
    by
        Factors for the wanted tail.
    """
    size = coefficients * np.where(coefficients == 0, 0.0, mean_squares)
    plus, minus = np.maximum(size, 0.0), np.maximum(-size, 0.0)
    spread = ((by.shrink * plus) ** 2).sum(0) + ((by.grow * minus) ** 2).sum(0)
    spread = spread + np.einsum("qp,rp,qrp->p", plus, minus, _wide(by.across, size))
    pairs = np.einsum("qp,rp,qrp->p", plus, plus, _wide(_off_diagonal(by.along), size)) / 2.0
    others = (plus > 0).sum(0) - 1
    # A sum of variances has no such term [1]; a difference with several added ones has [2].
    use = (others > 0) & (minus > 0).any(0)
    spread = spread + np.where(use, pairs / np.maximum(others, 1), 0.0)
    return np.asarray(size.sum(0) - np.sqrt(np.maximum(spread, 0.0)), dtype=np.float64)


def bounds(
    coefficients: ArrayLike, mean_squares: FloatArray, dof: ArrayLike, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the two-sided interval of Σ c E[MS] at each point; either end may be below zero.

    Parameters
    ----------
    coefficients
        c of each term, (terms,) or (terms, points), of either sign.
    mean_squares
        Mean squares (terms, points).
    dof
        Their degrees of freedom (terms,) or (terms, points).
    level
        Confidence level as a fraction.

    Returns
    -------
    tuple of arrays (points,)
        Low and high end.

    Examples
    --------
    Two operators leave one degree of freedom: the standard deviation may be 0.45 to 31.9 times its
    estimate.

    >>> low, high = bounds([1.0], np.array([[1.0]]), [1], 0.95)
    >>> print(round(float(low[0]) ** 0.5, 2), round(float(high[0]) ** 0.5, 1))
    0.45 31.9
    """
    c = np.asarray(coefficients, dtype=np.float64)
    c = c[:, None] if c.ndim == 1 else c
    by = factors(dof, (1.0 - level) / 2.0)
    return lower_bound(c, mean_squares, by), -lower_bound(-c, mean_squares, by)


def ratio_bounds(
    top: FloatArray, bottom: FloatArray, mean_squares: FloatArray, dof: ArrayLike, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of (Σ top E[MS]) / (Σ bottom E[MS]), ends not below zero.

    The ratio is above d where top - d bottom is above zero; the bound is the d at which the bound
    of that difference is zero [3]_.

    Parameters
    ----------
    top, bottom
        Coefficients (terms,) or (terms, points); the bottom a positive quantity.
    mean_squares, dof, level
        As in `bounds`.

    Returns
    -------
    tuple of arrays (points,)
        Low and high end; 0 and infinity where the data set no bound.
    """
    top, bottom = (c[:, None] if c.ndim == 1 else c for c in (top, bottom))
    by = factors(dof, (1.0 - level) / 2.0)
    points = mean_squares.shape[1]

    def below(d: FloatArray) -> FloatArray:
        return lower_bound(top - d * bottom, mean_squares, by)

    def above(d: FloatArray) -> FloatArray:
        return lower_bound(d * bottom - top, mean_squares, by)

    low = np.where(below(np.zeros(points)) > 0, _crossing(lambda d: below(d) > 0, points), 0.0)
    high = np.where(above(np.zeros(points)) > 0, 0.0, _crossing(lambda d: ~(above(d) > 0), points))
    return low, high


def satterthwaite(
    coefficients: ArrayLike, mean_squares: FloatArray, dof: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return Σ c MS and the degrees of freedom of a χ² with the same mean and variance [4]_.

    Parameters
    ----------
    coefficients
        c of each term, (terms,) or (terms, points).
    mean_squares
        Mean squares (terms, points); NaN allowed where the coefficient is zero.
    dof
        Their degrees of freedom (terms,) or (terms, points).

    Returns
    -------
    tuple of arrays (points,)
        The sum and its effective degrees of freedom; NaN where the sum is zero.
    """
    c, v = (np.asarray(a, dtype=np.float64) for a in (coefficients, dof))
    c, v = (a[:, None] if a.ndim == 1 else a for a in (c, v))
    size = c * np.where(c == 0, 0.0, mean_squares)
    total = size.sum(0)
    with np.errstate(divide="ignore", invalid="ignore"):  # nothing varies: 0/0
        effective = total**2 / (size**2 / np.maximum(v, 1e-300)).sum(0)
    return np.asarray(total), np.asarray(effective)


def chi_square_bounds(
    variance: FloatArray, dof: ArrayLike, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of one variance estimated with χ² of ``dof`` degrees of freedom."""
    v = np.asarray(dof, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    low, high = v / special.chdtri(v, tail), v / special.chdtri(v, 1.0 - tail)
    return np.asarray(variance * low), np.asarray(variance * high)


def _crossing(holds: Callable[[FloatArray], BoolArray], points: int) -> FloatArray:
    """Return the largest d at which a falling condition holds, by halving on a log scale."""
    low, high = np.full(points, -_DECADES), np.full(points, _DECADES)
    beyond = holds(10.0**high)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        yes = holds(10.0**middle)
        low, high = np.where(yes, middle, low), np.where(yes, high, middle)
    return np.where(beyond, np.inf, 10.0**low)


def _wide(table: FloatArray, like: FloatArray) -> FloatArray:
    return np.broadcast_to(table, (*table.shape[:2], like.shape[1]))


def _off_diagonal(table: FloatArray) -> FloatArray:
    return table * (1.0 - np.eye(table.shape[0]))[:, :, None]
