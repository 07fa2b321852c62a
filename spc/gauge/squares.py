"""Sums of squares of a balanced study, from deviations that are centred first.

The data are moved to their first row before any mean is taken, so that a large constant part (a
coordinate of several metres, a certified data set with thirteen equal leading digits) costs no
digit that the input still has.
"""

import numpy as np

from spc.gauge.arrays import FloatArray

#: The terms of the model, from the innermost outwards; rows of every table of this package.
TERMS = ("hit", "setup", "operator_piece", "operator", "piece")
HIT, SETUP, OPERATOR_PIECE, OPERATOR, PIECE = range(5)


def deviations(box: FloatArray) -> tuple[FloatArray, ...]:
    """Return each term's deviations, scaled so that their squares add to its sum of squares.

    Parameters
    ----------
    box
        Measurements of a balanced study (pieces, operators, setups, hits, points).

    Returns
    -------
    tuple of arrays
        For each of `TERMS` an array (number, points); the five sums of squares add to the total.
    """
    p, o, s, n, points = box.shape
    y = box - box[:1, :1, :1, :1]
    y = y - y.mean(axis=(0, 1, 2, 3), keepdims=True)
    run = y.mean(axis=3, keepdims=True)
    cell = run.mean(axis=2, keepdims=True)
    piece, operator = cell.mean(axis=1, keepdims=True), cell.mean(axis=0, keepdims=True)
    parts = (
        y - run,
        np.sqrt(n) * (run - cell),
        np.sqrt(n * s) * (cell - piece - operator),
        np.sqrt(n * s * p) * operator,
        np.sqrt(n * s * o) * piece,
    )
    return tuple(part.reshape(-1, points) for part in parts)


def sums_of_squares(box: FloatArray) -> FloatArray:
    """Return the sums of squares of `TERMS`, shape (5, points).

    A sum below what double precision can hold of the data is returned as exactly zero, so that
    equal readings have no variance instead of a rounding error.
    """
    squares = np.stack([np.einsum("ij,ij->j", d, d) for d in deviations(box)])
    largest = np.abs(box).max(axis=(0, 1, 2, 3))
    rows = box[..., 0].size
    floor = rows * (4.0 * np.finfo(np.float64).eps * largest) ** 2
    return np.where(squares > floor, squares, 0.0)


def expected(p: int, o: int, s: int, n: int) -> FloatArray:
    """Return the expected mean squares as coefficients, rows mean squares, columns components.

    Standard results for random effects (for example Searle, Casella & McCulloch, Variance
    Components, 1992, section 4.3): E[MS] = table @ variances.
    """
    table = np.zeros((5, 5))
    table[:, HIT] = 1.0
    table[SETUP:, SETUP] = n
    table[OPERATOR_PIECE:, OPERATOR_PIECE] = n * s
    table[OPERATOR, OPERATOR] = n * s * p
    table[PIECE, PIECE] = n * s * o
    return table
