"""Constants of control charts for any subgroup size, from the normal law itself.

``d2``, ``d3`` are mean and standard deviation of the range of n independent standard normals,
``c4`` the mean of their standard deviation. A2, A3, B3, ... follow from these by their
definitions.

References
----------
.. [1] Tippett, L. H. C. (1925). On the extreme individuals and the range of samples taken from a
       normal population. Biometrika 17, 364-387 (the law of the range).
.. [2] ASTM MNL 7, Manual on Presentation of Data and Control Chart Analysis, table of factors.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import gammaln, ndtr, ndtri, roots_legendre

from spc.charts.arrays import Floats, require

LARGEST_N = 100_000


def c4(n: ArrayLike) -> Floats:
    """Return the mean standard deviation of ``n`` standard normals (divisor n − 1); NaN below 2.

    Parameters
    ----------
    n
        Subgroup sizes, any shape.

    Returns
    -------
    ndarray
        ``sqrt(2/(n−1)) Γ(n/2)/Γ((n−1)/2)``, shape of ``n``.

    Examples
    --------
    >>> round(float(c4(5)), 4)
    0.94
    """
    size = np.asarray(n, dtype=np.float64)
    f = np.where(size >= 2, size - 1, np.nan)
    return np.asarray(np.sqrt(2 / f) * np.exp(gammaln((f + 1) / 2) - gammaln(f / 2)))


@lru_cache(maxsize=64)
def gauss_legendre(count: int) -> tuple[Floats, Floats]:
    """Return nodes on (−1, 1) and weights, read-only, computed once."""
    # By the tridiagonal matrix: the full one takes a second for some hundreds of nodes.
    nodes, weights = roots_legendre(count)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


@lru_cache(maxsize=4096)
def _range_moments(n: int) -> tuple[float, float]:
    # E R = ∫ P(R > r) dr and E R² = 2 ∫ r P(R > r) dr, by Gauss-Legendre.
    top = 12.0 + 2 * float(-ndtri(0.5 / n))
    nodes, weights = gauss_legendre(240)
    r, w = (nodes + 1) * top / 2, weights * top / 2
    tail = -np.expm1(np.log(np.maximum(range_cdf(r, n), 1e-300)))
    first, second = float(w @ tail), 2 * float(w @ (r * tail))
    return first, float(np.sqrt(second - first**2))


def range_cdf(r: ArrayLike, n: int) -> Floats:
    """Return P(range of ``n`` standard normals ≤ r), shape of ``r`` [1]_."""
    size = _size(n)
    # the trapezoidal rule is exact to rounding for a smooth integrand that dies out at both ends
    x, step = np.linspace(-9.5, 9.5, 476, retstep=True)
    density = np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi) * step
    distance = np.asarray(r, dtype=np.float64)[..., None]
    inside = np.maximum(ndtr(x + distance) - ndtr(x), 0.0)
    return np.asarray(np.clip(size * (inside ** (size - 1)) @ density, 0.0, 1.0))


def d2(n: int) -> float:
    """Return the mean range of ``n`` standard normals.

    Examples
    --------
    >>> round(d2(2), 3), round(d2(5), 3)
    (1.128, 2.326)
    """
    return _range_moments(_size(n))[0]


def d3(n: int) -> float:
    """Return the standard deviation of the range of ``n`` standard normals.

    Examples
    --------
    >>> round(d3(2), 3)
    0.853
    """
    return _range_moments(_size(n))[1]


@lru_cache(maxsize=4096)
def median_range(n: int) -> float:
    """Return the median range of ``n`` standard normals (0.954 for two).

    Examples
    --------
    >>> round(median_range(2), 4)
    0.9539
    """
    return float(brentq(lambda r: float(range_cdf(r, n)) - 0.5, 1e-6, 20.0, xtol=1e-13))


def _size(n: int) -> int:
    require(isfinite(n) and n == int(n) and 2 <= n <= LARGEST_N, "subgroup size", n,
            f"a whole number from 2 to {LARGEST_N}")  # fmt: skip
    return int(n)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartConstants:
    """Factors of the usual charts for one subgroup size, limits ``width`` sigma from the centre.

    Parameters
    ----------
    n
        Subgroup size.
    width
        Distance of the limits from the centre in standard errors; 3 gives the printed tables.
    d2, d3, c4
        Mean and standard deviation of the relative range; mean of the relative standard
        deviation.
    A, A2, A3
        Half-width of the limits of means from sigma, from the mean range, from the mean s.
    B3, B4, B5, B6
        Limits of s from the mean s (B3, B4) and from sigma (B5, B6).
    D1, D2, D3, D4
        Limits of the range from sigma (D1, D2) and from the mean range (D3, D4).
    """

    n: int
    width: float
    d2: float
    d3: float
    c4: float
    A: float
    A2: float
    A3: float
    B3: float
    B4: float
    B5: float
    B6: float
    D1: float
    D2: float
    D3: float
    D4: float


def chart_constants(n: int, width: float = 3.0) -> ChartConstants:
    """Return the factors for subgroups of ``n`` with limits at ``width`` standard errors [2]_.

    Examples
    --------
    >>> k = chart_constants(5)
    >>> round(k.A2, 3), round(k.D4, 3), round(k.B4, 3)
    (0.577, 2.114, 2.089)
    """
    require(width > 0, "width", width, "above 0")
    mean, spread, s = d2(n), d3(n), float(c4(n))
    spread_s = float(np.sqrt(-np.expm1(2 * np.log(s))))
    a = width / n**0.5
    return ChartConstants(
        n=n, width=width, d2=mean, d3=spread, c4=s,
        A=a, A2=a / mean, A3=a / s,
        B3=max(0.0, 1 - width * spread_s / s), B4=1 + width * spread_s / s,
        B5=max(0.0, s - width * spread_s), B6=s + width * spread_s,
        D1=max(0.0, mean - width * spread), D2=mean + width * spread,
        D3=max(0.0, 1 - width * spread / mean), D4=1 + width * spread / mean,
    )  # fmt: skip
