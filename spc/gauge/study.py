"""The result of a crossed gauge study: its table, its components, and sums of them."""

from dataclasses import dataclass

import numpy as np

from spc.errors import DataError
from spc.gauge.arrays import BoolArray, FloatArray, counted
from spc.gauge.layout import Counts
from spc.gauge.separation import Merged
from spc.gauge.squares import TERMS

GAUGE_TERMS = TERMS[:4]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossedStudy:
    """Mean squares and variance components of a crossed study at each point.

    Rows of every (5, points) array are the terms ``hit``, ``setup``, ``operator_piece``,
    ``operator``, ``piece``; variances in mm².

    Parameters
    ----------
    mean_squares, dof
        The table as measured, (5, points); NaN and 0 where the design has no such row.
    used_mean_squares, used_dof
        The table after pooling, (5, points): where ``pooled``, the row ``setup`` holds both and the
        row ``operator_piece`` is NaN and 0.
    f, p
        F of each term against the mean square beneath it and its upper tail, (5, points); NaN where
        there is nothing to compare with. The row ``operator_piece`` is the test before pooling.
    raw
        Components as estimated, which may be below zero, (5, points); NaN where merged.
    variance
        Components with those below zero taken as zero, (5, points).
    negative
        Where ``raw`` is below zero, (5, points).
    pooled
        Where operator by piece went into re-alignment, (points,).
    expected
        Coefficients of the expected mean squares, rows mean squares, columns components, (5, 5).
    mean
        Mean of all rows, (points,), mm.
    counts
        Counts of the design.
    merged
        Components that the design cannot tell apart, and why.
    notes
        What the reader must know, one sentence each.
    """

    mean_squares: FloatArray
    dof: FloatArray
    used_mean_squares: FloatArray
    used_dof: FloatArray
    f: FloatArray
    p: FloatArray
    raw: FloatArray
    variance: FloatArray
    negative: BoolArray
    pooled: BoolArray
    expected: FloatArray
    mean: FloatArray
    counts: Counts
    merged: tuple[Merged, ...]
    notes: tuple[str, ...]

    def component(self, name: str) -> FloatArray:
        """Return the truncated component of that name, shape (points,), mm²; NaN where merged."""
        if name not in TERMS:
            raise DataError(f"component must be one of {', '.join(TERMS)}, not '{name}'")
        return np.asarray(self.variance[TERMS.index(name)], dtype=np.float64)

    def held_in(self, name: str) -> tuple[str, ...]:
        """Return the components that the estimate of that name holds besides its own."""
        return tuple(m.name for m in self.merged if m.into == name)

    @property
    def gauge_reason(self) -> str:
        """Why there is no gauge variance; empty where there is one."""
        inside = set(self.held_in("piece")) & {"hit", "setup"}
        if not inside:
            return ""
        return (
            "one operator and one set-up of each piece: re-alignment cannot be told from the "
            "pieces themselves, so the study says nothing about the gauge as a whole"
        )

    @property
    def piece_reason(self) -> str:
        """Why there is no piece variance to compare with; empty where there is one."""
        if self.counts.pieces == 1:
            return "one piece: the study says nothing about how far pieces differ"
        return self.gauge_reason

    def gauge_variance(self, hits: int | None = None) -> FloatArray:
        """Return the variance of one reported value of one piece, shape (points,), mm².

        σ_hit²/hits + σ_setup² + σ_operator·piece² + σ_operator²; merged terms count where they
        went.

        Parameters
        ----------
        hits
            Hits that a reported value is the mean of; those of the study where None. Without
            effect where each row of the study is one reported value already (one hit a set-up).

        Returns
        -------
        array (points,)
            NaN where `gauge_reason` says why.
        """
        hits = self.counts.hits if hits is None else counted(hits, name="hits", least=1)
        share = np.array([1.0 / hits, 1.0, 1.0, 1.0])
        if self.gauge_reason:
            return np.full(self.variance.shape[1], np.nan)
        return np.asarray(share @ np.nan_to_num(self.variance[:4]), dtype=np.float64)

    def piece_variance(self) -> FloatArray:
        """Return the variance of pieces (points,), mm²; NaN where `piece_reason` says why."""
        if self.piece_reason:
            return np.full(self.variance.shape[1], np.nan)
        return self.component("piece")
