"""Maximising the restricted likelihood over variances that cannot be below zero.

Fisher scoring, many trials at once, with a set of variances held at zero where the slope points
below it, and a step that never lowers the likelihood. A linear condition on the variances can be
kept at the same time, which gives profile likelihoods.

References
----------
.. [1] R. I. Jennrich, P. F. Sampson, Newton-Raphson and related algorithms for maximum likelihood
   variance component estimation, Technometrics 18 (1976) 11-17.
"""

from dataclasses import dataclass

import numpy as np

from spc.gauge.arrays import BoolArray, FloatArray, IntArray
from spc.gauge.crossproducts import Problem
from spc.gauge.likelihood import Slope, slope, value

#: Smallest residual variance, as a share of a point's total variance.
FLOOR = 1e-8
#: Information on a source (in shares of the total variance) below which there is none.
_LEAST = 1e-20
_TURNS = 100
_HALVINGS = 25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maximum:
    """Where the likelihood is highest, one row a trial.

    Parameters
    ----------
    variances
        Variance of each source, (trials, sources).
    value
        Log-likelihood there, (trials,).
    converged
        True where no further step would raise it, (trials,).
    """

    variances: FloatArray
    value: FloatArray
    converged: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Condition:
    """A linear condition ``weights @ variances = constant`` a trial keeps.

    Parameters
    ----------
    weights
        (trials, sources); all zero where a trial has none.
    """

    weights: FloatArray


def maximise(
    study: Problem,
    points: IntArray,
    start: FloatArray,
    condition: Condition | None = None,
    *,
    enough: float = 1e-11,
    last: float = 0.0,
) -> Maximum:
    """Return the maximum of each trial.

    Parameters
    ----------
    study
        Cross-products of measurements scaled to a total variance near 1.
    points
        Which point's data each trial uses, (trials,).
    start
        Variances to start from, (trials, sources); they must meet the condition, which every
        step then keeps.
    condition
        A condition to keep, or None.
    enough
        Stop where the next step promises less than this in log-likelihood.
    last
        Stop after a step that promised less than this: what it leaves is a small part of it.
    """
    at = start.copy()
    if condition is None:
        condition = Condition(weights=np.zeros_like(start))
    least = np.zeros(start.shape[1])
    least[0] = FLOOR
    best = value(study, at, points)
    going = np.arange(len(points))
    for _ in range(_TURNS):
        here = slope(study, at[going], points[going])
        move, promise = _direction(at[going] - least, here, condition.weights[going])
        keep = promise > enough
        going, move = going[keep], move[keep]
        if going.size == 0:
            break
        stepped, new = _step(study, points[going], at[going], least, move, best[going])
        moved = new > best[going]
        at[going[moved]], best[going[moved]] = stepped[moved], new[moved]
        # A step that no halving makes better ends a trial at rounding error.
        going = going[moved & (promise[keep] > last)]
        if going.size == 0:
            break
    converged = np.ones(len(points), dtype=np.bool_)
    converged[going] = False
    return Maximum(variances=at, value=best, converged=converged)


def _direction(
    above: FloatArray, here: Slope, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the step and the rise that it promises.

    A variance at its bound is let go where the slope, less the condition's pull, points up, and
    held again where the step would take it below.
    """
    bound = above <= 0.0
    move, pull = _solve(here, weights, bound)
    held = bound & (here.gradient - pull[:, None] * weights <= 0.0)
    move, pull = _solve(here, weights, held)
    again = held | (bound & (move < 0.0))
    if (again != held).any():
        move, pull = _solve(here, weights, again)
    move = np.where(bound, np.maximum(move, 0.0), move)
    return move, ((here.gradient - pull[:, None] * weights) * move).sum(axis=1)


def _solve(here: Slope, weights: FloatArray, held: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return the scoring step that keeps the condition and the held variances, and its pull."""
    trials, sources = held.shape
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("tii->ti", here.information), _LEAST))
    free = np.where(held, 0.0, scale)
    a = weights * free
    length = np.sqrt(np.square(a).sum(axis=1))
    tied = length > 0
    a = a / np.where(tied, length, 1.0)[:, None]
    matrix = np.zeros((trials, sources + 1, sources + 1))
    matrix[:, :-1, :-1] = here.information * free[:, :, None] * free[:, None, :]
    own = np.arange(sources)
    matrix[:, own, own] += np.where(held, 1.0, 1e-12)
    matrix[:, :-1, -1] = matrix[:, -1, :-1] = a
    matrix[:, -1, -1] = np.where(tied, 0.0, 1.0)
    right = np.concatenate([here.gradient * free, np.zeros((trials, 1))], axis=1)
    solved = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    pull = np.where(tied, solved[:, -1] / np.where(tied, length, 1.0), 0.0)
    return solved[:, :-1] * free, pull


def _step(
    study: Problem,
    points: IntArray,
    at: FloatArray,
    least: FloatArray,
    move: FloatArray,
    best: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return where the longest of the halved steps leads that raises the likelihood."""
    with np.errstate(divide="ignore", invalid="ignore"):  # a source that does not move sets no end
        room = np.where(move < 0, (least - at) / move, np.inf)
    reach = np.minimum(room.min(axis=1), 1.0)
    first = np.where(room <= reach[:, None], least, at + reach[:, None] * move)
    stepped, new = first, value(study, first, points)
    for _ in range(_HALVINGS):
        worse = np.flatnonzero(~(new > best))
        if worse.size == 0:
            break
        reach[worse] /= 2.0
        stepped[worse] = np.maximum(at[worse] + reach[worse, None] * move[worse], least)
        new[worse] = value(study, stepped[worse], points[worse])
    return stepped, new
