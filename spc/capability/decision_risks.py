"""What a decision on one reading gets wrong: pieces let through, and pieces turned away.

References
----------
.. [1] JCGM 106:2012, The role of measurement uncertainty in conformity assessment, sections 7 to 9
   (from memory; the integrals are checked against the bivariate normal).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.conformity import GUARD_FACTOR
from spc.capability.indices import readings
from spc.capability.point_indices import limits

FloatArray = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)
_REACH = 9.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Risks:
    """Shares of all pieces that a decision rule gets wrong; arrays of shape (points,).

    Parameters
    ----------
    conforming
        Share of pieces truly inside the tolerance.
    accepted
        Share of pieces whose reading is accepted.
    false_accept
        Share of pieces that are outside and accepted (the consumer's global risk).
    false_reject
        Share of pieces that are inside and not accepted (the producer's global risk).
    outside_among_accepted
        Share outside among the accepted pieces.
    """

    conforming: FloatArray
    accepted: FloatArray
    false_accept: FloatArray
    false_reject: FloatArray
    outside_among_accepted: FloatArray


def conformance_probability(
    x: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    uncertainty: ArrayLike,
    *,
    process_mean: ArrayLike | None = None,
    process_sd: ArrayLike | None = None,
) -> FloatArray:
    """Compute the probability that a piece of this reading is inside ([1]_, section 7).

    Parameters
    ----------
    x, lower, upper, uncertainty
        Readings, limits and standard uncertainty as in `spc.capability.conformity`.
    process_mean, process_sd
        Mean and true standard deviation of the pieces, mm, which the reading then updates; without
        them the reading alone speaks.

    Returns
    -------
    ndarray
        Probability, shape (pieces, points); NaN where a reading, both limits or the uncertainty are
        missing.
    """
    x = readings(x)
    low, high = limits(lower, upper)
    u = np.asarray(uncertainty, dtype=np.float64)
    centre, spread = x, np.broadcast_to(u, x.shape)
    if process_mean is not None and process_sd is not None:
        own, mean = np.asarray(process_sd, np.float64) ** 2, np.asarray(process_mean, np.float64)
        centre = (x * own + mean * u**2) / (own + u**2)
        spread = np.sqrt(own * u**2 / (own + u**2))
    spread = np.where(spread > 0.0, spread, np.nan)
    inside = _between(
        (np.where(np.isnan(low), -np.inf, low) - centre) / spread,
        (np.where(np.isnan(high), np.inf, high) - centre) / spread,
    )
    return np.where(np.isfinite(low) | np.isfinite(high), inside, np.nan)


def decision_risks(
    mean: ArrayLike,
    sd: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    uncertainty: ArrayLike,
    *,
    factor: float = GUARD_FACTOR,
) -> Risks:
    """Compute what a guard band lets through and turns away, for normal pieces ([1]_, section 9).

    Parameters
    ----------
    mean, sd
        Mean and true standard deviation of the pieces (without the gauge's noise), shape (points,)
        or one number, mm.
    lower, upper
        Limits, mm; NaN for no limit.
    uncertainty
        Standard uncertainty of one reading, mm, above zero.
    factor
        Guard band in standard uncertainties; a reading within the acceptance limits is accepted.

    Returns
    -------
    Risks
        NaN where the mean, the spread, the uncertainty or both limits are missing.
    """
    low, high, mu, sigma, u = np.broadcast_arrays(*limits(lower, upper), mean, sd, uncertainty)
    some = (np.isfinite(low) | np.isfinite(high)) & (sigma > 0.0) & (u > 0.0) & np.isfinite(mu)
    sigma, u = np.where(some, sigma, np.nan), np.where(some, u, np.nan)
    # In units of the pieces' spread, from their mean; limits that do not exist are far away.
    far = 1e6
    a = np.where(np.isnan(low), -far, (low - mu) / sigma)
    b = np.where(np.isnan(high), far, (high - mu) / sigma)
    r = u / sigma
    accept = (
        a + np.where(np.isnan(low), 0.0, factor * r),
        b - np.where(np.isnan(high), 0.0, factor * r),
    )
    empty = accept[0] >= accept[1]
    total = np.sqrt(1.0 + r**2)
    accepted = _between(accept[0] / total, accept[1] / total)
    inside = _between(a, b)
    wrong = _accepted_beyond(a, accept, r, below=True) + _accepted_beyond(b, accept, r, below=False)
    accepted = np.where(some, np.where(empty, 0.0, accepted), np.nan)
    false_accept = np.where(some, np.where(empty, 0.0, wrong), np.nan)
    inside = np.where(some, inside, np.nan)
    return Risks(
        conforming=inside,
        accepted=accepted,
        false_accept=false_accept,
        # Inside is accepted or not: what of it is not accepted, without a second integral.
        false_reject=np.maximum(inside - (accepted - false_accept), 0.0),
        outside_among_accepted=np.where(
            accepted > 0.0, false_accept / np.where(accepted > 0.0, accepted, 1.0), np.nan
        ),
    )


def _between(a: FloatArray, b: FloatArray) -> FloatArray:
    """Share of a standard normal between two scores, from the nearer tail."""
    return np.asarray(
        np.where(a > 0.0, special.ndtr(-a) - special.ndtr(-b), special.ndtr(b) - special.ndtr(a))
    )


def _accepted_beyond(
    limit: FloatArray, accept: tuple[FloatArray, FloatArray], r: FloatArray, *, below: bool
) -> FloatArray:
    """Integrate over true values beyond a limit the chance that their reading is accepted.

    Beyond nine uncertainties of the acceptance limit, and nine spreads of the mean, there is
    nothing left to integrate (Gauss-Legendre, 96 points).
    """
    if below:
        start, end = np.maximum(accept[0] - _REACH * r, -_REACH), np.minimum(limit, _REACH)
    else:
        start, end = np.maximum(limit, -_REACH), np.minimum(accept[1] + _REACH * r, _REACH)
    half = 0.5 * np.maximum(end - start, 0.0)
    t = (start + half)[..., np.newaxis] + half[..., np.newaxis] * _NODES
    wide = r[..., np.newaxis]
    chance = _between(
        (accept[0][..., np.newaxis] - t) / wide, (accept[1][..., np.newaxis] - t) / wide
    )
    density = np.exp(-0.5 * t**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(half * ((chance * density) @ _WEIGHTS))
