"""What a plan's fit can see before anything is measured: the blind spots of its geometry.

References
----------
.. [1] Baarda, W. (1967), Statistical concepts in geodesy; (1968), A testing procedure for use in
   geodetic networks, Netherlands Geodetic Commission, New Series 2, 4 and 5.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, chndtrinc

from spc.alignment.checks import as_fraction, as_plan, as_positive, as_weights
from spc.alignment.cofactors import Cofactors, cofactors
from spc.alignment.geometry import Holds, holds
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Residuals correlated beyond this are named together: "A or B".
NEAR_TIE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NearTie:
    """Two fit points that a fit tells apart badly, though not never.

    Parameters
    ----------
    first, second
        Indices of the points, ``first`` the lower.
    correlation
        Of their residuals, signed.
    """

    first: int
    second: int
    correlation: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanReliability:
    """What the fit of a plan shows and hides. NaN where it does not apply or the rank is below 6.

    Parameters
    ----------
    n_points, rank, dof
        Fit points, motions that they hold, and n_points − 6.
    weights
        (points,), as given.
    leverage
        (points,), share of an error at a fit point that moves the whole part instead of showing.
    redundancy
        (points,), share that shows in the point's own residual; the two add to one.
    cofactor
        (points, points), covariance of residuals at SD one of a weight-one reading.
    correlation
        (points, points), of residuals.
    groups
        Points that cannot be told apart, in sets; every fit point that is checked is in one set.
    near_ties
        Pairs beyond the threshold of correlation and yet not tied.
    unchecked
        Fit points whose residual is always zero: the fit says nothing about them.
    noncentrality
        δ₀, how many SDs off a standardised residual must be for the asked power.
    alpha, power
        Of the two-sided test of one residual that ``detectable`` stands for.
    detectable
        (points,), smallest error at a fit point that this test finds with this power, in units of
        the SD of a weight-one reading: δ₀ / sqrt(weight · redundancy) [1]_; infinite where
        unchecked.
    response
        (points, points), change of the deviation at the first index in mm when the reading at the
        second is off by 1 mm outwards; the identity at check points, which move nothing else.
    hidden_shift
        (points, points), response times ``detectable``: what the smallest error that would just
        be found does elsewhere, in units of the SD of a weight-one reading.
    alignment_sigma
        (points,), SD that the alignment brings into the deviation there, in the same unit, for
        every point as if it were a check patch.
    inflation
        (points,), sqrt(1 + alignment_sigma²) at check points: how much noisier a check patch is
        than its own probing. NaN at fit points.
    condition
        Of the scaled design; infinite where the rank is below 6.
    note
        Plain words where the plan limits what can be said; else empty.
    """

    n_points: int
    rank: int
    dof: int
    weights: Array
    leverage: Array
    redundancy: Array
    cofactor: Array
    correlation: Array
    groups: tuple[tuple[int, ...], ...]
    near_ties: tuple[NearTie, ...]
    unchecked: tuple[int, ...]
    noncentrality: float
    alpha: float
    power: float
    detectable: Array
    response: Array
    hidden_shift: Array
    alignment_sigma: Array
    inflation: Array
    condition: float
    note: str


def noncentrality(alpha: float, power: float, dof: int = 1) -> float:
    """Return δ₀, the square root of the non-centrality that a χ² test needs.

    Parameters
    ----------
    alpha
        Chance of a false alarm; with one degree of freedom, of the two-sided normal test.
    power
        Chance of finding; above ``alpha``.
    dof
        Degrees of freedom of the test.

    Examples
    --------
    Baarda's value for 0.1 % and 80 % [1]_:

    >>> round(noncentrality(0.001, 0.80), 2)
    4.13

    References
    ----------
    .. [1] Baarda, W. (1968), A testing procedure for use in geodetic networks.
    """
    a, b = as_fraction(alpha, "alpha"), as_fraction(power, "power")
    as_positive(dof, "dof")
    if b <= a:
        raise DataError(f"power is {b:g}; it must lie above alpha, {a:g}")
    return float(np.sqrt(chndtrinc(chdtri(dof, a), dof, 1.0 - b)))


def reliability(
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    alpha: float = 0.001,
    power: float = 0.80,
    near: float = NEAR_TIE,
) -> PlanReliability:
    """Work out what the fit of a plan shows and hides.

    Parameters
    ----------
    nominals, normals
        (points, 3), mm and outward unit normals.
    weights
        (points,); 0 = check point.
    alpha, power
        Of the test of one residual that the smallest detectable error stands for.
    near
        Correlation of residuals from which two points are named together.

    Returns
    -------
    PlanReliability
        For a degenerate plan NaN with a note, never an exception.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (1, len(p)))
    held = holds(p, n, w)
    found = cofactors(held)
    delta = noncentrality(alpha, power)
    detectable = _detectable(w, found, delta)[0]
    response = _response(held)[0]
    alignment = np.sqrt((held.lever[0] ** 2).sum(-1))
    n_points, rank = int((w > 0.0).sum()), int(held.rank[0])
    label = found.label[0]
    unchecked = tuple(int(i) for i in np.flatnonzero((w[0] > 0.0) & (label < 0) & (rank == 6)))
    return PlanReliability(
        n_points=n_points,
        rank=rank,
        dof=n_points - 6,
        weights=w[0],
        leverage=found.leverage[0],
        redundancy=found.redundancy[0],
        cofactor=found.cofactor[0],
        correlation=found.correlation[0],
        groups=_groups(label),
        near_ties=_near_ties(found.correlation[0], label, as_fraction(near, "near")),
        unchecked=unchecked,
        noncentrality=delta,
        alpha=float(alpha),
        power=float(power),
        detectable=detectable,
        response=response,
        hidden_shift=_times(response, detectable),
        alignment_sigma=alignment,
        inflation=np.where(w[0] > 0.0, np.nan, np.sqrt(1.0 + alignment**2)),
        condition=float(held.condition[0]),
        note=_note(n_points, rank, unchecked),
    )


def _times(response: Array, detectable: Array) -> Array:
    """Return response times detectable; an error that is never found has no bound, hence inf."""
    none = np.abs(response) < 1e-12
    finite = np.where(np.isfinite(detectable), detectable, 0.0)
    product = response * finite
    endless = np.isinf(detectable) & ~none
    product = np.where(endless, np.copysign(np.inf, response), product)
    return np.where(np.isnan(detectable), np.nan, product)


def _detectable(weights: Array, found: Cofactors, delta: float) -> Array:
    visible = weights * found.redundancy
    checked = found.label >= 0
    size = delta / np.sqrt(np.where(checked, visible, 1.0))
    unchecked = np.where(np.isnan(found.redundancy), np.nan, np.inf)
    return np.where(checked, size, unchecked)


def _response(held: Holds) -> Array:
    """Return (k, points, points); columns of check points come out as the identity, weight 0."""
    moved = (held.lever @ np.swapaxes(held.lever, -1, -2)) * held.weights[:, None, :]
    return np.asarray(np.eye(held.weights.shape[1]) - moved)


def _groups(label: Ints) -> tuple[tuple[int, ...], ...]:
    heads = [int(i) for i in np.unique(label) if i >= 0]
    return tuple(tuple(int(i) for i in np.flatnonzero(label == head)) for head in heads)


def _near_ties(correlation: Array, label: Ints, near: float) -> tuple[NearTie, ...]:
    close = (np.abs(correlation) >= near) & (label[:, None] != label[None, :])
    first, second = np.nonzero(np.triu(close, 1))
    return tuple(
        NearTie(first=int(i), second=int(j), correlation=float(correlation[i, j]))
        for i, j in zip(first, second, strict=True)
    )


def _note(n_points: int, rank: int, unchecked: tuple[int, ...]) -> str:
    if rank < 6:
        return f"the fit points hold {rank} of the 6 motions of the part: no fit is possible"
    if n_points == 6:
        return "6 fit points: every residual is always zero and the fit checks nothing"
    if n_points == 7:
        return (
            "7 fit points: one degree of freedom, so every standardised residual has the same "
            "size and none can be singled out"
        )
    if unchecked:
        return f"{len(unchecked)} fit point(s) have a residual that is always zero: unchecked"
    return ""
