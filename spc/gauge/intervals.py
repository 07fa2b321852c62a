"""Intervals of a balanced study: components, gauge, and its shares of study and tolerance."""

import numpy as np
from numpy.typing import ArrayLike

from spc.gauge.anova import weights
from spc.gauge.arrays import FloatArray, counted, level_of
from spc.gauge.band import Band, around, missing
from spc.gauge.history import History, history_bands, ratio_band
from spc.gauge.mls import bounds, ratio_bounds
from spc.gauge.quantities import Quantities, correlation, distinct, of_study, of_tolerance
from spc.gauge.separation import SPOKEN
from spc.gauge.squares import OPERATOR_PIECE, PIECE, SETUP, TERMS
from spc.gauge.study import CrossedStudy

_MLS = "modified large sample"
_CHI = "chi-square"


def anova_quantities(
    study: CrossedStudy,
    *,
    hits: int | None = None,
    tolerance: ArrayLike | None = None,
    history: History | None = None,
    spread: float = 6.0,
    level: float = 0.95,
) -> Quantities:
    """Return every asked quantity of a balanced study with its interval.

    One variance has the exact χ² interval; sums and differences of mean squares the modified
    large-sample one of Graybill & Wang (1980) and Ting et al. (1990); ratios the same, solved for
    the ratio, as in Burdick, Borror & Montgomery, Design and Analysis of Gauge R&R Studies, 2005.
    An interval is widened to its estimate where a component below zero was taken as zero. Intervals
    of re-alignment and of operator by piece stand on the mean squares before pooling: pooled ones
    come out too short, since the same data chose to pool.

    Parameters
    ----------
    study
        The analysis of variance.
    hits
        Hits that one reported value is the mean of; those of the study where None.
    tolerance
        Limits of each point (points, 2) in mm, NaN where open; or None.
    history
        Spread of pieces in production, used in place of the study's pieces.
    spread
        Standard deviations counted as the width of the gauge.
    level
        Confidence level as a fraction.

    Returns
    -------
    Quantities

    Raises
    ------
    DataError
        Where a level, a count or a tolerance is out of range.
    """
    level = level_of(level)
    hits = study.counts.hits if hits is None else counted(hits, name="hits", least=1)
    table = weights(study)
    gauge_weights = np.tensordot(np.array([1.0 / hits, 1, 1, 1, 0]), table, axes=1)
    gauge = _gauge(study, gauge_weights, hits, level)
    ratio, pieces, total = _pieces(study, table[PIECE], gauge_weights, gauge, history, level)
    fraction, rules = of_tolerance(gauge, tolerance, study.mean, spread)
    return Quantities(
        sd={name: _component(study, table[k], k, level) for k, name in enumerate(TERMS)},
        gauge=gauge,
        pieces=pieces,
        total=total,
        of_study=of_study(ratio),
        of_tolerance=fraction,
        distinct=distinct(ratio),
        correlation=correlation(ratio),
        hits=hits,
        spread=spread,
        tolerance_rule=rules,
        notes=(*study.notes, *([history.in_words()] if history else [])),
    )


def _component(study: CrossedStudy, weight: FloatArray, k: int, level: float) -> Band:
    merged = {m.name: m for m in study.merged}
    if TERMS[k] in merged:
        return missing(study.mean.size, level, merged[TERMS[k]].reason)
    low, high = bounds(weight, study.used_mean_squares, study.used_dof, level)
    if k in (SETUP, OPERATOR_PIECE) and study.pooled.any():
        own = _unpooled(study, k)
        ends = bounds(own, study.mean_squares, study.dof, level)
        low, high = (
            np.where(study.pooled, end, used) for end, used in zip(ends, (low, high), strict=True)
        )
    held = study.held_in(TERMS[k])
    note = "holds also: " + ", ".join(SPOKEN[h] for h in held) if held else ""
    single = (weight != 0).sum(axis=0).max() == 1
    return around(study.variance[k], low, high, level, _CHI if single else _MLS, note).root()


def _unpooled(study: CrossedStudy, k: int) -> FloatArray:
    """Return a component as weights of the mean squares before pooling, (terms, 1)."""
    weight = np.zeros((len(TERMS), 1))
    weight[k] = 1.0 / study.expected[k, k]
    weight[k - 1] = np.where(study.dof[k - 1, 0] > 0, -weight[k], 0.0)
    return weight


def _gauge(study: CrossedStudy, weight: FloatArray, hits: int, level: float) -> Band:
    if study.gauge_reason:
        return missing(study.mean.size, level, study.gauge_reason)
    low, high = bounds(weight, study.used_mean_squares, study.used_dof, level)
    note = "one operator: without differences between operators"
    note = note if study.counts.operators == 1 else ""
    return around(study.gauge_variance(hits), low, high, level, _MLS, note).root()


def _pieces(
    study: CrossedStudy,
    piece: FloatArray,
    gauge_weights: FloatArray,
    gauge: Band,
    history: History | None,
    level: float,
) -> tuple[Band, Band, Band]:
    """Return the ratio of variances pieces / gauge, and the spread of pieces and of the total."""
    if history is not None and not study.gauge_reason:
        return history_bands(
            study.used_mean_squares,
            study.used_dof,
            gauge_weights,
            gauge.value**2,
            history,
            level,
        )
    if study.piece_reason:
        none = missing(study.mean.size, level, study.piece_reason)
        return none, none, none
    ms, dof = study.used_mean_squares, study.used_dof
    value = study.piece_variance()
    pieces = around(value, *bounds(piece, ms, dof, level), level, _MLS).root()
    whole = value + gauge.value**2
    total = around(whole, *bounds(piece + gauge_weights, ms, dof, level), level, _MLS).root()
    ends = ratio_bounds(piece, gauge_weights, ms, dof, level)
    return ratio_band(value, gauge.value**2, *ends, level), pieces, total
