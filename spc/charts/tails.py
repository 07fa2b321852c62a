"""Tail probabilities and their inverses, accurate far out where false alarms live.

Each takes and returns arrays by the usual broadcasting. An upper tail is never found as 1 − cdf.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, chdtrc, chdtri, fdtrc, ndtr, ndtri, stdtr, stdtrit

from spc.charts.arrays import Floats


def _f(value: ArrayLike) -> Floats:
    return np.asarray(value, dtype=np.float64)


def normal_sf(z: ArrayLike) -> Floats:
    """Return P(Z > z) for a standard normal."""
    return _f(ndtr(-_f(z)))


def normal_isf(p: ArrayLike) -> Floats:
    """Return the value that a standard normal exceeds with probability ``p``."""
    return _f(-ndtri(_f(p)))


def chi2_sf(x: ArrayLike, df: ArrayLike) -> Floats:
    """Return P(χ² > x)."""
    return _f(chdtrc(_f(df), _f(x)))


def chi2_isf(p: ArrayLike, df: ArrayLike) -> Floats:
    """Return the value that χ² with ``df`` degrees of freedom exceeds with probability ``p``."""
    return _f(chdtri(_f(df), _f(p)))


def f_sf(x: ArrayLike, df1: ArrayLike, df2: ArrayLike) -> Floats:
    """Return P(F > x)."""
    return _f(fdtrc(_f(df1), _f(df2), _f(x)))


def f_isf(p: ArrayLike, df1: ArrayLike, df2: ArrayLike) -> Floats:
    """Return the value that F exceeds with probability ``p``."""
    one, two = _f(df1), _f(df2)
    share = betaincinv(two / 2, one / 2, _f(p))
    return _f(two * (1 - share) / (one * share))


def beta_isf(p: ArrayLike, a: ArrayLike, b: ArrayLike) -> Floats:
    """Return the value that a beta variable exceeds with probability ``p``."""
    return _f(1 - betaincinv(_f(b), _f(a), _f(p)))


def t_sf(t: ArrayLike, df: ArrayLike) -> Floats:
    """Return P(T > t) for Student's t."""
    return _f(stdtr(_f(df), -_f(t)))


def t_isf(p: ArrayLike, df: ArrayLike) -> Floats:
    """Return the value that Student's t exceeds with probability ``p``."""
    return _f(-stdtrit(_f(df), _f(p)))
