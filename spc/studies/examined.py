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
from spc.studies.fit_noise import FitNoise, NoiseAsked, fit_noise
from spc.studies.gauge_in_force import Gauges
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
    noise
        The measuring noise that the fit is held against, and where it comes from.
    gauges
        Gauge studies of the part.
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
    noise: FitNoise
    gauges: Gauges


def examined(
    store: Store, row: Any, known_past: History | None = None, *, gauges: Gauges | None = None,
    asked: NoiseAsked | None = None,
) -> Examined:  # fmt: skip
    """Return what the review of a run works with.

    Parameters
    ----------
    store
        An open store.
    row
        The run as the store has it.
    known_past
        The production history, where it is already read; it serves runs fitted to its plan.
    gauges
        The part's gauge studies, where they are already read.
    asked
        What the caller says about the measuring noise.
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
    gauges = Gauges(store, plan) if gauges is None else gauges
    measured = np.nan_to_num(history.hits[0])
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
        sigma=sigma if usable else float(row["noise"]), gauges=gauges,
        noise=fit_noise(
            history if past is None else past, gauges, row,
            float(measured[measured > 0].mean()) if (measured > 0).any() else np.nan,
            NoiseAsked() if asked is None else asked,
        ),
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
