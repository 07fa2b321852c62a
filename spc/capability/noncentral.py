"""The noncentrality of a t distribution that puts a given share below a given value.

The share is an integral over the chi-square of the spread of a normal share. It is taken by
Gauss-Legendre quadrature and solved by Newton's method on the normal score of the share, which is
nearly a straight line in the noncentrality. The cost does not grow with the number of pieces.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import special

FloatArray = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(128)
_REACH = 9.0
# Ratio of the spread's noise to the mean's: up to the first the quadrature resolves both, beyond
# the second the mean's noise is under 1/100 of the spread's and no longer counts.
_RESOLVED, _MEAN_IS_NEGLIGIBLE = 6.0, 100.0
_FEWEST_DOF = 1.0
_ITERATIONS, _PRECISION = 40, 1e-11


def noncentrality(t: FloatArray, dof: FloatArray, share: float) -> FloatArray:
    """Solve P(T <= t) = share for the noncentrality of T.

    Parameters
    ----------
    t, dof
        Value and degrees of freedom, of one shape.
    share
        Probability at or below ``t``, between 0 and 1.

    Returns
    -------
    ndarray
        Noncentrality; NaN where an argument is NaN.

    Examples
    --------
    >>> print(f"{noncentrality(np.array(10.0), np.array(24.0), 0.95):.4f}")
    7.0597
    """
    shape = np.shape(t)
    t, dof = np.atleast_1d(t).astype(np.float64), np.atleast_1d(dof).astype(np.float64)
    with np.errstate(invalid="ignore", over="ignore"):  # NaN falls through, huge is told apart
        ratio = np.abs(t) / np.sqrt(2.0 * dof)
    plain = (ratio <= _RESOLVED) & (dof >= _FEWEST_DOF)
    huge = ratio > _MEAN_IS_NEGLIGIBLE
    rest = ~plain & ~huge & np.isfinite(ratio)
    found = np.full(t.shape, np.nan)
    found[plain] = _newton(t[plain], dof[plain], share)
    tail = np.where(t[huge] > 0.0, share, 1.0 - share)
    found[huge] = t[huge] * np.sqrt(special.chdtri(dof[huge], tail) / dof[huge])
    found[rest] = special.nctdtrinc(dof[rest], share, t[rest])
    return found.reshape(shape)


def _newton(t: FloatArray, dof: FloatArray, share: float) -> FloatArray:
    u, weight = _spread(dof)
    score, centre = special.ndtri(share), (weight * u).sum(axis=0)
    delta = t * centre - score * np.sqrt(1.0 + t**2 * np.maximum(1.0 - centre**2, 0.0))
    for _ in range(_ITERATIONS):
        away = t * u - delta
        below = np.clip((weight * special.ndtr(away)).sum(axis=0), 1e-300, 1.0 - 1e-16)
        slope = (weight * np.exp(-0.5 * away**2)).sum(axis=0)
        at = special.ndtri(below)
        # Both densities lack the same constant. Far out the slope can vanish: steps are kept short.
        step = np.clip((at - score) * np.exp(-0.5 * at**2) / np.maximum(slope, 1e-300), -5.0, 5.0)
        delta = delta + step
        if np.all(np.abs(step) <= _PRECISION * (1.0 + np.abs(delta))):
            break
    return np.asarray(delta)


def _spread(dof: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nodes of a chi over the root of its degrees of freedom, and weights that sum to 1."""
    half = _REACH / np.sqrt(2.0 * dof)
    low, high = np.maximum(1.0 - half, 0.0), 1.0 + half
    u = low + 0.5 * (high - low) * (_NODES[:, np.newaxis] + 1.0)
    log_density = (dof - 1.0) * np.log(u) - 0.5 * dof * (u**2 - 1.0)
    weight = _WEIGHTS[:, np.newaxis] * np.exp(log_density)
    return u, weight / weight.sum(axis=0)
