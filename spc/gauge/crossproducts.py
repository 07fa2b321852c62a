"""A study boiled down to the small cross-products that its restricted likelihood needs.

Rows are first reduced to cells (equal levels of every factor): their means and the squares within
them hold all that the data say. A factor with one level a cell (the set-up, as a rule) only adds to
the cells' own variance, so the matrices that are solved have the size of the wider factors.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, IntArray

#: Levels of all wider factors together; beyond, one point's matrices would fill the memory.
MOST_LEVELS = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """Cross-products of one study, points side by side.

    Parameters
    ----------
    names
        Sources in the order of a variance vector: residual, then the factor with one level a cell
        where there is one, then the wider ones.
    per_cell
        True where the second source is such a factor.
    hits
        Rows in a cell of each class of cells, (classes,).
    cells
        Number of cells of each class, (classes,).
    blocks
        Columns of each wider factor in the cross-products.
    products
        U'U of each class, U = [1, Z of the wider factors], (classes, m, m).
    sums
        U'ȳ of each class, (classes, m, points).
    squares
        Σ ȳ² of each class, (classes, points).
    within
        Squares within cells, (points,).
    within_dof
        Their degrees of freedom.
    """

    names: tuple[str, ...]
    per_cell: bool
    hits: FloatArray
    cells: FloatArray
    blocks: tuple[slice, ...]
    products: FloatArray
    sums: FloatArray
    squares: FloatArray
    within: FloatArray
    within_dof: float


def problem(y: FloatArray, factors: Mapping[str, IntArray], residual: str) -> Problem:
    """Return the cross-products of a study without missing values.

    Parameters
    ----------
    y
        Measurements (rows, points), centred by the caller.
    factors
        Codes of the separable factors, from 0, outermost first.
    residual
        Name of the residual source.
    """
    table = np.stack(list(factors.values()), axis=1) if factors else np.zeros((len(y), 1), int)
    first, cell = np.unique(table, axis=0, return_index=True, return_inverse=True)[1:]
    cell = cell.reshape(-1)
    hits = np.bincount(cell)
    mean = _sum_by(cell, y, hits.size) / hits[:, None]
    alone = [name for name, code in factors.items() if code.max() + 1 == hits.size]
    wide = {name: code[first] for name, code in factors.items() if name not in alone[:1]}
    levels = sum(int(code.max()) + 1 for code in wide.values())
    if levels > MOST_LEVELS:
        raise DataError(
            f"{levels} levels of {', '.join(wide)} are more than {MOST_LEVELS}: take fewer pieces, "
            "or make the study balanced and use analysis of variance"
        )
    design, blocks = _design(wide, hits.size)
    classes, of_cell = np.unique(hits, return_inverse=True)
    parts = [(design[of_cell == c], mean[of_cell == c]) for c in range(classes.size)]
    return Problem(
        names=(residual, *alone[:1], *wide),
        per_cell=bool(alone),
        hits=classes.astype(np.float64),
        cells=np.bincount(of_cell).astype(np.float64),
        blocks=blocks,
        products=np.stack([u.T @ u for u, _ in parts]),
        sums=np.stack([u.T @ m for u, m in parts]),
        squares=np.stack([np.square(m).sum(axis=0) for _, m in parts]),
        within=np.square(y - mean[cell]).sum(axis=0),
        within_dof=float(len(y) - hits.size),
    )


def _design(wide: Mapping[str, IntArray], cells: int) -> tuple[FloatArray, tuple[slice, ...]]:
    parts, blocks, start = [np.ones((cells, 1))], list[slice](), 1
    for code in wide.values():
        levels = int(code.max()) + 1
        parts.append(np.eye(levels)[code])
        blocks.append(slice(start, start + levels))
        start += levels
    return np.concatenate(parts, axis=1), tuple(blocks)


def _sum_by(code: IntArray, y: FloatArray, levels: int) -> FloatArray:
    """Return sums of rows with the same code, (levels, points)."""
    order = np.argsort(code, kind="stable")
    starts = np.searchsorted(code[order], np.arange(levels))
    return np.asarray(np.add.reduceat(y[order], starts, axis=0), dtype=np.float64)
