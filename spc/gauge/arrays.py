"""Arrays of a gauge study and the checks that every function of this package shares.

Measurements are float64 in millimetres, shape (rows, points), one row a hit (or a patch mean) and
one column a point of the plan; NaN is a missing value. Factors are integer codes, shape (rows,).
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import DataError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


def measurements(y: ArrayLike, *, name: str = "y") -> FloatArray:
    """Return measurements as float64 (rows, points); one point may be given as (rows,)."""
    array = np.asarray(y, dtype=np.float64)
    if array.ndim == 1:
        array = array[:, None]
    if array.ndim != 2:
        raise DataError(f"{name} must have shape (rows, points), not {array.shape}")
    if array.size == 0:
        raise DataError(f"{name} holds no measurement, shape {array.shape}")
    if np.isinf(array).any():
        raise DataError(f"{name} holds an infinite value; mark a missing value as NaN")
    return array


def codes(factor: ArrayLike, rows: int, *, name: str) -> IntArray:
    """Return a factor's levels renumbered 0, 1, 2 … in sorted order, shape (rows,)."""
    array: NDArray[Any] = np.asarray(factor)
    if array.shape != (rows,):
        raise DataError(f"{name} must have one code a row, shape ({rows},), not {array.shape}")
    if not np.issubdtype(array.dtype, np.integer):
        raise DataError(f"{name} must be whole-number codes, not {array.dtype}")
    return np.unique(array, return_inverse=True)[1].astype(np.int64)


def level_of(level: float) -> float:
    """Return a confidence level after checking that it lies between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise DataError(f"confidence level must lie between 0 and 1, not {level}")
    return level


def counted(number: int, *, name: str, least: int) -> int:
    """Return a count after checking that it is at least ``least``."""
    if int(number) != number or number < least:
        raise DataError(f"{name} must be a whole number of {least} or more, not {number}")
    return int(number)
