"""Is this piece inside, given what the gauge does not know? Guard bands and their three zones.

References
----------
.. [1] ISO 14253-1:2017, Decision rules for verifying conformity or nonconformity with
   specifications (default rule: 95 % probability of conformity; from memory of the standard).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.indices import readings
from spc.capability.point_indices import limits
from spc.errors import DataError

FloatArray = NDArray[np.float64]
Zones = NDArray[np.int8]

#: The three zones of ISO 14253-1, and a reading that is missing or has nothing to be judged by.
CONFORMS, NOT_PROVEN, DOES_NOT_CONFORM, NOT_JUDGED = 1, 0, -1, -2

#: Standard uncertainties of guard band at each limit: 95 % one-sided, the default of ISO
#: 14253-1:2017. The expanded uncertainty of the earlier edition is 2.
GUARD_FACTOR = 1.645


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conformity:
    """Zone of every reading, and the rule that was used.

    Parameters
    ----------
    zone
        `CONFORMS`, `NOT_PROVEN`, `DOES_NOT_CONFORM` or `NOT_JUDGED`, shape (pieces, points).
    conforming, not_proven, not_conforming
        Number of readings in each zone, shape (points,).
    accept_low, accept_high
        Limits of acceptance: the tolerance less the guard band, shape (points,), mm; NaN for none.
    reject_low, reject_high
        Limits beyond which a reading does not conform: the tolerance plus the guard band.
    guard
        Guard band at each limit, shape (points,), mm.
    guard_of_tolerance
        Guard band at one limit over the tolerance; NaN with one limit.
    factor
        Guard band in standard uncertainties.
    rule
        The rule in words that a page can print.
    note
        Plain words a point, empty where there is nothing to say.
    """

    zone: Zones
    conforming: NDArray[np.int64]
    not_proven: NDArray[np.int64]
    not_conforming: NDArray[np.int64]
    accept_low: FloatArray
    accept_high: FloatArray
    reject_low: FloatArray
    reject_high: FloatArray
    guard: FloatArray
    guard_of_tolerance: FloatArray
    factor: float
    rule: str
    note: tuple[str, ...]


def conformity(
    x: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    uncertainty: ArrayLike,
    *,
    factor: float = GUARD_FACTOR,
) -> Conformity:
    """Put every reading into its zone [1]_.

    Parameters
    ----------
    x
        Readings, shape (pieces, points), mm; NaN is missing. One dimension is one point.
    lower, upper
        Limits, shape (points,) or one number, mm; NaN for no limit.
    uncertainty
        Standard uncertainty (k = 1) of one reading, shape (points,) or one number, mm; NaN where it
        is not known, and then nothing is judged.
    factor
        Guard band in standard uncertainties; 0 is plain acceptance.

    Raises
    ------
    DataError
        If a lower limit is not below its upper one, or ``factor`` or an uncertainty is below zero.
    """
    x = readings(x)
    points = x.shape[1]
    low, high = (np.broadcast_to(limit, (points,)) for limit in limits(lower, upper))
    u = np.broadcast_to(np.asarray(uncertainty, dtype=np.float64), (points,))
    if factor < 0.0 or (u < 0.0).any():
        raise DataError(f"guard factor ({factor}) and uncertainties must not be below 0")
    guard = factor * u
    accept, reject = (low + guard, high - guard), (low - guard, high + guard)
    zone = _zones(x, accept, reject, guard)
    return Conformity(
        zone=zone,
        conforming=(zone == CONFORMS).sum(axis=0),
        not_proven=(zone == NOT_PROVEN).sum(axis=0),
        not_conforming=(zone == DOES_NOT_CONFORM).sum(axis=0),
        accept_low=accept[0],
        accept_high=accept[1],
        reject_low=reject[0],
        reject_high=reject[1],
        guard=guard,
        guard_of_tolerance=guard / (high - low),
        factor=factor,
        rule=(
            f"Guard band of {factor:g} standard uncertainties at each limit (ISO 14253-1): "
            "inside by more conforms, outside by more does not, between is not proven."
        ),
        note=tuple(
            _note(bool(np.isnan(low[j]) and np.isnan(high[j])), float(u[j]), *band)
            for j, band in enumerate(zip(*accept, strict=True))
        ),
    )


def _zones(
    x: FloatArray,
    accept: tuple[FloatArray, FloatArray],
    reject: tuple[FloatArray, FloatArray],
    guard: FloatArray,
) -> Zones:
    """Compare with both limits; a limit that does not exist lets everything pass."""
    out = (x < reject[0]) | (x > reject[1])
    near = (x < accept[0]) | (x > accept[1])
    unlimited = np.isnan(accept[0]) & np.isnan(accept[1])
    zone = np.where(out, DOES_NOT_CONFORM, np.where(near, NOT_PROVEN, CONFORMS))
    zone = np.where(np.isnan(x) | unlimited | np.isnan(guard), NOT_JUDGED, zone)
    return zone.astype(np.int8)


def _note(untoleranced: bool, u: float, accept_low: float, accept_high: float) -> str:
    if untoleranced:
        return "No tolerance: nothing to conform to."
    if np.isnan(u):
        return "Uncertainty not known: conformity cannot be judged."
    if accept_low > accept_high:
        return "The guard bands leave no zone of acceptance: this gauge cannot prove conformity."
    return ""
