"""The restricted likelihood of random factors, for many points at once, from small cross-products.

Mixed-model equations of the size of the wider factors are solved; no matrix of the size of the rows
is ever made.

References
----------
.. [1] H. D. Patterson, R. Thompson, Recovery of inter-block information when block sizes are
   unequal, Biometrika 58 (1971) 545-554.
.. [2] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, Wiley 1992, sections 6.6
   (REML) and 7.6 (mixed-model equations).
"""

from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from spc.gauge.arrays import BoolArray, FloatArray, IntArray
from spc.gauge.crossproducts import Problem

#: Numbers held by one block of matrices while points are worked through together.
_BLOCK = 60_000
#: Added to a quadratic form before its square root is taken, so that rounding cannot make it fail.
_LIFT = 1.0
#: A factor's variance times its share of the cross-products, above which its columns are scaled.
_WIDE = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slope:
    """Slope and expected information of the restricted log-likelihood, one row a trial.

    Parameters
    ----------
    gradient
        Its slope in the variances, (trials, sources).
    information
        Expected (Fisher) information, (trials, sources, sources).
    """

    gradient: FloatArray
    information: FloatArray


def slope(study: Problem, variances: FloatArray, points: IntArray) -> Slope:
    """Return slope and information of several trials.

    Parameters
    ----------
    study
        The cross-products.
    variances
        Variance of each source, (trials, sources), the residual above zero.
    points
        Which point's data each trial uses, (trials,).
    """
    size = study.products.shape[1] ** 2
    step = max(1, _BLOCK // size)
    parts = [
        _slope(study, variances[i : i + step], points[i : i + step])
        for i in range(0, len(points), step)
    ]
    return Slope(
        gradient=np.concatenate([p.gradient for p in parts]),
        information=np.concatenate([p.information for p in parts]),
    )


def value(study: Problem, variances: FloatArray, points: IntArray) -> FloatArray:
    """Return the log-likelihood up to a constant, (trials,); arguments as in `slope`."""
    step = max(1, _BLOCK // study.products.shape[1] ** 2)
    return np.concatenate(
        [
            _value(study, variances[i : i + step], points[i : i + step])
            for i in range(0, len(points), step)
        ]
    )


def effects(
    study: Problem, variances: FloatArray, points: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return the generalized least-squares mean of each trial and its variance, (trials,) each."""
    at = _solved(study, variances, points)
    return at.effects[:, 0], at.inverse[:, 0, 0]


def dof_of_sums(
    study: Problem, variances: FloatArray, points: IntArray, weights: FloatArray, held: BoolArray
) -> FloatArray:
    """Return degrees of freedom of each trial's Σ weights variances; infinite where it is zero.

    2 (sum)² / variance of its estimate (Satterthwaite), from the expected information over the
    sources that are not held at zero.

    Parameters
    ----------
    study
        The cross-products.
    variances
        (trials, sources), the residual above zero.
    points
        Which point's data each trial uses, (trials,).
    weights
        (trials, sources) or (sources,).
    held
        Sources held at zero, (trials, sources).
    """
    information = slope(study, variances, points).information
    scale = np.where(held, 0.0, variances)
    scaled = information * scale[:, :, None] * scale[:, None, :]
    own = np.arange(variances.shape[1])
    scaled[:, own, own] += np.where(held, 1.0, 0.0)
    size = weights * scale
    error = np.einsum("ti,ti->t", size, np.linalg.solve(scaled, size[:, :, None])[:, :, 0])
    with np.errstate(divide="ignore", invalid="ignore"):  # a sum of nothing
        return np.where(error > 0, 2.0 * size.sum(axis=1) ** 2 / error, np.inf)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Equations:
    """Mixed-model equations of some trials, the wider factors scaled to unit variance.

    Parameters
    ----------
    weight
        1 / variance of a cell mean of each class, (trials, classes).
    gram
        A = U'W U, (trials, m, m).
    sums
        U'W ȳ, (trials, m).
    root
        Standard deviation of each column's factor, 1 for the mean, (trials, m).
    matrix
        L A L + D, L the roots and D one for random columns, (trials, m, m).
    """

    weight: FloatArray
    gram: FloatArray
    sums: FloatArray
    root: FloatArray
    matrix: FloatArray


def _equations(study: Problem, variances: FloatArray, points: IntArray) -> _Equations:
    weight = 1.0 / _cell_variance(study, variances)
    gram = np.tensordot(weight, study.products, axes=1)
    sums = np.einsum("tc,cmt->tm", weight, study.sums[:, :, points])
    root = np.ones(sums.shape)
    for k, block in enumerate(study.blocks):
        root[:, block] = np.sqrt(variances[:, k + 1 + study.per_cell])[:, None]
    matrix = gram * root[:, :, None] * root[:, None, :]
    own = np.arange(1, root.shape[1])
    matrix[:, own, own] += 1.0
    return _Equations(weight=weight, gram=gram, sums=sums, root=root, matrix=matrix)


def _value(study: Problem, variances: FloatArray, points: IntArray) -> FloatArray:
    """Return the log-likelihood by one factorization that holds determinant and quadratic form."""
    at = _equations(study, variances, points)
    m = at.sums.shape[1]
    bordered = np.empty((len(points), m + 1, m + 1))
    bordered[:, :m, :m] = at.matrix
    bordered[:, :m, m] = bordered[:, m, :m] = at.sums * at.root
    bordered[:, m, m] = (at.weight * study.squares[:, points].T).sum(axis=1) + _LIFT
    corner = _corners(bordered)
    twice = corner[:, m] ** 2 - _LIFT + 2.0 * np.log(corner[:, :m]).sum(axis=1)
    twice = twice + _rest(study, at.weight, variances[:, 0], points)
    return np.where(np.isfinite(twice), -0.5 * twice, -np.inf)


def _corners(matrices: FloatArray) -> FloatArray:
    """Return the diagonals of Cholesky factors, NaN where a matrix has none.

    Where variances lie so far apart that rounding takes the least eigenvalue, the trial is no
    candidate for a largest likelihood, and the others must not go with it.
    """
    try:
        return np.diagonal(np.linalg.cholesky(matrices), axis1=1, axis2=2)
    except np.linalg.LinAlgError:
        found = np.full(matrices.shape[:2], np.nan)
        for at, matrix in enumerate(matrices):
            with suppress(np.linalg.LinAlgError):
                found[at] = np.diagonal(np.linalg.cholesky(matrix))
        return found


def _rest(study: Problem, weight: FloatArray, hit: FloatArray, points: IntArray) -> FloatArray:
    """Return the part of -2 log-likelihood that needs no matrix."""
    rest = -np.log(weight) @ study.cells
    if study.within_dof > 0:
        rest = rest + study.within_dof * np.log(hit) + study.within[points] / hit
    return np.asarray(rest, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    """The mixed-model equations of some trials, solved.

    Parameters
    ----------
    weight, gram
        As in `_Equations`.
    inverse
        C = L (L A L + D)⁻¹ L, (trials, m, m).
    effects
        Estimated mean and predicted levels, (trials, m).
    score
        U'P y, (trials, m).
    project
        Q with P U = W U Q, so that U'P U = A Q and U'P y = Q'U'W y, (trials, m, m).
    stable
        Columns of Q that were found without a difference, (trials, m).
    """

    weight: FloatArray
    gram: FloatArray
    inverse: FloatArray
    effects: FloatArray
    score: FloatArray
    project: FloatArray
    stable: BoolArray


def _solved(study: Problem, variances: FloatArray, points: IntArray) -> _Solved:
    at = _equations(study, variances, points)
    scaled = np.linalg.inv(at.matrix) * at.root[:, :, None]
    inverse = scaled * at.root[:, None, :]
    # Q = I - C A loses all digits where a factor's variance is far above a cell's; there its
    # columns are L (L A L + D)^-1 D / L, without a difference. For variances near zero it is the
    # other way round. The mean's own column is zero.
    stable = at.root**2 * np.einsum("tii->ti", at.gram) > _WIDE
    project = np.where(
        stable[:, None, :],
        scaled / np.where(stable, at.root, 1.0)[:, None, :],
        np.eye(at.root.shape[1]) - inverse @ at.gram,
    )
    project[:, :, 0] = 0.0
    return _Solved(
        weight=at.weight,
        gram=at.gram,
        inverse=inverse,
        effects=np.einsum("tij,tj->ti", inverse, at.sums),
        score=np.einsum("tji,tj->ti", project, at.sums),
        project=project,
        stable=stable,
    )


def _slope(study: Problem, variances: FloatArray, points: IntArray) -> Slope:
    at = _solved(study, variances, points)
    lead = 1 + study.per_cell
    number = lead + len(study.blocks)
    trace, quadratic = np.empty((len(points), number)), np.empty((len(points), number))
    information = np.empty((len(points), number, number))
    spread = at.gram @ at.project
    spread = np.where(at.stable[:, None, :], spread, np.swapaxes(spread, 1, 2))
    for k, block in enumerate(study.blocks):
        trace[:, lead + k] = np.einsum("tii->ti", spread)[:, block].sum(axis=1)
        quadratic[:, lead + k] = np.square(at.score[:, block]).sum(axis=1)
        for m, other in enumerate(study.blocks):
            information[:, lead + k, lead + m] = np.square(spread[:, block, other]).sum((1, 2))
    _add_diagonals(study, at, points, trace, quadratic, information)
    if study.within_dof > 0:
        hit = variances[:, 0]
        trace[:, 0] += study.within_dof / hit
        quadratic[:, 0] += study.within[points] / hit**2
        information[:, 0, 0] += study.within_dof / hit**2
    return Slope(gradient=0.5 * (quadratic - trace), information=0.5 * information)


def _add_diagonals(
    study: Problem,
    at: _Solved,
    points: IntArray,
    trace: FloatArray,
    quadratic: FloatArray,
    information: FloatArray,
) -> None:
    """Fill in the sources that only add to a cell's own variance."""
    diagonal = _diagonals(study)
    lead = len(diagonal)
    inner = [np.tensordot(at.weight**2 * d, study.products, axes=1) for d in diagonal]
    share = [at.inverse @ k for k in inner]
    left = _residual_squares(study, at, points)
    for i, d in enumerate(diagonal):
        trace[:, i] = (at.weight * d) @ study.cells - np.einsum("tii->t", share[i])
        quadratic[:, i] = (left * d).sum(axis=1)
        outer = (at.project * (inner[i] @ at.project)).sum(axis=1)
        for k, block in enumerate(study.blocks):
            information[:, i, lead + k] = information[:, lead + k, i] = outer[:, block].sum(1)
        for j in range(i + 1):
            both = _between(study, at, d, diagonal[j])
            both += np.einsum("tij,tji->t", share[i], share[j])
            information[:, i, j] = information[:, j, i] = both


def _between(study: Problem, at: _Solved, d: FloatArray, e: FloatArray) -> FloatArray:
    """Return tr(W D W E) - 2 tr(C U'W D W E W U), two of the three parts of tr(P D P E)."""
    cube = at.weight**3 * d * e
    flat = study.products.reshape(len(cube[0]), -1)
    inside = at.inverse.reshape(len(cube), -1) @ flat.T
    return np.asarray((at.weight**2 * d * e) @ study.cells - 2.0 * (cube * inside).sum(axis=1))


def _residual_squares(study: Problem, at: _Solved, points: IntArray) -> FloatArray:
    """Return Σ (P y)² over the cells of each class, (trials, classes)."""
    fitted = np.einsum("tm,cmt->tc", at.effects, study.sums[:, :, points])
    spread = np.einsum("ti,cij,tj->tc", at.effects, study.products, at.effects, optimize=True)
    left = study.squares[:, points].T - 2.0 * fitted + spread
    return np.asarray(at.weight**2 * np.maximum(left, 0.0))


def _diagonals(study: Problem) -> list[FloatArray]:
    """Return what one unit of each diagonal source adds to a cell mean's variance, by class."""
    hit = 1.0 / study.hits
    return [hit, np.ones_like(hit)] if study.per_cell else [hit]


def _cell_variance(study: Problem, variances: FloatArray) -> FloatArray:
    own = variances[:, :1] / study.hits
    return own + variances[:, 1:2] if study.per_cell else own
