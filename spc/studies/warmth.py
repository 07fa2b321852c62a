"""A run as it would be at 20 °C: an estimate beside the raw figures, never in their place."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.ball import compensate_ball
from spc.alignment.fit import fit_planes
from spc.alignment.thermal import REFERENCE_C, to_reference
from spc.plan import Plan
from spc.studies.arrays import Array, PlanArrays

#: Relative standard deviation of the expansion: tables of one polymer differ by about this much
#: (common practice, no published source).
SPREAD = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmPoint:
    """One point at 20 °C; lengths in mm.

    Parameters
    ----------
    point
        Its name.
    deviation
        As measured, warm or cold: the figure that counts.
    corrected
        As it would be at 20 °C.
    change
        The correction.
    uncertainty
        Its standard deviation, from that of the expansion.
    """

    point: str
    deviation: float
    corrected: float
    change: float
    uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """A run brought to 20 °C (ISO 1); lengths in mm.

    Parameters
    ----------
    temperature
        Of the part, °C; NaN where unknown.
    expansion, spread
        Linear expansion per kelvin that the plan states, and its relative standard deviation.
    percent
        By which lengths were changed.
    largest, uncertainty
        By how much the point farthest from the middle was moved before the fit, and the standard
        deviation of that.
    points
        Every measured point.
    note
        Why there is no correction; empty where there is one.
    """

    temperature: float
    expansion: float
    spread: float
    percent: float
    largest: float
    uncertainty: float
    points: tuple[WarmPoint, ...]
    note: str


def warmth_of(
    plan: Plan, geometry: PlanArrays, means: Array, weights: Array, celsius: float
) -> Warmth | None:
    """Return a run brought to 20 °C, or None where the plan states no expansion.

    Parameters
    ----------
    plan, geometry
        The plan.
    means
        (1, points, 3), mm in the arm's frame.
    weights
        (points,), of the working fit.
    celsius
        Temperature of the part, °C; NaN where unknown.
    """
    alpha = plan.material.expansion if plan.material else None
    if alpha is None:
        return None
    raw = fit_planes(means, geometry.aims, geometry.normals, weights)
    if not np.isfinite(celsius) or not raw.converged[0]:
        why = "the part's temperature is unknown" if raw.converged[0] else "there is no fit"
        return _none(celsius, alpha, f"no figure for {REFERENCE_C:g} °C: {why}")
    surface = compensate_ball(means, raw.rotation, geometry.normals, plan.ball_radius)
    found = to_reference(surface, celsius, alpha, expansion_uncertainty=SPREAD)
    at = fit_planes(found.points, geometry.nominals, geometry.normals, weights).deviations[0]
    was = raw.deviations[0]
    return Warmth(
        temperature=celsius, expansion=alpha, spread=SPREAD,
        percent=100.0 * float(found.factor[0] - 1.0), largest=float(found.largest[0]),
        uncertainty=float(found.uncertainty[0]),
        points=tuple(
            WarmPoint(
                point=geometry.names[k], deviation=float(was[k]), corrected=float(at[k]),
                change=float(at[k] - was[k]), uncertainty=SPREAD * abs(float(at[k] - was[k])),
            )
            for k in np.flatnonzero(np.isfinite(was))
        ),
        note="",
    )  # fmt: skip


def _none(celsius: float, alpha: float, note: str) -> Warmth:
    return Warmth(
        temperature=celsius, expansion=alpha, spread=SPREAD, percent=np.nan, largest=np.nan,
        uncertainty=np.nan, points=(), note=note,
    )  # fmt: skip
