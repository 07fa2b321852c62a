"""Second opinions on a fit in which one or two readings may be far off.

Neither replaces the fit of the plan. They answer one question: does the result hang on a reading
that the others contradict?

References
----------
.. [1] Huber, P. J. (1964), Robust estimation of a location parameter, Ann. Math. Statist. 35, 73.
.. [2] Rousseeuw, P. J. (1984), Least median of squares regression, J. Amer. Statist. Assoc. 79,
   871: least trimmed squares.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_points, as_positive, as_weights
from spc.alignment.cofactors import Cofactors, cofactors
from spc.alignment.fit import PlaneFit, fit_planes
from spc.alignment.geometry import holds, unique_rows
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Huber's factors have settled when none changes by more than this.
SETTLED = 1e-4
#: A set of points of which the residuals are this close to dependent cannot be left out together.
DEPENDENT = 1e-6
#: Runs whose subsets are compared together; bounds the memory.
CHUNK = 1024


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HuberFit:
    """Fits in which a residual beyond the bound pulls no harder than one at the bound.

    Parameters
    ----------
    fit
        The fits; their ``ssr`` and ``sigma`` are of the reduced weights and no test statistics.
    factors
        (runs, points), by which each reading's weight was reduced, 0 to 1; NaN at check points
        and missing ones.
    rounds
        (runs,), times the weights were set anew.
    settled
        (runs,), whether the factors came to rest. They drift on where points that cannot be told
        apart are all beyond the bound: then the data prefer none of them.
    """

    fit: PlaneFit
    factors: Array
    rounds: Ints
    settled: Bools


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrimmedFit:
    """Fits without the readings whose omission lowers the sum of squares most.

    Parameters
    ----------
    omitted
        (runs, omit), the points left out; −1 where no such fit is possible.
    ssr
        (runs,), weighted sum of squares that is left, mm²; NaN where not possible.
    ssr_full
        (runs,), with all points.
    rival
        (runs, omit), the next best set to leave out; −1 where there is none.
    rival_ssr
        (runs,), what it would leave. Close to ``ssr``, the data cannot say which set is at fault.
    fit
        Full refits without the points.
    """

    omitted: Ints
    ssr: Array
    ssr_full: Array
    rival: Ints
    rival_ssr: Array
    fit: PlaneFit


def huber_fit(
    points: ArrayLike,
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    sigma: float,
    bound: float = 1.5,
    max_rounds: int = 200,
) -> HuberFit:
    """Fit with Huber's weights on standardised residuals.

    Parameters
    ----------
    points, nominals, normals, weights
        As in ``fit_planes``.
    sigma
        SD of a weight-one reading, mm, from history: nine residuals with three degrees of
        freedom cannot tell their own scale and an outlier apart.
    bound
        Standardised residual beyond which the pull no longer grows.
    max_rounds
        At most.

    Returns
    -------
    HuberFit

    Notes
    -----
    Residuals are divided by σ sqrt(redundancy / weight) of the plan's own fit: a point with high
    leverage shows little of its error, and by raw residuals it would never be doubted.
    """
    p, n = as_plan(nominals, normals)
    m = as_points(points, len(p))
    w = as_weights(weights, m.shape[:2]) * ~np.isnan(m[..., 0])
    own = _own_sd(p, n, w) * as_positive(sigma, "sigma")
    limit = as_positive(bound, "bound") * own
    factors = np.where(w > 0.0, 1.0, np.nan)
    rounds = np.zeros(len(m), dtype=np.int64)
    settled = np.zeros(len(m), dtype=np.bool_)
    for _ in range(max_rounds):
        rows = np.flatnonzero(~settled)
        if not len(rows):
            break
        now = fit_planes(m[rows], p, n, w[rows] * np.nan_to_num(factors[rows]))
        size = np.maximum(np.abs(now.deviations), np.finfo(np.float64).tiny)
        new = np.where(np.isnan(limit[rows]), factors[rows], np.minimum(1.0, limit[rows] / size))
        new = np.where(np.isnan(new), factors[rows], new)
        change = np.nan_to_num(np.abs(new - factors[rows])).max(axis=-1, initial=0.0)
        factors[rows] = new
        rounds[rows] += 1
        settled[rows] = change <= SETTLED
    fit = fit_planes(m, p, n, w * np.nan_to_num(factors))
    return HuberFit(fit=fit, factors=factors, rounds=rounds, settled=settled & fit.converged)


def _own_sd(p: Array, n: Array, w: Array) -> Array:
    """Return the SD of each residual at σ = 1, NaN where unchecked or not in the fit."""
    distinct, which = unique_rows(w)
    found = cofactors(holds(p, n, distinct))
    variance = np.diagonal(found.cofactor, axis1=-2, axis2=-1)
    return np.asarray(np.sqrt(np.where(found.label >= 0, variance, np.nan))[which])


def trimmed_fit(
    points: ArrayLike,
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    omit: int = 1,
) -> TrimmedFit:
    """Leave out the set of readings whose omission lowers the sum of squares most.

    Parameters
    ----------
    points, nominals, normals, weights
        As in ``fit_planes``.
    omit
        How many readings to leave out of each run, 1 or more; all sets are compared [2]_.

    Returns
    -------
    TrimmedFit
        A set that would leave a motion free, or not a single degree of freedom, is not
        considered.

    Notes
    -----
    With v the residuals and Q their cofactors, leaving out the set S lowers the sum by
    v_S' Q_SS⁻¹ v_S to first order; the two best sets are then refitted in full.
    """
    p, n = as_plan(nominals, normals)
    m = as_points(points, len(p))
    if not 1 <= omit <= max(len(p), 1):
        raise DataError(f"omit is {omit}; it must lie from 1 to the number of points, {len(p)}")
    full = fit_planes(m, p, n, weights)
    w = as_weights(weights, m.shape[:2]) * ~np.isnan(m[..., 0])
    sets = np.array(list(combinations(range(len(p)), omit)), dtype=np.int64).reshape(-1, omit)
    best, rival = _two_best(full, _moved(full, m, p), n, w, sets)
    fit, other = _without(m, p, n, w, best), _without(m, p, n, w, rival)
    # The ranking is linear; where two sets are that close the full refits decide.
    turned = other.ssr < fit.ssr
    best, rival = np.where(turned[:, None], [rival, best], [best, rival])
    return TrimmedFit(
        omitted=best,
        ssr=np.where(turned, other.ssr, fit.ssr),
        ssr_full=full.ssr,
        rival=rival,
        rival_ssr=np.where(turned, fit.ssr, other.ssr),
        fit=_without(m, p, n, w, best) if turned.any() else fit,
    )


def _without(m: Array, p: Array, n: Array, w: Array, omitted: Ints) -> PlaneFit:
    """Refit without each run's own set; a run without a set gets no fit."""
    keep = w.copy()
    rows = np.flatnonzero(omitted[:, 0] >= 0)
    keep[rows[:, None], omitted[rows]] = 0.0
    keep[omitted[:, 0] < 0] = 0.0
    return fit_planes(m, p, n, keep)


def _set_inverses(found: Cofactors, sets: Ints) -> Array:
    """Return (k, sets, omit, omit), the inverse cofactors; NaN where a set cannot be left out."""
    block = found.cofactor[:, sets[:, :, None], sets[:, None, :]]
    checked = np.take(found.label, sets, axis=1).min(axis=-1) >= 0
    size = np.sqrt(np.where(checked[..., None], np.diagonal(block, axis1=-2, axis2=-1), 1.0))
    scale = size[..., :, None] * size[..., None, :]
    eye = np.eye(sets.shape[1])
    relative = np.where(checked[..., None, None], block / scale, eye)
    least = np.linalg.eigvalsh(relative)[..., 0]
    sound = (checked & (least > DEPENDENT))[..., None, None]
    return np.where(sound, np.linalg.inv(np.where(sound, relative, eye)) / scale, np.nan)


def _moved(full: PlaneFit, m: Array, p: Array) -> Array:
    """Return where the points lie after the fit; the nominal place where there is none."""
    moved = m @ np.swapaxes(full.rotation, -1, -2) + full.translation[:, None]
    return np.where(np.isnan(moved), p, moved)


def _two_best(full: PlaneFit, moved: Array, n: Array, w: Array, sets: Ints) -> tuple[Ints, Ints]:
    """Return the set of each run that lowers the sum most, and the next; −1 where none may go.

    The cofactors are those of the points as measured: between sets that come close the few
    millimetres by which a hand misses its place decide.
    """
    omit = sets.shape[1]
    chosen = np.full((2, len(w), omit), -1, dtype=np.int64)
    v = np.where(w > 0.0, full.deviations, np.nan)
    for start in range(0, len(w), CHUNK):
        rows = np.arange(start, min(start + CHUNK, len(w)))
        inverse = _set_inverses(cofactors(holds(moved[rows], n, w[rows])), sets)
        part = v[rows][:, sets]
        drop = (part[:, :, None] @ inverse @ part[..., None])[..., 0, 0]
        possible = (full.dof[rows] > omit)[:, None]
        drop = np.where(possible & ~np.isnan(drop), drop, -1.0)
        for place in range(min(2, drop.shape[1])):
            top = drop.argmax(axis=1)
            good = drop[np.arange(len(rows)), top] >= 0.0
            chosen[place, rows[good]] = sets[top[good]]
            drop[np.arange(len(rows)), top] = -1.0
    return chosen[0], chosen[1]
