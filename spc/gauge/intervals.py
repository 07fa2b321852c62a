"""Intervals of a balanced study: components, gauge, and its shares of study and tolerance."""

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.anova import weights
from spc.gauge.arrays import FloatArray, counted, level_of
from spc.gauge.band import Band, missing
from spc.gauge.mls import bounds, ratio_bounds
from spc.gauge.quantities import History, Quantities, correlation, distinct, of_study, of_tolerance
from spc.gauge.separation import SPOKEN
from spc.gauge.squares import OPERATOR_PIECE, PIECE, TERMS
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
    An interval is widened to its estimate where a component below zero was taken as zero.

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
        notes=(*study.notes, *_history_notes(history)),
    )


def _component(study: CrossedStudy, weight: FloatArray, k: int, level: float) -> Band:
    merged = {m.name: m for m in study.merged}
    if TERMS[k] in merged:
        return missing(study.mean.size, level, merged[TERMS[k]].reason)
    low, high = bounds(weight, study.used_mean_squares, study.used_dof, level)
    if k == OPERATOR_PIECE:  # a pooled component was set to zero, not estimated
        low, high = (np.where(study.pooled, np.nan, end) for end in (low, high))
    held = study.held_in(TERMS[k])
    note = "holds also: " + ", ".join(SPOKEN[h] for h in held) if held else ""
    single = (weight != 0).sum(axis=0).max() == 1
    return _band(study.variance[k], low, high, level, _CHI if single else _MLS, note).root()


def _gauge(study: CrossedStudy, weight: FloatArray, hits: int, level: float) -> Band:
    if study.gauge_reason:
        return missing(study.mean.size, level, study.gauge_reason)
    low, high = bounds(weight, study.used_mean_squares, study.used_dof, level)
    note = "one operator: without differences between operators"
    note = note if study.counts.operators == 1 else ""
    return _band(study.gauge_variance(hits), low, high, level, _MLS, note).root()


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
        return _from_history(study, gauge_weights, gauge, history, level)
    if study.piece_reason:
        none = missing(study.mean.size, level, study.piece_reason)
        return none, none, none
    ms, dof = study.used_mean_squares, study.used_dof
    value = study.piece_variance()
    pieces = _band(value, *bounds(piece, ms, dof, level), level, _MLS).root()
    whole = value + gauge.value**2
    total = _band(whole, *bounds(piece + gauge_weights, ms, dof, level), level, _MLS).root()
    ends = ratio_bounds(piece, gauge_weights, ms, dof, level)
    return _ratio(value, gauge.value**2, *ends, level), pieces, total


def _from_history(
    study: CrossedStudy, weight: FloatArray, gauge: Band, history: History, level: float
) -> tuple[Band, Band, Band]:
    points = study.mean.size
    sd = np.broadcast_to(np.asarray(history.sd, dtype=np.float64), (points,))
    if not (sd > 0).all() or history.dof <= 0:
        raise DataError("the spread in production and its degrees of freedom must be above zero")
    dof = np.full((1, points), min(history.dof, 1e9))
    ms = np.concatenate([study.used_mean_squares, sd[None] ** 2])
    dof = np.concatenate([study.used_dof, dof])
    none = np.zeros((1, points))
    top, bottom = np.zeros_like(ms), np.concatenate([weight, none])
    top[-1] = 1.0
    low, high = ratio_bounds(top, bottom, ms, dof, level)
    own = 1.0 if history.with_gauge else 0.0
    value = np.maximum(sd**2 - own * gauge.value**2, 0.0)
    ratio = _ratio(value, gauge.value**2, low - own, high - own, level)
    part = bounds(top - own * bottom, ms, dof, level)
    whole = bounds(top + (1.0 - own) * bottom, ms, dof, level)
    return (
        ratio,
        _band(value, *part, level, _MLS).root(),
        _band(value + gauge.value**2, *whole, level, _MLS).root(),
    )


def _ratio(
    top: FloatArray, bottom: FloatArray, low: FloatArray, high: FloatArray, level: float
) -> Band:
    """Return pieces / gauge; nothing where the gauge shows no variation to divide by."""
    none = ~(bottom > 0)
    with np.errstate(divide="ignore", invalid="ignore"):  # taken out by the mask
        value = np.where(none, np.nan, top / bottom)
    low, high = (np.where(none, np.nan, end) for end in (low, high))
    note = "repeated readings do not differ at all: read with more digits" if none.any() else ""
    return _band(value, low, high, level, _MLS + ", solved for the ratio", note)


def _band(
    value: FloatArray,
    low: FloatArray,
    high: FloatArray,
    level: float,
    method: str,
    note: str = "",
) -> Band:
    """Return a band with ends not below zero and wide enough to hold its estimate."""
    low = np.minimum(np.maximum(low, 0.0), value)
    return Band(
        value=value, low=low, high=np.maximum(high, value), level=level, method=method, note=note
    )


def _history_notes(history: History | None) -> tuple[str, ...]:
    if history is None:
        return ()
    held = "with" if history.with_gauge else "without"
    return (f"spread of pieces taken from production, {held} the noise of the gauge in it",)
