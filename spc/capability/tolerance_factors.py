"""Factors of normal tolerance intervals: how many standard deviations hold a share of the pieces.

References
----------
.. [1] ISO 16269-6, Statistical interpretation of data: statistical tolerance intervals (from memory
   of the standard).
.. [2] Odeh & Owen (1980), Tables for Normal Tolerance Limits, Sampling Plans, and Screening, Dekker
   (exact two-sided factors, by the integral used here).
.. [3] Howe (1969), Two-sided tolerance limits for normal populations, Journal of the American
   Statistical Association 64, 610-620.
.. [4] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3 (example: n 43, 0.90, 0.99).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.bounds import positive
from spc.errors import DataError

FloatArray = NDArray[np.float64]

# Nodes for the mean's noise, in its own standard deviations; beyond 9 lies less than 1e-18.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_NOISE = 4.5 * (_NODES + 1.0)
_NOISE_WEIGHTS = 4.5 * _WEIGHTS * 2.0 * np.exp(-0.5 * _NOISE**2) / np.sqrt(2.0 * np.pi)
_NEWTON_STEPS = 12
_BISECTIONS = 60


def check_share(value: float, name: str) -> float:
    """Return a coverage or level, or refuse it."""
    if not 0.0 < value < 1.0:
        raise DataError(f"{name} must lie between 0 and 1, not {value}")
    return value


def one_sided_factor(
    pieces: ArrayLike, coverage: float, level: float, dof: ArrayLike | None = None
) -> FloatArray:
    """Compute the factor of a one-sided normal tolerance limit, mean + k s (noncentral t, exact).

    Parameters
    ----------
    pieces
        Number of pieces, or of independent pieces that the mean is worth.
    coverage
        Share of the pieces to be held, a fraction.
    level
        Confidence level, a fraction.
    dof
        Degrees of freedom of the standard deviation; ``pieces`` - 1 where not given.

    Returns
    -------
    ndarray
        Factor k; NaN below two pieces.

    Examples
    --------
    The handbook's example [4]_:

    >>> print(f"{one_sided_factor(43, 0.90, 0.99):.6f}")
    1.873954
    """
    n, nu = _worth(pieces, dof)
    away = special.ndtri(check_share(coverage, "coverage")) * np.sqrt(n)
    return np.asarray(special.nctdtrit(nu, away, check_share(level, "level")) / np.sqrt(n))


def two_sided_factor(
    pieces: ArrayLike, coverage: float, level: float, dof: ArrayLike | None = None
) -> FloatArray:
    """Compute the exact factor of a two-sided normal tolerance interval, mean -/+ k s [2]_.

    The share held is integrated over the mean's noise (64-point Gauss-Legendre) and k is found by
    bisection. Arguments as in `one_sided_factor`.

    Examples
    --------
    >>> print(f"{two_sided_factor(43, 0.90, 0.99):.4f}")
    2.2228
    """
    n, nu = np.broadcast_arrays(*_worth(pieces, dof))
    check_share(level, "level")
    shift = _NOISE / np.sqrt(np.where(n > 0.0, n, 1.0)[..., np.newaxis])
    half = half_width(shift, check_share(coverage, "coverage"))

    def held(k: FloatArray) -> FloatArray:
        least = nu[..., np.newaxis] * (half / k[..., np.newaxis]) ** 2
        return np.asarray(special.chdtrc(nu[..., np.newaxis], least) @ _NOISE_WEIGHTS)

    # With no noise in the mean the factor would be `low`; with the most noise that counts, `high`.
    by_spread = np.sqrt(nu / special.chdtri(nu, level))
    low, high = half[..., 0] * by_spread, half[..., -1] * by_spread
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        enough = held(middle) >= level
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(np.isfinite(nu * n), 0.5 * (low + high), np.nan)


def howe_factor(pieces: ArrayLike, coverage: float, level: float) -> FloatArray:
    """Compute Howe's approximate two-sided factor [3]_, for comparison with others' figures.

    Examples
    --------
    The handbook's example [4]_:

    >>> print(f"{howe_factor(43, 0.90, 0.99):.6f}")
    2.217316
    """
    n, nu = _worth(pieces, None)
    z = special.ndtri(0.5 + 0.5 * check_share(coverage, "coverage"))
    tail = special.chdtri(nu, check_share(level, "level"))
    return np.asarray(z * np.sqrt(nu * (1.0 + 1.0 / n) / tail))


def half_width(shift: ArrayLike, coverage: ArrayLike) -> FloatArray:
    """Solve Phi(shift + r) - Phi(shift - r) = coverage for r, by Newton's method."""
    share = np.asarray(coverage, dtype=np.float64)
    away = np.abs(np.asarray(shift, dtype=np.float64))
    # Where the far tail no longer counts r is one-sided; at no shift it is two-sided. The root lies
    # at or above both, close enough for Newton's steps.
    r = np.maximum(special.ndtri(0.5 + 0.5 * share), away + special.ndtri(share))
    for _ in range(_NEWTON_STEPS):
        held = special.ndtr(away + r) - special.ndtr(away - r)
        slope = np.exp(-0.5 * (away + r) ** 2) + np.exp(-0.5 * (away - r) ** 2)
        r = r - (held - share) * np.sqrt(2.0 * np.pi) / slope
    return np.asarray(r, dtype=np.float64)


def _worth(pieces: ArrayLike, dof: ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    n = positive(pieces)
    nu = positive(n - 1.0 if dof is None else dof)
    return np.where(np.isfinite(nu), n, np.nan), nu
