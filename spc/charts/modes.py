"""Principal modes of many values, and what is left beside them.

References
----------
.. [1] Jackson, J. E. and Mudholkar, G. S. (1979). Control procedures for residuals associated with
       principal component analysis. Technometrics 21, 341-349.
.. [2] Abate, J. and Valkó, P. P. (2004). Multi-precision Laplace transform inversion. International
       Journal for Numerical Methods in Engineering 60, 979-993.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats
from spc.charts.multivariate import t2_limit
from spc.charts.tails import chi2_isf
from spc.errors import DataError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Modes:
    """Principal modes of reference pieces.

    Parameters
    ----------
    mean
        Mean of the values, ``(points,)``.
    shapes
        Modes as orthonormal columns, ``(points, count)``; the largest element of each is positive.
    variance
        Variance of each mode's score, ``(count,)``, falling.
    share
        Share of all variance that each mode carries, ``(count,)``.
    rest
        Variances of the directions left over, ``(others,)``.
    m
        Complete reference pieces.
    """

    mean: Floats
    shapes: Floats
    variance: Floats
    share: Floats
    rest: Floats
    m: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModeChart:
    """T² of the modes' scores, and Q, the squared distance from what the modes can show.

    Parameters
    ----------
    scores
        Score of each piece on each mode, ``(runs, count)``.
    t2, t2_limit, t2_beyond
        T² of the scores, its limit for new pieces, and where it is beyond, ``(runs,)``.
    q, q_limit, q_beyond
        Sum of squares left beside the modes, its limit [1]_, and where it is beyond, ``(runs,)``;
        the limit is NaN where ``note`` says why.
    alpha
        False-alarm probability of each of the two for a piece.
    n
        Complete pieces charted.
    note
        What to beware of; empty where nothing.
    """

    scores: Floats
    t2: Floats
    t2_limit: float
    t2_beyond: Bools
    q: Floats
    q_limit: float
    q_beyond: Bools
    alpha: float
    n: int
    note: str


def principal_modes(x: ArrayLike, count: int, baseline: ArrayLike | None = None) -> Modes:
    """Find the ``count`` directions in which reference pieces vary most, in the values' own unit.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, all in one unit; a piece with a missing value is left out.
    count
        How many modes, stated by whoever knows the part; never chosen from the data here.
    baseline
        True for the reference pieces, ``(runs,)``; None takes all.
    """
    a = arrays.matrix(x)
    mask = arrays.baseline_mask(baseline, (a.shape[0], 1))[:, 0]
    kept = a[mask & ~np.isnan(a).any(axis=1)]
    m, points = kept.shape
    if m < count + 2:
        several = "" if m == 1 else "s"
        raise DataError(
            f"{m} complete reference piece{several}; {count} modes need at least {count + 2}"
        )
    arrays.require(1 <= count <= points, "count", count, f"from 1 to {points}")
    mean = kept.mean(axis=0)
    _, singular, vectors = np.linalg.svd(kept - mean, full_matrices=False)
    variance = singular**2 / (m - 1)
    rank = int((variance > 1e-20 * variance[0]).sum()) if variance[0] > 0 else 0
    arrays.require(count <= rank, "count", count, f"at most {rank}, the independent ways to move")
    shapes = vectors[:count].T
    largest = np.abs(shapes).argmax(axis=0)
    shapes = shapes * np.sign(shapes[largest, np.arange(count)])
    return Modes(
        mean=mean, shapes=shapes, variance=variance[:count], rest=variance[count:rank], m=m,
        share=variance[:count] / variance.sum(),
    )  # fmt: skip


def mode_chart(x: ArrayLike, modes: Modes, *, alpha: float = 0.0027) -> ModeChart:
    """Chart new pieces by their scores on the modes and by what the modes leave."""
    off = arrays.matrix(x) - modes.mean
    scores = off @ modes.shapes
    t2 = (scores**2 / modes.variance).sum(axis=1)
    q = ((off - scores @ modes.shapes.T) ** 2).sum(axis=1)
    limit = t2_limit(scores.shape[1], modes.m, alpha)
    q_limit, note = residual_limit(modes.rest, alpha)
    return ModeChart(
        scores=scores, t2=t2, t2_limit=limit, t2_beyond=t2 > limit, q=q, q_limit=q_limit,
        q_beyond=q > q_limit, alpha=alpha, n=int((~np.isnan(t2)).sum()),
        note=note or _note(modes.m, 10 * (len(modes.rest) + len(modes.variance))),
    )  # fmt: skip


def _note(m: int, wanted: int) -> str:
    rough = f"{m} reference pieces: the residual's limit is rough below {wanted}"
    return rough if m < wanted else ""


def residual_limit(rest: Floats, alpha: float) -> tuple[float, str]:
    """Return the limit of Q for the variances left over, and a note where there is none.

    Q is a sum of chi-squares of one degree of freedom weighted by the variances; its tail is
    found from its Laplace transform, not by an approximating law, which for a few unequal
    variances can miss the promised rate by a fifth [1]_.
    """
    arrays.require(0 < alpha < 1, "alpha", alpha, "between 0 and 1")
    weights = rest[rest > 0]
    if not weights.size:
        return float("nan"), "the modes carry all there is: nothing is left to chart beside them"
    top = float(weights.sum() * chi2_isf(alpha / 1e3, 1))
    return float(brentq(lambda q: weighted_chi2_sf(q, weights) - alpha, 1e-9 * top, top)), ""


def weighted_chi2_sf(q: float, weights: Floats, terms: int = 40) -> float:
    """Return P(Σ w_j χ²_1 > q), its transform inverted on Talbot's path [2]_ (error below 1e-9)."""
    angle = np.arange(1, terms) * np.pi / terms
    r = 2 * terms / (5 * q)
    cot = 1 / np.tan(angle)
    path = np.concatenate([[r + 0j], r * angle * (cot + 1j)])
    slope = np.concatenate([[0.5 + 0j], 1 + 1j * (angle + (angle * cot - 1) * cot)])
    transform = (1 - np.prod(1 / np.sqrt(1 + 2 * weights * path[:, None]), axis=1)) / path
    return float(r / terms * np.real(np.exp(q * path) * transform * slope).sum())
