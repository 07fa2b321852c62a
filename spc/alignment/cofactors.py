"""How much of an error each residual shows: redundancy, and which residuals always move together.

For weighted least squares with the design matrix J and weights W, a residual is R times the
reading with R = I − J (JᵀWJ)⁻¹ JᵀW. The diagonal of R are the redundancy numbers; the covariance
of residuals for a reading of weight one with SD one is the cofactor matrix R W⁻¹.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.alignment.geometry import Holds

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A redundancy below this counts as none: the residual is zero whatever happens there.
REDUNDANCY_FLOOR = 1e-6
#: Residuals whose correlation is this close to ±1 cannot be told apart by any fit.
TIE_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cofactors:
    """Reliability of a stack of weightings; NaN at check points and where the rank is below 6.

    Parameters
    ----------
    leverage
        (k, points), share of a reading at the point that the pose follows; sums to 6.
    redundancy
        (k, points), share that its residual shows, 1 − leverage.
    cofactor
        (k, points, points), covariance of residuals at SD one of a weight-one reading.
    correlation
        (k, points, points); NaN also at points that the fit does not check.
    label
        (k, points), the lowest index of the points that cannot be told apart from this one;
        −1 at check points and points that the fit does not check.
    groups
        (k,), number of distinct residuals, points that cannot be told apart counted once.
    """

    leverage: Array
    redundancy: Array
    cofactor: Array
    correlation: Array
    label: Ints
    groups: Ints


def cofactors(held: Holds, tie_tolerance: float = TIE_TOLERANCE) -> Cofactors:
    """Return the reliability figures of each weighting of a plan."""
    w = held.weights
    fit = (w > 0.0) & (held.rank == 6)[:, None]
    leverage = np.where(fit, w * (held.lever**2).sum(-1), np.nan)
    redundancy = np.clip(1.0 - leverage, 0.0, 1.0)
    inverse = np.where(fit, 1.0 / np.where(fit, w, 1.0), np.nan)
    cofactor = -held.lever @ np.swapaxes(held.lever, -1, -2)
    cofactor += inverse[:, :, None] * np.eye(w.shape[1])
    cofactor = np.where(fit[:, :, None] & fit[:, None, :], cofactor, np.nan)
    tested = fit & (redundancy > REDUNDANCY_FLOOR)
    root = np.sqrt(np.where(tested, redundancy * inverse, np.nan))
    correlation = np.clip(cofactor / (root[:, :, None] * root[:, None, :]), -1.0, 1.0)
    label = _labels(correlation, tested, tie_tolerance)
    own = np.arange(w.shape[1])
    return Cofactors(
        leverage=leverage,
        redundancy=redundancy,
        cofactor=cofactor,
        correlation=correlation,
        label=label,
        groups=(label == own).sum(-1),
    )


def _labels(correlation: Array, tested: Bools, tolerance: float) -> Ints:
    if correlation.shape[-1] == 0:
        return np.zeros(tested.shape, dtype=np.int64)
    # A missing correlation compares as false, so untested points never join a group.
    tied = np.abs(correlation) >= 1.0 - tolerance
    tied |= np.eye(correlation.shape[-1], dtype=np.bool_)
    return np.where(tested, tied.argmax(-1), -1)
