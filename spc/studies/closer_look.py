"""A closer look at one run: mistakes, the second opinion, the part at 20 °C, the arm's stations."""

from dataclasses import dataclass

import pandas as pd

from spc.alignment.hits import average_hits
from spc.plan import Plan
from spc.studies.arrays import Array, PlanArrays, hit_array
from spc.studies.fitting import fit_hits
from spc.studies.mistakes import Mistake, mistakes
from spc.studies.reference import Reference
from spc.studies.second_opinion import SecondOpinion, second_opinion_of
from spc.studies.station_join import Stations, stations_of
from spc.studies.warmth import Warmth, warmth_of


@dataclass(frozen=True, slots=True, kw_only=True)
class CloserLook:
    """What a closer look at a run's positions says.

    Parameters
    ----------
    mistakes
        Gross mistakes recognised; none for most runs.
    second
        The second opinion that the plan asks for; None where it asks for none.
    warmth
        The run at 20 °C; None where the plan states no expansion.
    stations
        The arm's stations; None where there is one.
    """

    mistakes: tuple[Mistake, ...] = ()
    second: SecondOpinion | None = None
    warmth: Warmth | None = None
    stations: Stations | None = None


def closer_look(
    plan: Plan,
    geometry: PlanArrays,
    hits: pd.DataFrame,
    weights: Array,
    known: Reference | None,
    celsius: float,
) -> CloserLook:
    """Look at one run's hits.

    Parameters
    ----------
    plan, geometry
        The plan of its working fit.
    hits
        Its hits as the store has them.
    weights
        (points,), of the working fit.
    known
        What is usual for its mould, or None.
    celsius
        Temperature of the part, °C; NaN where unknown.
    """
    laid = hit_array(hits, pd.Series([0] * len(hits)), 1, geometry.names)
    fitted = fit_hits(plan, laid, (geometry.weights > 0)[None] & (weights == 0)[None])
    means, _ = average_hits(laid)
    return CloserLook(
        mistakes=mistakes(plan, laid, fitted)[0],
        second=second_opinion_of(plan, geometry, means, weights, known),
        warmth=warmth_of(plan, geometry, means, weights, celsius),
        stations=stations_of(hits, geometry, fitted.fit.rotation[0]),
    )
