"""The whole chain of variation of a study: batches, days, arms, probes and stations too."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.gauge.answer import commonest_hits
from spc.gauge.layout import lay_out
from spc.gauge.quantities import Quantities
from spc.gauge.reml import reml_study
from spc.gauge.reml_intervals import reml_quantities
from spc.gauge.separable import nested, separable
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.hits import hit_deviations_of
from spc.studies.same_setup import lifted_runs, setup_notes, stations_of

#: Factors that may be added, and the column of the run that says them.
FACTORS = {"batch": "batch", "day": "day", "device": "device", "probe": "probe",
           "reprobe": "setup", "station": "station"}  # fmt: skip
#: Runs of one set-up, nothing lifted between them.
REPROBE = "reprobe"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeChain:
    """Variation of a study from batch to hit, by restricted maximum likelihood; lengths in mm.

    Parameters
    ----------
    plan, study, runs
        What it is.
    factors
        The sources that the data tell apart, outermost first.
    levels
        Levels of each.
    merged
        Sources that cannot be told apart, and why.
    points
        Check points.
    quantities
        Components and gauge at each of ``points``.
    overall
        Root mean square of each source over the points.
    notes
        What the reader must know.
    """

    plan: Plan
    study: str
    runs: int
    factors: tuple[str, ...]
    levels: Mapping[str, int]
    merged: tuple[str, ...]
    points: tuple[str, ...]
    quantities: Quantities
    overall: Mapping[str, float]
    notes: tuple[str, ...]


def gauge_chain(
    store: Store, study: str, extra: tuple[str, ...], part: str | None = None,
    revision: str | None = None,
) -> GaugeChain:  # fmt: skip
    """Split a study's variation among pieces, people, set-ups and further factors.

    Parameters
    ----------
    store
        An open store.
    study
        Its name.
    extra
        Further factors: batch, day, device, probe, reprobe, station.
    part, revision
        The part.
    """
    for name in extra:
        if name not in FACTORS:
            raise InputError(f"no factor '{name}'", do=f"use {', '.join(FACTORS)}")
    plan = read.plan(store, part, revision)
    lifted, every, found = lifted_runs(store, plan, study)
    # Without telling re-probing apart, a set-up probed again would count as one more set-up.
    past = every if REPROBE in extra else lifted
    place = found.place if REPROBE in extra else np.arange(len(past.runs))
    deviations, _ = hit_deviations_of(store, past)
    at = np.flatnonzero(
        ~past.geometry.is_fit & (np.isfinite(deviations).any(axis=2).mean(axis=0) >= 0.5)
    )
    if not at.size:
        raise InputError(f"study '{study}' has no check point to judge by", do="probe check points")
    said = setup_notes(found, study, told=REPROBE in extra)
    code = _factors(store, past, extra, place)
    return _split(past, deviations[:, at], at, study, code, said)


def _split(
    past: History, deviations: Array, at: npt.NDArray[np.int64], study: str,
    code: dict[str, npt.NDArray[np.int64]], said: tuple[str, ...],
) -> GaugeChain:  # fmt: skip
    runs, points, hits = deviations.shape
    y = np.moveaxis(deviations, 1, 2).reshape(runs * hits, points)
    there = np.isfinite(y).any(axis=1)
    factors = {name: np.repeat(of_run, hits)[there] for name, of_run in code.items()}
    told = separable(factors)
    kept = {name: code for name, code in factors.items() if name in told.kept}
    found = reml_study(y[there], kept)
    run = factors.get(REPROBE, factors["setup"])
    layout = lay_out(factors["piece"], factors["operator"], run, int(there.sum()))
    quantities = reml_quantities(
        found, averaged={"hit": commonest_hits(layout)},
        tolerance=np.column_stack([past.geometry.lower, past.geometry.upper])[at],
    )  # fmt: skip
    overall = {
        name: float(np.sqrt(np.nanmean(band.value**2)))
        for name, band in quantities.sd.items()
        if np.isfinite(band.value).any()
    }
    return GaugeChain(
        plan=past.plan, study=study, runs=runs, factors=told.kept, levels=told.levels,
        merged=tuple(m.reason for m in told.merged),
        points=tuple(past.geometry.names[k] for k in at), quantities=quantities, overall=overall,
        notes=(*said, *quantities.notes),
    )  # fmt: skip


def _factors(
    store: Store, past: History, extra: tuple[str, ...], place: npt.NDArray[np.int64]
) -> dict[str, npt.NDArray[np.int64]]:
    """Return codes of each factor a run, outermost first."""
    runs = past.runs
    code = {name: _codes(runs[name]) for name in ("serial", "operator")}
    stations = stations_of(store, list(runs["run_id"])) if "station" in extra else None
    outer = {"batch": _codes(runs["batch"])} if "batch" in extra else {}
    inner = {}
    for name in extra:
        if name == "day":
            inner[name] = _codes(runs["measured_at"].dt.strftime("%Y-%m-%d"))
        elif name == "station" and stations is not None:
            inner[name] = _codes(pd.Series(stations))
        elif name not in ("batch", REPROBE):
            inner[name] = _codes(runs[FACTORS[name]])
    return {
        **outer, "piece": code["serial"], "operator": code["operator"],
        "operator_piece": nested(code["operator"], code["serial"]), **inner,
        "setup": place, **({REPROBE: np.arange(len(runs))} if REPROBE in extra else {}),
    }  # fmt: skip


def _codes(column: "pd.Series[str]") -> npt.NDArray[np.int64]:
    return pd.factorize(column.astype(object))[0].astype(np.int64)
