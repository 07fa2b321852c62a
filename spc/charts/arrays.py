"""The arrays that every chart takes: what is accepted, and where a chart must start afresh.

Values are ``(runs, points)`` float64, NaN where missing, in time order; a plain ``(runs,)``
array is taken as one point. ``spans`` is an integer label a run: where it changes (mould work, a
new arm, a new limit set) ranges, run rules and memories start afresh.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import DataError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

BLOCK = 1 << 17
"""Values worked on at a time: a megabyte, so that the steps of a chart stay in the cache."""


def matrix(x: ArrayLike, name: str = "x") -> Floats:
    """Return ``x`` as a float64 ``(runs, points)`` array; infinite values are refused."""
    a = np.asarray(x, dtype=np.float64)
    a = a[:, None] if a.ndim == 1 else a
    if a.ndim != 2:
        raise DataError(f"{name} must be (runs, points), not an array of {a.ndim} dimensions")
    if _any_infinite(a):
        raise DataError(f"{name} holds an infinite value; a missing value is NaN")
    return a


def _any_infinite(a: Floats) -> bool:
    return any(bool(np.isinf(a[rows]).any()) for rows, _ in row_blocks((a.shape[0], a.shape[1])))


def row_blocks(shape: tuple[int, int], overlap: int = 0) -> Iterator[tuple[slice, int]]:
    """Yield slices of neighbouring runs small enough for the processor's cache.

    Each comes with the number of its first rows that belong to the slice before it, at most
    ``overlap``.
    """
    step = max(overlap, BLOCK // max(shape[1], 1), 1)
    for start in range(0, shape[0], step):
        before = min(start, overlap)
        yield slice(start - before, min(start + step, shape[0])), before


def lost(missing: Bools) -> list[Ints]:
    """Return for each run the points whose value is missing, from ``(runs, points)``."""
    runs, points = missing.shape
    flat = np.flatnonzero(missing)
    edges = np.searchsorted(flat, np.arange(runs + 1) * points).tolist()
    columns = flat % max(points, 1)
    return [columns[i:j] for i, j in pairwise(edges)]


def rows_of(value: Floats, rows: slice) -> Floats:
    """Return the rows of a centre or sigma that may be one a run, or the same for all runs."""
    return value[rows] if value.ndim == 2 and value.shape[0] > 1 else value


def per_point(value: ArrayLike, shape: tuple[int, int], name: str) -> Floats:
    """Return a centre or sigma as an array that broadcasts to ``shape`` (runs, points)."""
    a = np.asarray(value, dtype=np.float64)
    try:
        np.broadcast_to(a, shape)
    except ValueError:
        raise DataError(f"{name} of shape {a.shape} does not fit values of shape {shape}") from None
    return a


def span_ages(spans: ArrayLike | None, runs: int) -> Ints:
    """Return how many runs of the same span stand directly before each run, ``(runs,)``."""
    index = np.arange(runs)
    if spans is None or runs == 0:
        return index
    labels = np.asarray(spans)
    if labels.shape != (runs,):
        raise DataError(f"spans must hold one label a run, shape ({runs},), not {labels.shape}")
    starts = np.concatenate([[True], labels[1:] != labels[:-1]])
    return index - np.maximum.accumulate(np.where(starts, index, 0))


def baseline_mask(baseline: ArrayLike | None, shape: tuple[int, int]) -> Bools:
    """Return a baseline as bool ``(runs, 1)`` or ``(runs, points)``; None takes every run."""
    if baseline is None:
        return np.ones((shape[0], 1), dtype=bool)
    mask: NDArray[Any] = np.asarray(baseline)
    if mask.dtype != np.bool_ or mask.shape not in ((shape[0],), shape):
        raise DataError(
            f"baseline must be true or false a run, shape ({shape[0]},) or {shape},"
            f" not {mask.dtype} of shape {mask.shape}"
        )
    return mask[:, None] if mask.ndim == 1 else mask


def require(ok: bool, name: str, value: object, allowed: str) -> None:
    """Raise DataError naming the value and what is allowed, unless ``ok``."""
    if not ok:
        raise DataError(f"{name} must be {allowed}, not {value}")
