"""What may enter this package: shapes, finite numbers, unit normals, weights not negative."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import DataError

Array = NDArray[np.float64]

#: A normal's length may be off by this much from rounding in a plan; beyond it is a mistake.
NORMAL_SLACK = 0.1


def as_floats(values: ArrayLike, name: str) -> Array:
    """Return ``values`` as a float64 array that holds no infinity; NaN passes."""
    array = np.asarray(values, dtype=np.float64)
    if np.isinf(array).any():
        raise DataError(f"{name} holds an infinite value; every value must be finite or missing")
    return array


def as_plan(nominals: ArrayLike, normals: ArrayLike) -> tuple[Array, Array]:
    """Return nominal positions and normals of length one, both (points, 3).

    Raises
    ------
    DataError
        A wrong shape, a missing number, or a normal whose length is not 1 (within 10 %, which
        rounding in a plan can explain; the rest is normalised).
    """
    p, n = as_floats(nominals, "nominals"), as_floats(normals, "normals")
    if p.ndim != 2 or p.shape[1] != 3 or p.shape != n.shape:
        raise DataError(
            f"nominals and normals must both be (points, 3), not {p.shape} and {n.shape}"
        )
    if np.isnan(p).any() or np.isnan(n).any():
        raise DataError("nominals and normals must have no missing number")
    length = np.linalg.norm(n, axis=1)
    if (np.abs(length - 1.0) > NORMAL_SLACK).any():
        worst = int(np.argmax(np.abs(length - 1.0)))
        raise DataError(
            f"normal of point {worst} has length {length[worst]:g}; it must be 1 "
            f"(between {1 - NORMAL_SLACK:g} and {1 + NORMAL_SLACK:g})"
        )
    return p, n / length[:, None]


def as_points(points: ArrayLike, n_points: int) -> Array:
    """Return measured points (runs, points, 3); a point with any coordinate missing is all NaN."""
    m = as_floats(points, "points")
    if m.ndim != 3 or m.shape[1:] != (n_points, 3):
        raise DataError(f"points must be (runs, {n_points}, 3), not {m.shape}")
    return np.where(np.isnan(m).any(-1, keepdims=True), np.nan, m)


def as_weights(weights: ArrayLike, shape: tuple[int, ...]) -> Array:
    """Return weights broadcast to ``shape``, copied; each must be zero or above, none missing."""
    w = as_floats(weights, "weights")
    if np.isnan(w).any() or (w < 0.0).any():
        bad = w[np.isnan(w) | (w < 0.0)][0]
        raise DataError(f"a weight is {bad:g}; weights must be 0 or above")
    try:
        return np.broadcast_to(w, shape).copy()
    except ValueError:
        raise DataError(f"weights of shape {w.shape} do not fit {shape}") from None


def as_rows(values: ArrayLike, n_points: int, name: str = "deviations") -> Array:
    """Return ``values`` as (runs, points), NaN = missing."""
    d = as_floats(values, name)
    if d.ndim != 2 or d.shape[1] != n_points:
        raise DataError(f"{name} must be (runs, {n_points}), not {d.shape}")
    return d


def as_positive(value: float, name: str) -> float:
    """Return ``value`` if it is a finite number above zero."""
    number = float(value)
    if not (np.isfinite(number) and number > 0.0):
        raise DataError(f"{name} is {number:g}; it must be finite and above 0")
    return number


def as_fraction(value: float, name: str) -> float:
    """Return ``value`` if it lies strictly between 0 and 1."""
    number = float(value)
    if not 0.0 < number < 1.0:
        raise DataError(f"{name} is {number:g}; it must lie between 0 and 1")
    return number
