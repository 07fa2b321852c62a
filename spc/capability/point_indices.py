"""The indices themselves: a mean, a standard deviation and two limits in, ratios out.

References
----------
.. [1] ISO 22514-2, Statistical methods in process management: capability and performance (Cp, Cpk,
   Pp, Ppk; from memory of the standard).
.. [2] Boyles (1991), The Taguchi capability index, Journal of Quality Technology 23, 17-26 (Cpm).
.. [3] Chan, Cheng & Spiring (1988), A new measure of process capability: Cpm, Journal of Quality
   Technology 20, 162-175 (the target off the middle of the tolerance).
.. [4] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.1.6 (k).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import DataError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointIndices:
    """Indices of a known mean and standard deviation; arrays of shape (points,).

    Parameters
    ----------
    potential
        Tolerance over six standard deviations (Cp or Pp); NaN with one limit.
    lower_side, upper_side
        Distance of the mean from that limit over three standard deviations; NaN without the limit.
    nearer
        The smaller of the two (Cpk or Ppk).
    on_target
        Potential with the spread taken about the target (Cpm); with the target off the middle, its
        nearer side counts.
    nearer_on_target
        Nearer side over three spreads about the target (Cpkm, also Cpmk).
    off_centre
        k: distance of the mean from the middle over half the tolerance; NaN with one limit.
    """

    potential: FloatArray
    lower_side: FloatArray
    upper_side: FloatArray
    nearer: FloatArray
    on_target: FloatArray
    nearer_on_target: FloatArray
    off_centre: FloatArray


def point_indices(
    mean: ArrayLike,
    sd: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    target: ArrayLike | None = None,
) -> PointIndices:
    """Compute the indices of a known mean and standard deviation [1]_.

    Parameters
    ----------
    mean, sd
        Shape (points,), mm. A spread that is not above zero gives NaN.
    lower, upper
        Limits, mm; NaN or infinite where there is none.
    target
        Target, mm; the middle of the tolerance where not given.

    Returns
    -------
    PointIndices

    Raises
    ------
    DataError
        If a lower limit is not below its upper limit.

    Examples
    --------
    The handbook's example [4]_:

    >>> found = point_indices(16.0, 2.0, 8.0, 20.0)
    >>> print(f"{found.potential:.4f} {found.nearer:.4f} {found.off_centre:.4f}")
    1.0000 0.6667 0.3333
    """
    lower, upper = limits(lower, upper)
    mean, sd = np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64)
    sd = np.where(sd > 0.0, sd, np.nan)
    middle = 0.5 * (lower + upper)
    aim = middle if target is None else np.asarray(target, dtype=np.float64)
    about = np.sqrt(sd**2 + (mean - aim) ** 2)
    below, above = mean - lower, upper - mean
    return PointIndices(
        potential=(upper - lower) / (6.0 * sd),
        lower_side=below / (3.0 * sd),
        upper_side=above / (3.0 * sd),
        nearer=np.fmin(below, above) / (3.0 * sd),
        on_target=np.minimum(upper - aim, aim - lower) / (3.0 * about),
        nearer_on_target=np.fmin(below, above) / (3.0 * about),
        off_centre=np.abs(mean - middle) / (0.5 * (upper - lower)),
    )


def limits(lower: ArrayLike, upper: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return both limits as floats, NaN for none; refuse a lower limit not below its upper one."""
    low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    low, high = np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)
    low, high = np.broadcast_arrays(low, high)
    wrong = np.flatnonzero(low >= high)
    if wrong.size:
        at = wrong[0]
        raise DataError(
            f"lower limit {low.flat[at]:g} is not below upper limit {high.flat[at]:g} at point {at}"
        )
    return low, high
