"""Interval of a difference of two variances: what is left when known noise is taken out.

References
----------
.. [1] Ting, Burdick, Graybill, Jefferson & Lu (1990), Confidence intervals on linear combinations
   of variance components that are unrestricted in sign, Journal of Statistical Computation and
   Simulation 35, 135-143 (modified large sample; from memory, checked by simulation).
.. [2] Burdick, Borror & Montgomery (2005), Design and Analysis of Gauge R&R Studies, SIAM.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.bounds import check_level, positive

FloatArray = NDArray[np.float64]


def variance_difference(
    whole: ArrayLike,
    whole_dof: ArrayLike,
    part: ArrayLike,
    part_dof: ArrayLike,
    level: float = 0.95,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Estimate ``whole`` - ``part`` with its modified-large-sample interval [1]_.

    Parameters
    ----------
    whole, part
        Independent estimates of two variances.
    whole_dof, part_dof
        Their degrees of freedom; infinite for a known variance.
    level
        Confidence level, a fraction.

    Returns
    -------
    difference, low, high
        May be negative: the data then cannot tell the difference from none. NaN in, NaN out.
    """
    s1, s2 = np.asarray(whole, dtype=np.float64), np.asarray(part, dtype=np.float64)
    n1, n2 = np.broadcast_arrays(positive(whole_dof), positive(part_dof))
    tail = 0.5 * (1.0 - check_level(level))
    # Infinite degrees of freedom as so many that the answer no longer moves.
    n1, n2 = np.minimum(n1, 1e9), np.minimum(n2, 1e9)
    g1, h1 = _g(n1, tail), _h(n1, tail)
    g2, h2 = _g(n2, tail), _h(n2, tail)
    upper, lower = special.fdtri(n1, n2, 1.0 - tail), special.fdtri(n1, n2, tail)
    g12 = ((upper - 1.0) ** 2 - (g1 * upper) ** 2 - h2**2) / upper
    h12 = ((1.0 - lower) ** 2 - (h1 * lower) ** 2 - g2**2) / lower
    below = (g1 * s1) ** 2 + (h2 * s2) ** 2 + g12 * s1 * s2
    above = (h1 * s1) ** 2 + (g2 * s2) ** 2 + h12 * s1 * s2
    value = s1 - s2
    return (
        np.asarray(value),
        np.asarray(value - np.sqrt(np.maximum(below, 0.0))),
        np.asarray(value + np.sqrt(np.maximum(above, 0.0))),
    )


def _g(n: FloatArray, tail: float) -> FloatArray:
    return np.asarray(1.0 - n / special.chdtri(n, tail))


def _h(n: FloatArray, tail: float) -> FloatArray:
    return np.asarray(n / special.chdtri(n, 1.0 - tail) - 1.0)
