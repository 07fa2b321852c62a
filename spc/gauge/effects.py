"""Fixed effects that show in a set of rows: sums of squares in the order given, all points at once.

For a first look at what may matter besides the sources of a study: station, probe, day, or the
order of trials (a soft part creeps or relaxes while it is measured).

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sections 3.2.3 and 3.5.2.
.. [2] G. A. F. Seber, A. J. Lee, Linear Regression Analysis, 2nd ed. 2003, section 4.2.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, level_of, measurements
from spc.gauge.band import Band


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """Sums of squares that each effect adds to those before it, at each point.

    Parameters
    ----------
    terms
        Effects in the order given.
    squares
        Sum of squares of each, (terms, points), mm².
    dof
        Degrees of freedom of each, (terms,); 0 where it adds nothing to those before.
    f, p
        F against what is left and its upper tail, (terms, points).
    residual, residual_dof
        Mean square left over, (points,), mm², and its degrees of freedom.
    """

    terms: tuple[str, ...]
    squares: FloatArray
    dof: FloatArray
    f: FloatArray
    p: FloatArray
    residual: FloatArray
    residual_dof: float


def sequential_effects(y: ArrayLike, effects: Mapping[str, ArrayLike]) -> Effects:
    """Return the sum of squares that each effect adds to those before it [2]_.

    Parameters
    ----------
    y
        Measurements in mm, (rows, points) or (rows,), without missing values.
    effects
        In order: whole-number codes for a factor of separate levels, floating numbers for a
        straight-line effect, (rows,) each.

    Returns
    -------
    Effects
        In a balanced layout the order of effects does not matter.

    Raises
    ------
    DataError
        Where a value is missing, shapes do not fit, or no row is left over for the residual.
    """
    array = measurements(y)
    if np.isnan(array).any():
        raise DataError("a value is missing: leave out its row or its point")
    left = array - array[:1]
    left = left - left.mean(axis=0)
    rows = array.shape[0]
    basis = np.full((rows, 1), 1.0 / np.sqrt(rows))
    squares, dof = [], []
    for name, effect in effects.items():
        new = _new_directions(_columns(effect, rows, name), basis)
        part = new.T @ left
        squares.append(np.square(part).sum(axis=0))
        dof.append(float(new.shape[1]))
        left = left - new @ part
        basis = np.concatenate([basis, new], axis=1)
    residual_dof = rows - basis.shape[1]
    if residual_dof < 1:
        raise DataError(f"{rows} rows are all used up by the effects: nothing is left to compare")
    return _table(tuple(effects), np.stack(squares), np.array(dof), left, residual_dof)


def order_effect(
    y: ArrayLike, cell: ArrayLike, order: ArrayLike, *, level: float = 0.95
) -> tuple[Band, FloatArray]:
    """Return the trend over trials inside cells, and its two-sided probability by chance.

    Each cell (a piece, or a piece and operator) has its own level; what is left is one straight
    line over the order of its trials: creep or relaxation of a soft part, or a learning operator.

    Parameters
    ----------
    y
        Measurements in mm, (rows, points), without missing values.
    cell
        Whole-number codes, (rows,).
    order
        Place of each row in the order of trials, or its time, (rows,).
    level
        Confidence level as a fraction.

    Returns
    -------
    Band, array (points,)
        Change in mm for a step of one in ``order``.
    """
    array, level = measurements(y), level_of(level)
    step = np.asarray(order, dtype=np.float64)
    table = sequential_effects(array, {"cell": np.asarray(cell), "order": step})
    if table.dof[1] == 0:
        raise DataError("the order does not change inside any cell: no trend to be seen")
    inside = _new_directions(
        _columns(cell, array.shape[0], "cell"), np.ones((step.size, 1)) / np.sqrt(step.size)
    )
    base = step - step.mean()
    base = base - inside @ (inside.T @ base)
    width = float(base @ base)
    slope = base @ (array - array[:1]) / width
    quantile = float(special.stdtrit(table.residual_dof, (1.0 + level) / 2.0))
    half = quantile * np.sqrt(table.residual / width)
    band = Band(value=slope, low=slope - half, high=slope + half, level=level, method="t interval")
    return band, table.p[1]


def _columns(effect: ArrayLike, rows: int, name: str) -> FloatArray:
    column = np.asarray(effect)
    if column.shape != (rows,):
        raise DataError(f"{name} must have one entry a row, shape ({rows},), not {column.shape}")
    if np.issubdtype(column.dtype, np.integer):
        code = np.unique(column, return_inverse=True)[1]
        return np.asarray(np.eye(int(code.max()) + 1)[code], dtype=np.float64)
    line = column.astype(np.float64)
    if not np.isfinite(line).all():
        raise DataError(f"{name} holds a value that is not finite")
    return np.asarray(line - line.mean(), dtype=np.float64)[:, None]


def _new_directions(columns: FloatArray, basis: FloatArray) -> FloatArray:
    """Return an orthonormal basis of what the columns add to those before."""
    length = np.sqrt(np.square(columns).sum(axis=0))
    rest = columns - basis @ (basis.T @ columns)
    rest = rest - basis @ (basis.T @ rest)  # a second pass takes out what rounding left
    directions, size, _ = np.linalg.svd(rest, full_matrices=False)
    return np.asarray(directions[:, size > 1e-9 * max(length.max(), 1e-300)], dtype=np.float64)


def _table(
    terms: tuple[str, ...], squares: FloatArray, dof: FloatArray, left: FloatArray, rest: int
) -> Effects:
    residual = np.square(left).sum(axis=0) / rest
    with np.errstate(divide="ignore", invalid="ignore"):  # an effect without dof; no scatter left
        f = np.where(dof[:, None] > 0, squares / dof[:, None] / residual, np.nan)
    p = special.fdtrc(np.maximum(dof, 1.0)[:, None], float(rest), f)
    return Effects(
        terms=terms,
        squares=squares,
        dof=dof,
        f=f,
        p=np.asarray(np.where(np.isposinf(f), 0.0, p), dtype=np.float64),
        residual=residual,
        residual_dof=float(rest),
    )
