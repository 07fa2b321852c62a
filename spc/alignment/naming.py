"""How often the point with the largest residual is not the one that is wrong.

Residuals of neighbouring fit points are correlated, so an error at one shows at others too, and
noise can lift the wrong one to the top.

References
----------
.. [1] Förstner, W. (1983), Reliability and discernability of extended Gauss-Markov models,
   Deutsche Geodätische Kommission A 98, 79-103: naming the wrong one of two suspects.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from spc.alignment.checks import as_fraction, as_plan, as_positive, as_weights
from spc.alignment.cofactors import cofactors
from spc.alignment.geometry import holds

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NamingTable:
    """Which point is named when one is wrong, by seeded simulation.

    Parameters
    ----------
    size
        Error planted, mm.
    sigma
        SD of a weight-one reading, mm.
    alpha
        Chance that anything is named when nothing is wrong (family-wise, over distinct points).
    trials
        Simulated runs a point.
    named
        (points, points), chance that the error at the first index leads to the second being
        named; a set that cannot be told apart stands under its lowest index. NaN at check points.
    missed
        (points,), chance that nothing is named.
    right
        (points,), chance that the set that holds the wrong point is named.
    wrong
        (points,), chance that another is named.
    standard_error
        Largest standard error of these chances, sqrt(0.25 / trials).
    """

    size: float
    sigma: float
    alpha: float
    trials: int
    named: Array
    missed: Array
    right: Array
    wrong: Array
    standard_error: float


def wrong_of_two(correlation: ArrayLike, shift: ArrayLike) -> Array:
    """Return the chance that of two suspects the wrong one has the larger standardised residual.

    Parameters
    ----------
    correlation
        Of the two residuals, −1 to 1.
    shift
        Expected standardised residual at the point that is wrong: its error times
        sqrt(weight · redundancy) / σ.

    Returns
    -------
    numpy.ndarray
        One half where |correlation| is one: a toss.

    Notes
    -----
    Exact: sum and difference of two standard normal variables are independent, so
    P(|w₂| > |w₁|) = Φ(a)Φ(b) + Φ(−a)Φ(−b) with a = −δ sqrt((1 − ρ)/2), b = δ sqrt((1 + ρ)/2).
    """
    rho, delta = np.asarray(correlation, np.float64), np.asarray(shift, np.float64)
    a = -delta * np.sqrt(0.5 * np.maximum(1.0 - rho, 0.0))
    b = delta * np.sqrt(0.5 * np.maximum(1.0 + rho, 0.0))
    return np.asarray(ndtr(a) * ndtr(b) + ndtr(-a) * ndtr(-b))


def naming_table(
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    size: float,
    sigma: float,
    alpha: float = 0.0027,
    trials: int = 4000,
    rng: np.random.Generator,
) -> NamingTable:
    """Simulate one wrong point at a time and count which one the largest residual names.

    Parameters
    ----------
    nominals, normals, weights
        The plan; (points, 3), (points, 3), (points,) with 0 = check point.
    size
        Error planted at the point, mm.
    sigma
        SD of a weight-one reading, mm.
    alpha
        Family-wise chance of a false alarm, by Šidák's bound over the distinct points.
    trials
        Simulated runs a point.
    rng
        Source of the noise; the same noise is used for every point.

    Returns
    -------
    NamingTable
        NaN where the plan has rank below 6 or no redundancy.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (1, len(p)))
    as_positive(size, "size")
    as_positive(sigma, "sigma")
    held = holds(p, n, w)
    found = cofactors(held)
    label, fit = found.label[0], w[0] > 0.0
    checked = label >= 0
    noise = rng.standard_normal((trials, len(p))) / np.sqrt(np.where(fit, w[0], 1.0))
    response = np.eye(len(p)) - (held.lever[0] @ held.lever[0].T) * w[0]
    response = np.where(fit[:, None] & fit[None, :], np.nan_to_num(response), 0.0)
    root = np.sqrt(np.where(checked, found.redundancy[0] / np.where(fit, w[0], 1.0), 1.0))
    shown = (noise @ response.T) / root
    shift = (size / sigma) * response.T / root
    heads = label == np.arange(len(p))
    statistic = np.where(heads, np.abs(shown[None] + shift[:, None]), -1.0)
    limit = _limit(as_fraction(alpha, "alpha"), int(found.groups[0]))
    return _count(statistic, limit, label, fit & (held.rank[0] == 6), size, sigma, alpha)


def _limit(alpha: float, groups: int) -> float:
    each = -np.expm1(np.log1p(-alpha) / max(groups, 1))
    return float(-ndtri(0.5 * each))


def _count(
    statistic: Array,
    limit: float,
    label: NDArray[np.int64],
    fit: NDArray[np.bool_],
    size: float,
    sigma: float,
    alpha: float,
) -> NamingTable:
    points, trials = statistic.shape[0], statistic.shape[1]
    if points == 0:
        top = np.zeros((0, trials), dtype=np.int64)
        loud = np.zeros((0, trials), dtype=np.bool_)
    else:
        top, loud = statistic.argmax(-1), statistic.max(-1) > limit
    hits = (top[..., None] == np.arange(points)) & loud[..., None]
    named = np.where(fit[:, None], hits.mean(axis=1), np.nan)
    missed = np.where(fit, 1.0 - loud.mean(axis=1), np.nan)
    own = np.take_along_axis(named, np.maximum(label, 0)[:, None], axis=1)[:, 0]
    right = np.where(fit, np.where(label >= 0, own, 0.0), np.nan)
    return NamingTable(
        size=float(size),
        sigma=float(sigma),
        alpha=float(alpha),
        trials=trials,
        named=named,
        missed=missed,
        right=right,
        wrong=np.maximum(1.0 - missed - right, 0.0),
        standard_error=float(np.sqrt(0.25 / trials)),
    )
