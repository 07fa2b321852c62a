"""What a run's review works with: its fit, and what is usual for its mould."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from spc.alignment.modes import ResidualModes, residual_modes
from spc.alignment.reliability import PlanReliability, reliability
from spc.alignment.residuals import ResidualTests, examine
from spc.errors import NotFoundError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.history import History, one_run, production
from spc.studies.reference import Neighbours, Reference, like_its_neighbours, reference

#: Of the smallest detectable error: Baarda's usual pair.
DETECT_ALPHA, DETECT_POWER = 0.001, 0.80


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Examined:
    """What the review of a run works with; arrays are (points,) in the plan's order, mm.

    Parameters
    ----------
    row
        The run as the store has it.
    history
        The history that is this run alone.
    weights
        Weights in the fit; 0 where not measured or left out.
    modes
        What the residuals of this fit can say.
    trust
        Leverage, redundancy and detectable errors of its points.
    known, why_unknown
        What is usual for its mould, or why that cannot be said.
    lately
        How the run lies among its neighbours in time; None where nothing is usual yet.
    residuals
        Deviations less the usual ones.
    tests
        Tests of the residuals, one point at a time.
    sigma
        Standard deviation of a reading that the tests use.
    probing, probing_dof
        Standard deviation of a point's mean from its hits, and its degrees of freedom.
    """

    row: Any
    history: History
    weights: Array
    modes: ResidualModes
    trust: PlanReliability
    known: Reference | None
    why_unknown: str
    lately: Neighbours | None
    residuals: Array
    tests: ResidualTests
    sigma: float
    probing: float
    probing_dof: int


def examined(store: Store, row: Any, known_past: History | None = None) -> Examined:
    """Return what the review of a run works with.

    Parameters
    ----------
    store
        An open store.
    row
        The run as the store has it.
    known_past
        The production history, where it is already read; it serves runs fitted to its plan.
    """
    if known_past is not None and known_past.plan.plan_id != row["plan_id"]:
        known_past = None
    plan = read.plan_by_id(store, str(row["plan_id"])) if known_past is None else known_past.plan
    history = _alone(store, plan, str(row["run_id"]), known_past)
    geometry = history.geometry
    omitted = tuple(p for p in str(row["omitted"]).split(",") if p)
    out = np.isin(geometry.names, omitted) | ~np.isfinite(history.deviations[0])
    weights = np.where(out, 0.0, geometry.weights)
    modes = residual_modes(geometry.nominals, geometry.normals, weights, geometry.names)
    past = _production(store, plan) if known_past is None else known_past
    known, why = (
        reference(past, modes, str(row["mould"]), str(row["run_id"]))
        if past is not None
        else (None, "no production run is in the store yet")
    )
    residuals = history.deviations[0] - (0.0 if known is None else known.mean)
    sigma = known.noise if known is not None and np.isfinite(known.noise) else np.nan
    usable = bool(np.isfinite(sigma) and sigma > 0)
    probing, probing_dof = _probing(history if past is None else past)
    return Examined(
        row=row, history=history, weights=weights, modes=modes, known=known, why_unknown=why,
        lately=None
        if known is None or past is None
        else like_its_neighbours(past, modes, known, row, history.deviations[0]),
        trust=reliability(
            geometry.nominals, geometry.normals, weights, alpha=DETECT_ALPHA, power=DETECT_POWER
        ),
        residuals=residuals,
        tests=examine(
            residuals[None], geometry.nominals, geometry.normals, weights,
            sigma=sigma if usable else None,
            sigma_dof=float(known.noise_dof) if usable and known is not None else np.inf,
        ),
        sigma=sigma if usable else float(row["noise"]), probing=probing, probing_dof=probing_dof,
    )  # fmt: skip


def _alone(store: Store, plan: Plan, run_id: str, past: History | None) -> History:
    """Return the history that is the run alone."""
    mine = None if past is None else np.asarray(past.runs["run_id"] == run_id)
    if past is None or mine is None or not mine.any():
        return one_run(store, plan, run_id)
    return past.where(mine)


def _production(store: Store, plan: Plan) -> History | None:
    try:
        return production(store, plan)
    except NotFoundError:
        return None


def _probing(past: History) -> tuple[float, int]:
    """Return the standard deviation of a point's mean from all hits, and its dof."""
    hits = np.nan_to_num(past.hits)
    dof = np.where(np.isfinite(past.hit_sd), np.maximum(hits - 1, 0), 0)
    total = float(dof.sum())
    if not total:
        return np.nan, 0
    variance = float((np.nan_to_num(past.hit_sd) ** 2 * dof).sum() / total)
    return float(np.sqrt(variance / hits[hits > 0].mean())), int(total)
