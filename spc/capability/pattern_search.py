"""Search for the largest value of a function of two numbers, at every point at once.

The function is looked at on a coarse grid, then at the eight neighbours of the best place and at
the top of the parabola through the nine. Where no neighbour is better than the middle, they move in
(pattern search, Hooke & Jeeves 1961, with Newton's step). No slope is needed; points that are done
drop out of the work.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Box = tuple[tuple[float, float], tuple[float, float]]
#: The function: two numbers at each of some points, and which points these are.
Value = Callable[[FloatArray, FloatArray, IntArray], FloatArray]

_GRID = 7
_FIRST_STEP, _LAST_STEP = 0.5, 0.004
# What the step is multiplied by where a neighbour is best, the parabola's top, or neither.
_GO_ON, _MOVE_IN, _STUCK = 1.0, 0.5, 0.25
_FARTHEST = 8.0
_MOST_ROUNDS = 60
_NEIGHBOURS = tuple((i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0))


def search(
    value: Value, box: Box, points: int, start: tuple[FloatArray, FloatArray] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Find the place of the largest value inside a box, for every point.

    Parameters
    ----------
    value
        The function; NaN counts as worst.
    box
        Least and largest value of each number.
    points
        Number of points.
    start
        Places to start from; without them the grid is looked at.

    Returns
    -------
    a, b
        Best places, shape (points,), to 0.004.
    """
    every = np.arange(points)
    if start is None:
        a, b, best = _on_grid(value, box, every)
        step = np.full(points, (box[0][1] - box[0][0]) / (2.0 * _GRID))
    else:
        a, b = (np.clip(s, *edge) for s, edge in zip(start, box, strict=True))
        best, step = _worst(value(a, b, every)), np.full(points, _FIRST_STEP)
    for _ in range(_MOST_ROUNDS):
        at = every[step > _LAST_STEP]
        if not at.size:
            break
        a[at], b[at], best[at], factor = _round(value, box, (a[at], b[at], best[at]), step[at], at)
        step[at] = factor * step[at]
    return a, b


def _on_grid(value: Value, box: Box, every: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    best = np.full(every.size, -np.inf)
    a, b = np.full(every.size, np.mean(box[0])), np.full(every.size, np.mean(box[1]))
    for i in np.linspace(*box[0], _GRID):
        for j in np.linspace(*box[1], _GRID):
            found = _worst(value(np.full(every.size, i), np.full(every.size, j), every))
            better = found > best
            a, b = np.where(better, i, a), np.where(better, j, b)
            best = np.where(better, found, best)
    return a, b, best


def _round(
    value: Value,
    box: Box,
    place: tuple[FloatArray, FloatArray, FloatArray],
    step: FloatArray,
    at: IntArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the best place looked at, its value, and what to multiply the step by."""
    a, b, best = place
    found_a, found_b, found = place
    around = {(0, 0): best}
    for i, j in _NEIGHBOURS:
        near_a, near_b = np.clip(a + i * step, *box[0]), np.clip(b + j * step, *box[1])
        around[i, j] = tried = _worst(value(near_a, near_b, at))
        better = tried > found
        found_a, found_b = np.where(better, near_a, found_a), np.where(better, near_b, found_b)
        found = np.where(better, tried, found)
    inside = found <= best
    top = _top(around)
    near_a, near_b = np.clip(a + top[0] * step, *box[0]), np.clip(b + top[1] * step, *box[1])
    tried = _worst(value(near_a, near_b, at))
    better = tried > found
    return (
        np.where(better, near_a, found_a),
        np.where(better, near_b, found_b),
        np.where(better, tried, found),
        np.where(inside, np.where(better, _MOVE_IN, _STUCK), _GO_ON),
    )


def _top(f: dict[tuple[int, int], FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Find the top of the parabola through nine values, in steps from the middle; 0 for no top."""
    finite = np.all([np.isfinite(v) for v in f.values()], axis=0)
    g = {k: np.where(finite, v, 0.0) for k, v in f.items()}
    slope_a, slope_b = 0.5 * (g[1, 0] - g[-1, 0]), 0.5 * (g[0, 1] - g[0, -1])
    bend_a, bend_b = g[1, 0] - 2 * g[0, 0] + g[-1, 0], g[0, 1] - 2 * g[0, 0] + g[0, -1]
    twist = 0.25 * (g[1, 1] - g[1, -1] - g[-1, 1] + g[-1, -1])
    bend = bend_a * bend_b - twist**2
    has_top = (bend > 0.0) & (bend_a < 0.0)
    bend = np.where(has_top, bend, 1.0)
    move_a = (twist * slope_b - bend_b * slope_a) / bend
    move_b = (twist * slope_a - bend_a * slope_b) / bend
    # Shortened along its own direction, or a narrow crooked ridge could not be followed.
    short = _FARTHEST / np.maximum(np.maximum(np.abs(move_a), np.abs(move_b)), _FARTHEST)
    return np.where(has_top, short * move_a, 0.0), np.where(has_top, short * move_b, 0.0)


def _worst(value: FloatArray) -> FloatArray:
    return np.where(np.isnan(value), -np.inf, value)
