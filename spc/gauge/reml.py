"""Variance components of any study, balanced or not, by restricted maximum likelihood.

Sources are factors with random levels, crossed or nested as their codes say: hit within point,
re-probe, re-alignment, station, operator, operator by piece, piece, batch, day. Only those that the
rows can tell apart are estimated; the rest is said in words. For a balanced study with no estimate
at zero the result is that of the analysis of variance.

References
----------
.. [1] H. D. Patterson, R. Thompson, Recovery of inter-block information when block sizes are
   unequal, Biometrika 58 (1971) 545-554.
.. [2] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, Wiley 1992, chapter 6.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.arrays import BoolArray, FloatArray, IntArray, measurements
from spc.gauge.crossproducts import Problem, problem
from spc.gauge.likelihood import dof_of_sums, effects
from spc.gauge.scoring import FLOOR, Maximum, maximise
from spc.gauge.separable import HIT, Separable, numbered, separable
from spc.gauge.separation import SPOKEN


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """The fit of all points that miss the same rows.

    Parameters
    ----------
    points
        Columns of the study, (own,).
    separable
        What their rows can tell apart.
    problem
        Cross-products of the measurements, centred and divided by ``scale``.
    maximum
        Variances in units of scale², one row a point.
    scale
        Standard deviation of each point's rows, (own,), mm.
    """

    points: IntArray
    separable: Separable
    problem: Problem
    maximum: Maximum
    scale: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemlStudy:
    """Variance components of each point by restricted maximum likelihood.

    Parameters
    ----------
    terms
        Sources: ``hit``, then the factors from the innermost outwards.
    variance
        Components, (terms, points), mm²; NaN where merged or where a point has too few rows.
    at_zero
        Where a component was held at zero, (terms, points).
    dof
        Degrees of freedom of a χ² with the component's mean and variance (Satterthwaite), from the
        information; levels less one where it is at zero, (terms, points).
    mean, mean_error
        Mean over all sources and its standard error, (points,), mm.
    criterion
        -2 restricted log-likelihood, all constants counted, (points,).
    rows
        Rows used, (points,).
    converged
        True where the search ended, (points,).
    levels
        Levels of each source in the whole study.
    fit_of
        Which fit each point belongs to, (points,); -1 where it has none.
    fits
        The fits, for intervals.
    notes
        What the reader must know, one sentence each.
    """

    terms: tuple[str, ...]
    variance: FloatArray
    at_zero: BoolArray
    dof: FloatArray
    mean: FloatArray
    mean_error: FloatArray
    criterion: FloatArray
    rows: IntArray
    converged: BoolArray
    levels: Mapping[str, int]
    fit_of: IntArray
    fits: tuple[Fit, ...]
    notes: tuple[str, ...]

    def component(self, name: str) -> FloatArray:
        """Return the component of that name, (points,), mm²."""
        if name not in self.terms:
            raise DataError(f"source must be one of {', '.join(self.terms)}, not '{name}'")
        return np.asarray(self.variance[self.terms.index(name)], dtype=np.float64)


def reml_study(y: ArrayLike, factors: Mapping[str, ArrayLike]) -> RemlStudy:
    """Return the variance components of each point.

    Parameters
    ----------
    y
        Measurements in mm, (rows, points) or (rows,); NaN where missing.
    factors
        Codes (rows,) of each source with random levels, outermost first, for example ``piece,
        operator, operator_piece, setup``; a nested factor's codes unique over what it is nested in
        (`spc.gauge.separable.nested`). ``hit`` is what each row brings and is not given.

    Returns
    -------
    RemlStudy

    Raises
    ------
    DataError
        Where shapes or codes do not fit.
    """
    array, table = measurements(y), numbered(factors)
    if len(next(iter(table.values()))) != array.shape[0]:
        raise DataError(f"factors must have one code a row, {array.shape[0]} rows")
    present = ~np.isnan(array)
    patterns, of = np.unique(present, axis=1, return_inverse=True)
    fits, fit_of = list[Fit](), np.full(array.shape[1], -1)
    for k in range(patterns.shape[1]):
        points, rows = np.flatnonzero(of.reshape(-1) == k), patterns[:, k]
        part = _fit(array[np.ix_(rows, points)], {n: c[rows] for n, c in table.items()}, points)
        if part is not None:
            fit_of[points] = len(fits)
            fits.append(part)
    return _collected(array, table, present.sum(axis=0), fit_of, fits)


def _fit(y: FloatArray, table: Mapping[str, IntArray], points: IntArray) -> Fit | None:
    if y.shape[0] < 2:
        return None
    can = separable(table)
    kept = {n: np.unique(table[n], return_inverse=True)[1] for n in can.kept[:-1]}
    centred = y - y[:1]
    centred = centred - centred.mean(axis=0)
    scale = centred.std(axis=0)
    flat = scale <= 8.0 * np.finfo(np.float64).eps * np.abs(y).max(axis=0)
    study = problem(centred / np.where(flat, 1.0, scale), kept, can.residual)
    best = maximise(study, np.arange(points.size), _start(study))
    scale = np.where(flat, 0.0, scale)
    return Fit(points=points, separable=can, problem=study, maximum=best, scale=scale)


def _start(study: Problem) -> FloatArray:
    """Return variances to start from: the residual as measured within cells, the rest shared."""
    points, sources = study.within.size, len(study.names)
    residual = np.full(points, 1.0 / sources)
    if study.within_dof > 0:
        residual = np.clip(study.within / study.within_dof, FLOOR, 0.9)
    rest = (1.0 - residual) / max(sources - 1, 1)
    start = np.repeat(rest[:, None], sources, axis=1)
    start[:, 0] = residual
    return start


def component_dof(fit: Fit) -> FloatArray:
    """Return Satterthwaite's degrees of freedom of each source, (points, sources of the fit)."""
    levels = [fit.separable.levels[name] - 1.0 for name in fit.problem.names]
    units = np.eye(len(levels))
    return np.stack(
        [np.minimum(sum_dof(fit, u), k) for u, k in zip(units, levels, strict=True)], axis=1
    )


def sum_dof(fit: Fit, weights: FloatArray) -> FloatArray:
    """Return degrees of freedom of Σ weights variances, (points,); infinite where it is zero.

    2 (estimate)² / variance of the estimate, from the expected information over the sources that
    are not held at zero.
    """
    at = np.maximum(fit.maximum.variances, FLOOR)
    return dof_of_sums(fit.problem, at, np.arange(len(at)), weights, zeros(fit))


def zeros(fit: Fit) -> BoolArray:
    """Return which sources are held at zero, (points, sources of the fit)."""
    held = fit.maximum.variances <= 0.0
    held[:, 0] = fit.maximum.variances[:, 0] <= 1.01 * FLOOR
    return np.asarray(held | (fit.scale == 0.0)[:, None], dtype=np.bool_)


def _collected(
    y: FloatArray,
    table: Mapping[str, IntArray],
    rows: IntArray,
    fit_of: IntArray,
    fits: list[Fit],
) -> RemlStudy:
    terms = (HIT, *reversed(list(table)))
    shape = (len(terms), y.shape[1])
    variance, dof, at_zero = np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape, bool)
    mean, error, criterion = (np.full(shape[1], np.nan) for _ in range(3))
    converged = np.ones(shape[1], dtype=np.bool_)
    for fit in fits:
        at = np.ix_(np.array([terms.index(n) for n in fit.problem.names]), fit.points)
        variances = np.where(zeros(fit), 0.0, fit.maximum.variances)
        variance[at] = (variances * fit.scale[:, None] ** 2).T
        dof[at], at_zero[at] = component_dof(fit).T, zeros(fit).T
        here = y[:, fit.points][~np.isnan(y[:, fit.points[0]])]
        mean[fit.points], error[fit.points] = _mean(fit, here)
        criterion[fit.points] = _criterion(fit, here.shape[0])
        converged[fit.points] = fit.maximum.converged
    return RemlStudy(
        terms=terms,
        variance=variance,
        at_zero=at_zero,
        dof=dof,
        mean=mean,
        mean_error=error,
        criterion=criterion,
        rows=rows.astype(np.int64),
        converged=converged,
        levels={name: int(code.max()) + 1 for name, code in table.items()},
        fit_of=fit_of,
        fits=tuple(fits),
        notes=_notes(terms, at_zero, converged, fit_of, fits),
    )


def _mean(fit: Fit, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return each point's mean and standard error; the fit knows the rows about their mean."""
    at = np.maximum(fit.maximum.variances, FLOOR)
    shift, variance = effects(fit.problem, at, np.arange(len(at)))
    return y.mean(axis=0) + shift * fit.scale, np.sqrt(variance) * fit.scale


def _criterion(fit: Fit, rows: int) -> FloatArray:
    """Return -2 restricted log-likelihood in the unit of the measurements."""
    within = float(fit.problem.cells @ np.log(fit.problem.hits))
    with np.errstate(divide="ignore"):  # no variation at all
        unit = (rows - 1) * np.log(2.0 * np.pi * fit.scale**2)
    return np.asarray(-2.0 * fit.maximum.value + within + unit, dtype=np.float64)


def _notes(
    terms: tuple[str, ...],
    at_zero: BoolArray,
    converged: BoolArray,
    fit_of: IntArray,
    fits: list[Fit],
) -> tuple[str, ...]:
    points = fit_of.size
    notes = [
        m.reason
        + ("" if fit.points.size == points else f" (at {fit.points.size} of {points} points)")
        for fit in fits
        for m in fit.separable.merged
    ]
    none = [
        f"{SPOKEN.get(t, t)} at {k} of {points}"
        for t, k in zip(terms, at_zero.sum(axis=1), strict=True)
        if k
    ]
    if none:
        notes.append("estimates held at zero: " + ", ".join(none) + " points")
    if (fit_of < 0).any():
        notes.append(f"fewer than two rows at {(fit_of < 0).sum()} of {points} points: no estimate")
    if not converged.all():
        notes.append(f"the search did not end at {(~converged).sum()} of {points} points")
    return tuple(dict.fromkeys(notes))
