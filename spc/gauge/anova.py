"""Analysis of variance of a balanced crossed study, all points at once.

Model y = μ + P + O + PO + S(PO) + H: pieces crossed with operators, set-ups (remove, re-seat,
re-align) nested in each piece and operator, hits nested in each set-up, all random.

References
----------
.. [1] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, Wiley 1992, chapter 4.
.. [2] R. K. Burdick, C. M. Borror, D. C. Montgomery, Design and Analysis of Gauge R&R Studies,
   SIAM/ASA 2005.
.. [3] AIAG, Measurement Systems Analysis, 4th ed. 2010 (pooling of an interaction with p > 0.25).
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import BoolArray, FloatArray, IntArray, measurements
from spc.gauge.layout import Counts, Layout, complete, lay_out
from spc.gauge.separation import SPOKEN, Merged, merged_terms
from spc.gauge.squares import (
    HIT,
    OPERATOR,
    OPERATOR_PIECE,
    PIECE,
    SETUP,
    TERMS,
    expected,
    sums_of_squares,
)
from spc.gauge.study import CrossedStudy

Pool = Literal["auto", "never", "always"]


def crossed_study(
    y: ArrayLike,
    piece: ArrayLike,
    operator: ArrayLike,
    setup: ArrayLike,
    *,
    pool: Pool = "auto",
    pool_above: float = 0.25,
) -> CrossedStudy:
    """Return mean squares and variance components of a balanced crossed study.

    Parameters
    ----------
    y
        Measurements in mm, shape (rows, points) or (rows,).
    piece, operator, setup
        Whole-number codes, shape (rows,). A set-up's code need only be unique within its piece and
        operator.
    pool
        ``auto`` pools operator by piece into re-alignment at each point where its p is above
        ``pool_above`` [3]_; ``never`` and ``always`` do as they say. Nothing is pooled where
        each piece and operator has one set-up only, since the two are then one already.
    pool_above
        The p above which ``auto`` pools.

    Returns
    -------
    CrossedStudy

    Raises
    ------
    DataError
        Where shapes or codes do not fit, the study is not balanced, or a value is missing.
    """
    array, layout = balanced(y, piece, operator, setup)
    squares = sums_of_squares(layout.box(array))
    return from_squares(
        squares, layout.counts, array.mean(axis=0), pool=pool, pool_above=pool_above
    )


def balanced(
    y: ArrayLike, piece: ArrayLike, operator: ArrayLike, setup: ArrayLike
) -> tuple[FloatArray, Layout]:
    """Return checked measurements and their layout; an unbalanced study is refused in words."""
    array = measurements(y)
    layout = lay_out(piece, operator, setup, array.shape[0])
    _refuse_unbalanced(array, layout)
    return array, layout


def from_squares(
    squares: FloatArray,
    counts: Counts,
    mean: FloatArray,
    *,
    pool: Pool = "auto",
    pool_above: float = 0.25,
    dof: FloatArray | None = None,
) -> CrossedStudy:
    """Return the study from its sums of squares.

    Parameters
    ----------
    squares
        Sums of squares of the terms, shape (5, points), mm².
    counts
        Counts of a balanced study.
    mean
        Mean of each point, shape (points,), mm.
    pool, pool_above
        As in `crossed_study`.
    dof
        Degrees of freedom of each sum of squares (5, points); those of the counts where None.

    Returns
    -------
    CrossedStudy
    """
    if pool not in ("auto", "never", "always"):
        raise DataError(f"pool must be 'auto', 'never' or 'always', not '{pool}'")
    size = (counts.pieces, counts.operators, counts.setups, counts.hits)
    if dof is None:
        dof = np.broadcast_to(counts.dof()[:, None], squares.shape).copy()
    table, merged = expected(*size), merged_terms(counts)
    mean_squares = _mean_squares(squares, dof)
    f, p = _tests(mean_squares, dof)
    pooled = _pooled(dof, p[OPERATOR_PIECE], pool, pool_above)
    used_squares, used_dof = _pool(squares, dof, pooled)
    used = _mean_squares(used_squares, used_dof)
    f_used, p_used = _tests(used, used_dof)
    f_used[OPERATOR_PIECE], p_used[OPERATOR_PIECE] = f[OPERATOR_PIECE], p[OPERATOR_PIECE]
    raw = _components(used, table, pooled, merged)
    return CrossedStudy(
        mean_squares=mean_squares,
        dof=dof,
        used_mean_squares=used,
        used_dof=used_dof,
        f=f_used,
        p=p_used,
        raw=raw,
        variance=np.where(np.isnan(raw), np.nan, np.fmax(raw, 0.0)),
        negative=raw < 0,
        pooled=pooled,
        expected=table,
        mean=np.asarray(mean, dtype=np.float64),
        counts=counts,
        merged=merged,
        notes=_notes(merged, raw, pooled, pool, pool_above, counts),
    )


def weights(study: CrossedStudy) -> FloatArray:
    """Return each component as weights of the used mean squares, (components, rows, points).

    Zero for a component that is merged or pooled away.
    """
    _, rows = _beneath(study.used_mean_squares)
    table = np.zeros((5, *study.used_mean_squares.shape))
    gone = {m.name for m in study.merged}
    for k, name in enumerate(TERMS):
        if name in gone:
            continue
        here = np.where(study.used_dof[k] > 0, 1.0 / study.expected[k, k], 0.0)
        table[k, k] = here
        for lower in range(k):
            table[k, lower] -= np.where(rows[k] == lower, here, 0.0)
    return table


def _refuse_unbalanced(y: FloatArray, layout: Layout) -> None:
    if not layout.counts.balanced:
        raise DataError(
            f"the study is unbalanced ({layout.counts.in_words()}): analysis of variance needs "
            "equal counts; use restricted maximum likelihood"
        )
    missing = int((~complete(y)).sum())
    if missing:
        raise DataError(
            f"{missing} of {y.shape[1]} points miss a value: analysis of variance needs all of "
            "them; use restricted maximum likelihood"
        )


def _mean_squares(squares: FloatArray, dof: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):  # a term without dof has no mean square
        return np.where(dof > 0, squares / dof, np.nan)


def _beneath(table: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return the mean square beneath each one and which row it came from (-1: there is none)."""
    rows = np.full(table.shape, -1, dtype=np.int64)
    have = ~np.isnan(table)
    for lower, uppers in (
        (HIT, (SETUP, OPERATOR_PIECE, OPERATOR, PIECE)),
        (SETUP, (OPERATOR_PIECE, OPERATOR, PIECE)),
        (OPERATOR_PIECE, (OPERATOR, PIECE)),
    ):
        for upper in uppers:
            rows[upper, have[lower]] = lower
    value = np.take_along_axis(table, np.maximum(rows, 0), axis=0)
    return np.where(rows >= 0, value, np.nan), rows


def _tests(table: FloatArray, dof: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return F and its upper tail for each term against the mean square beneath it."""
    error, rows = _beneath(table)
    with np.errstate(divide="ignore", invalid="ignore"):  # 0/0 where nothing varies at all
        f = np.where(rows >= 0, table / error, np.nan)
    below = np.take_along_axis(dof, np.maximum(rows, 0), axis=0)
    p = np.asarray(special.fdtrc(np.maximum(dof, 1.0), np.maximum(below, 1.0), f), dtype=np.float64)
    return f, np.where(np.isposinf(f), 0.0, p)


def _pooled(dof: FloatArray, p: FloatArray, pool: Pool, above: float) -> BoolArray:
    """Return at which points operator by piece goes into re-alignment, shape (points,)."""
    able = (dof[SETUP] > 0) & (dof[OPERATOR_PIECE] > 0)
    if pool == "never":
        return np.zeros_like(able)
    return able if pool == "always" else np.asarray(able & (p > above), dtype=np.bool_)


def _pool(squares: FloatArray, dof: FloatArray, pooled: BoolArray) -> tuple[FloatArray, FloatArray]:
    squares, dof = squares.copy(), dof.copy()
    for table in (squares, dof):
        table[SETUP] += np.where(pooled, table[OPERATOR_PIECE], 0.0)
        table[OPERATOR_PIECE] = np.where(pooled, 0.0, table[OPERATOR_PIECE])
    return squares, dof


def _components(
    used: FloatArray, table: FloatArray, pooled: BoolArray, merged: tuple[Merged, ...]
) -> FloatArray:
    """Return raw components (5, points): mean square less the one beneath it, over its factor."""
    beneath, rows = _beneath(used)
    raw = (used - np.where(rows >= 0, beneath, 0.0)) / np.diag(table)[:, None]
    raw[OPERATOR_PIECE, pooled] = 0.0
    for one in merged:
        raw[TERMS.index(one.name)] = np.nan
    return raw


def _notes(
    merged: tuple[Merged, ...],
    raw: FloatArray,
    pooled: BoolArray,
    pool: Pool,
    above: float,
    counts: Counts,
) -> tuple[str, ...]:
    notes = [one.reason for one in merged]
    points = pooled.size
    if pooled.any():
        why = f"p above {above:g}" if pool == "auto" else "as asked"
        notes.append(
            f"operator by piece was pooled into re-alignment at {pooled.sum()} of {points} points "
            f"({why})"
        )
    below = [
        f"{SPOKEN[t]} at {k} of {points}" for t, k in zip(TERMS, (raw < 0).sum(1), strict=True) if k
    ]
    if below:
        notes.append("estimates below zero, taken as zero: " + ", ".join(below) + " points")
    if counts.operators == 1:
        notes.append("one operator: how far operators differ was not tested")
    return tuple(notes)
