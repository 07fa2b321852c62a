"""Fit runs onto a plan and lay the results out as the store's rows."""

import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc import __version__
from spc.alignment.fit import PlaneFit, fit_planes
from spc.alignment.hits import HitSpread, average_hits, hit_deviations, hit_spread
from spc.identity import content_hash, content_hashes
from spc.plan import CHECK, FIT, Plan
from spc.studies.arrays import Array, PlanArrays, named, plan_arrays

#: A fitted run resembles its plan where its points lie, on average, within this share of the
#: plan's size of their nominals. Placing a probe is good to some millimetres on a part of a metre,
#: so a true run is far inside; a wrong unit, part or order of points is far outside.
RESEMBLANCE = 0.10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """Runs fitted onto a plan.

    Parameters
    ----------
    plan
        The plan.
    fit
        The batched best fit.
    spread
        Spread of the hits within points.
    counts
        (runs, points), hits per point.
    weights
        (runs, points), weights used, 0 where check, omitted or missing.
    resembles
        (runs,), True where the positions look like the plan.
    size_ratio
        (runs,), extent of the measured points over the extent of the same points in the plan.
    """

    plan: Plan
    fit: PlaneFit
    spread: HitSpread
    counts: npt.NDArray[np.int64]
    weights: Array
    resembles: npt.NDArray[np.bool_]
    size_ratio: Array


def fit_hits(plan: Plan, hits: Array, omitted: npt.NDArray[np.bool_] | None = None) -> Fitted:
    """Fit hits (runs, points, hits, 3), leaving out ``omitted`` (runs, points) where given."""
    geometry = plan_arrays(plan)
    means, counts = average_hits(hits)
    weights = np.broadcast_to(geometry.weights, means.shape[:2]).copy()
    weights[~np.isfinite(means).all(axis=2)] = 0.0
    if omitted is not None:
        weights[omitted] = 0.0
    fit = fit_planes(means, geometry.aims, geometry.normals, weights)
    deviations = hit_deviations(
        hits, fit.rotation, fit.translation, geometry.aims, geometry.normals
    )
    ratio = _size_ratio(means, geometry)
    return Fitted(
        plan=plan,
        fit=fit,
        spread=hit_spread(deviations),
        counts=counts,
        weights=weights,
        resembles=_resembles(fit, geometry),
        size_ratio=ratio,
    )


def _plan_size(nominals: Array) -> float:
    return float(np.sqrt(((nominals - nominals.mean(axis=0)) ** 2).sum(axis=1).mean()))


def _resembles(fit: PlaneFit, geometry: PlanArrays) -> npt.NDArray[np.bool_]:
    squares = fit.deviations**2 + fit.tangential**2
    measured = np.isfinite(squares)
    mean = np.where(measured, squares, 0.0).sum(axis=1) / np.maximum(measured.sum(axis=1), 1)
    near = np.sqrt(mean) < RESEMBLANCE * _plan_size(geometry.aims)
    return np.asarray(near & fit.converged)


def _size_ratio(means: Array, geometry: PlanArrays) -> Array:
    there: npt.NDArray[np.bool_] = np.asarray(np.isfinite(means).all(axis=2))
    count = np.maximum(there.sum(axis=1), 1)[:, None]

    def extent(points: Array) -> Array:
        kept = np.where(there[:, :, None], points, 0.0)
        mean = np.einsum("rpk->rk", kept) / count
        centred = np.where(there[:, :, None], points - mean[:, None], 0.0)
        return np.asarray(np.sqrt(np.einsum("rpk,rpk->r", centred, centred)))

    nominal = extent(np.broadcast_to(geometry.aims, means.shape))
    return extent(means) / np.where(nominal > 0, nominal, np.nan)


def fit_rows(
    fitted: Fitted,
    run_ids: list[str],
    at: pd.Timestamp,
    *,
    result_set: str = "",
    omitted: list[str] | None = None,
    begun: Callable[[pd.DataFrame], None] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the store's rows for ``fit`` and ``deviation``; a run that cannot be fitted has none.

    Parameters
    ----------
    fitted
        The fits, one a run.
    run_ids
        Their runs.
    at
        The time of fitting, UTC.
    result_set
        Name of the set of results.
    omitted
        For each run the omitted points, comma separated.
    begun
        Given the rows of ``deviation``, the larger table, while those of ``fit`` are still made.
    """
    plan, fit, spread = fitted.plan, fitted.fit, fitted.spread
    left_out = omitted or [""] * len(run_ids)
    names = np.array([p.id for p in plan.points], dtype=object)
    fit_ids = _fit_identities(run_ids, plan, left_out, result_set)
    deviation = _deviation_rows(fitted, run_ids, fit_ids, names)
    if begun is not None:
        begun(deviation)
    rows = np.arange(len(run_ids))
    worst = np.maximum(fit.worst, 0)
    frame = pd.DataFrame(
        {
            "fit_id": fit_ids,
            "run_id": run_ids,
            "plan_id": plan.plan_id,
            "result_set": result_set,
            "origin": "computed",
            "method": plan.method,
            "omitted": left_out,
            "n_points": fit.n_points,
            "dof": fit.dof,
            "ssr": fit.ssr,
            "noise": fit.sigma,
            "worst_point": names[worst],
            "worst_residual": fit.deviations[rows, worst],
            "hit_sd": spread.pooled,
            "hit_dof": spread.pooled_dof,
            "iterations": fit.iterations,
            "rotation": _lists(fit.rotation.reshape(-1, 9)),
            "translation": _lists(fit.translation),
            "fitted_at": at,
            "tool_version": __version__,
        }
    )
    good = fit.converged
    return frame[good].reset_index(drop=True), deviation


def _lists(rows: Array) -> list[str]:
    """Return each row of a table as a JSON list; to spell all at once costs far less."""
    if not len(rows):
        return []
    return [f"[{row}]" for row in json.dumps(rows.tolist())[2:-2].split("], [")]


def fit_identity(run_id: str, plan: Plan, omitted: str, result_set: str) -> str:
    """Return the content hash of a fit computed here."""
    return content_hash("fit", run_id, plan.plan_id, plan.method, omitted, result_set)


def _fit_identities(
    run_ids: list[str], plan: Plan, omitted: list[str], result_set: str
) -> list[str]:
    """Return `fit_identity` of each run; most leave nothing out and are hashed together."""
    if any(omitted):
        return [
            fit_identity(run, plan, out, result_set)
            for run, out in zip(run_ids, omitted, strict=True)
        ]
    after = (plan.plan_id, plan.method, "", result_set)
    return content_hashes(run_ids, before=("fit",), after=after)


def _deviation_rows(
    fitted: Fitted, run_ids: list[str], fit_ids: list[str], names: npt.NDArray[np.object_]
) -> pd.DataFrame:
    fit = fitted.fit
    run, point = np.nonzero(np.isfinite(fit.deviations) & fit.converged[:, None])
    held = fitted.weights[run, point] > 0
    deviation = fit.deviations[run, point]
    return pd.DataFrame(
        {
            "fit_id": named(run, fit_ids),
            "run_id": named(run, run_ids),
            "point": named(point, list(names)),
            "role": named(held.astype(np.int8), [CHECK, FIT]),
            "deviation": deviation,
            "residual": np.where(held, deviation, np.nan),
            "hits": fitted.counts[run, point],
            "hit_sd": fitted.spread.sd[run, point],
            "tangential": fit.tangential[run, point],
        }
    )
