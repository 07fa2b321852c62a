"""Readings, limits and batches that a statement by shapes is asked for, checked together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.batches import batch_codes
from spc.capability.bounds import check_level
from spc.capability.indices import readings
from spc.capability.point_indices import limits
from spc.capability.shapes import Shapes
from spc.errors import DataError

#: Fewer resamples than these say little of the ends of an interval.
FEWEST_RESAMPLES = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShapeReadings:
    """What was asked for.

    Parameters
    ----------
    x
        Readings, shape (pieces, points), mm; NaN is missing.
    low, high
        Limits, shape (points,), mm; NaN for none.
    codes
        Batch of each piece as a number, or None where pieces are independent.
    """

    x: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    codes: NDArray[np.int64] | None


def shape_readings(
    x: ArrayLike, lower: ArrayLike, upper: ArrayLike, shapes: Shapes, *, level: float,
    resamples: int, batch: Sequence[object] | NDArray[np.generic] | None,
) -> ShapeReadings:  # fmt: skip
    """Check readings against the shapes that were fitted to them.

    Raises
    ------
    DataError
        If shapes do not fit, a lower limit is not below its upper one, the level is no fraction, or
        there are fewer than `FEWEST_RESAMPLES`.
    """
    x = readings(x)
    check_level(level)
    if resamples < FEWEST_RESAMPLES:
        raise DataError(f"resamples must be at least {FEWEST_RESAMPLES}, not {resamples}")
    if x.shape[1] != len(shapes.family):
        raise DataError(f"readings of {x.shape[1]} points, but shapes of {len(shapes.family)}")
    low, high = (np.broadcast_to(limit, (x.shape[1],)) for limit in limits(lower, upper))
    codes = None if batch is None else batch_codes(batch, x.shape[0])
    return ShapeReadings(x=x, low=low, high=high, codes=codes)
