"""How a study was laid out: its counts, whether it is balanced, and its rows in order."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.gauge.arrays import BoolArray, FloatArray, IntArray, codes


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Counts of a study with set-ups nested in piece and operator, hits nested in set-up.

    Parameters
    ----------
    pieces, operators
        Number of different pieces and of different operators.
    setups
        Set-ups (re-alignments) in each cell of piece and operator; the largest where they differ.
    hits
        Hits or re-probes in each set-up; the largest where they differ.
    cells
        Cells of piece and operator that hold any row.
    runs
        Set-ups in all.
    rows
        Rows in all.
    balanced
        True where every piece met every operator with equally many set-ups of equally many hits.
    """

    pieces: int
    operators: int
    setups: int
    hits: int
    cells: int
    runs: int
    rows: int
    balanced: bool

    def dof(self) -> FloatArray:
        """Return degrees of freedom of hit, setup, operator_piece, operator, piece, shape (5,)."""
        p, o, s, n = self.pieces, self.operators, self.setups, self.hits
        rows = [p * o * s * (n - 1), p * o * (s - 1), (p - 1) * (o - 1), o - 1, p - 1]
        return np.array(rows, dtype=np.float64)

    def in_words(self) -> str:
        """Return the design as a phrase: ``10 pieces x 3 operators x 2 set-ups x 3 hits``."""
        size = (
            f"{_many(self.pieces, 'piece')} x {_many(self.operators, 'operator')} x "
            f"{_many(self.setups, 'set-up')} x {_many(self.hits, 'hit')}"
        )
        return size if self.balanced else f"{size} at most, unbalanced, {self.rows} rows"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Codes of a study's rows and the order that makes a balanced study a box.

    Parameters
    ----------
    piece, operator, cell, run
        Codes of each row, counted from 0, shape (rows,); ``cell`` is piece and operator together,
        ``run`` the set-up within it.
    order
        Order of rows sorted by piece, operator, set-up, shape (rows,).
    counts
        Counts of the study.
    """

    piece: IntArray
    operator: IntArray
    cell: IntArray
    run: IntArray
    order: IntArray
    counts: Counts

    def box(self, y: FloatArray) -> FloatArray:
        """Return rows of a balanced study as (pieces, operators, setups, hits, points)."""
        c = self.counts
        return y[self.order].reshape(c.pieces, c.operators, c.setups, c.hits, y.shape[1])


def lay_out(piece: ArrayLike, operator: ArrayLike, setup: ArrayLike, rows: int) -> Layout:
    """Return the layout of a study from its codes.

    A set-up's code need only be unique within its piece and operator: number 1 of one piece is
    another set-up than number 1 of the next.

    Parameters
    ----------
    piece, operator, setup
        Whole-number codes, shape (rows,).
    rows
        Number of rows.

    Returns
    -------
    Layout

    Raises
    ------
    DataError
        Where a factor has another length than ``rows`` or is not of whole numbers.
    """
    piece, operator = codes(piece, rows, name="piece"), codes(operator, rows, name="operator")
    setup = codes(setup, rows, name="setup")
    cell = piece * (operator.max() + 1) + operator
    key = cell * (setup.max() + 1) + setup
    first, run = np.unique(key, return_index=True, return_inverse=True)[1:]
    return Layout(
        piece=piece,
        operator=operator,
        cell=np.unique(cell, return_inverse=True)[1].astype(np.int64),
        run=run.astype(np.int64),
        order=np.argsort(key, kind="stable").astype(np.int64),
        counts=_counts(piece, operator, cell, first, run),
    )


def complete(y: FloatArray) -> BoolArray:
    """Return which points miss no value, shape (points,)."""
    return np.asarray(~np.isnan(y).any(axis=0), dtype=np.bool_)


def _counts(
    piece: IntArray, operator: IntArray, cell: IntArray, first: IntArray, run: IntArray
) -> Counts:
    setups = np.unique(cell[first], return_counts=True)[1]
    hits = np.bincount(run)
    pieces, operators = int(piece.max()) + 1, int(operator.max()) + 1
    even = bool((setups == setups[0]).all() and (hits == hits[0]).all())
    return Counts(
        pieces=pieces,
        operators=operators,
        setups=int(setups.max()),
        hits=int(hits.max()),
        cells=setups.size,
        runs=hits.size,
        rows=piece.size,
        balanced=even and setups.size == pieces * operators,
    )


def _many(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")
