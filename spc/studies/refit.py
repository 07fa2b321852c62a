"""The whole history fitted again from the hits kept, beside the old results."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.identity import content_hash
from spc.ingest.checked import DEVIATIONS
from spc.ingest.fields import refuse_steering
from spc.plan import FIT, Plan
from spc.store import read, write
from spc.store.connection import Store, now
from spc.studies.arrays import Array, hit_array, pivot
from spc.studies.fitting import fit_hits, fit_rows

REFIT = "refit"
#: Runs fitted in one batch: bounds memory for a history of any length.
BATCH = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """How a point's deviation changed from the working results to the refit; mm.

    Parameters
    ----------
    point
        The point.
    n
        Runs in which both have it.
    mean_before, mean, sd_before, sd
        Over these runs.
    largest
        Largest change of a single run, signed.
    """

    point: str
    n: int
    mean_before: float
    mean: float
    sd_before: float
    sd: float
    largest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Refit:
    """A history fitted again.

    Parameters
    ----------
    result_set
        Name of the set that the results are kept under.
    plan
        The plan they were fitted to.
    already
        True where the set held the very same results.
    runs, unaligned, without_positions
        Runs fitted, runs that the plan cannot align, runs that were fitted elsewhere.
    noise_before, noise
        Median noise estimate of the fits, mm.
    points
        What changed at each point.
    """

    result_set: str
    plan: Plan
    already: bool
    runs: int
    unaligned: int
    without_positions: int
    noise_before: float
    noise: float
    points: tuple[Changed, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultSet:
    """A set of results beside the working one.

    Parameters
    ----------
    result_set, part, revision, plan_id
        Its names.
    runs
        Runs in it.
    fitted_at
        When, UTC.
    """

    result_set: str
    part: str
    revision: str
    plan_id: str
    runs: int
    fitted_at: datetime


def result_sets(store: Store) -> tuple[ResultSet, ...]:
    """Return the sets of results beside the working one."""
    columns = list(ResultSet.__dataclass_fields__)
    return tuple(
        ResultSet(**{c: row[c] for c in columns})
        for row in read.result_sets(store)[columns].to_dict("records")
    )


def altered(plan: Plan, weights: Mapping[str, float], without: tuple[str, ...]) -> Plan:
    """Return the plan with other weights, and with points left out of the fit in every run.

    Raises
    ------
    InputError
        Where a name is no fit point of the plan.
    """
    names = [p.id for p in plan.fit_points]
    for name in (*weights, *without):
        if name not in names:
            raise InputError(f"'{name}' is no fit point of the plan", do=f"use {', '.join(names)}")
    changed = {**weights, **dict.fromkeys(without, 0.0)}
    points = tuple(replace(p, weight=changed.get(p.id, p.weight)) for p in plan.points)
    if sum(p.role == FIT and p.weight > 0 for p in points) < 6:
        raise InputError("fewer than six fit points would be left", do="leave more in the fit")
    said = content_hash("altered", plan.plan_id, sorted(changed.items()))
    return replace(plan, points=points, plan_id=said) if changed else plan


def refit(store: Store, result_set: str, plan: Plan, who: str) -> Refit:
    """Fit every run of a part again under ``plan`` and keep the results as a set of their own.

    Points left out of single runs by decision stay left out. The working results are untouched.

    Raises
    ------
    InputError
        Where the set is known with results of another plan, or nothing can be fitted.
    """
    refuse_steering("NAME", result_set)
    known = read.result_sets(store)
    same = known[known["result_set"] == result_set]
    if len(same) and set(same["plan_id"]) != {plan.plan_id}:
        raise InputError(
            f"the set '{result_set}' holds results of another plan", do="name the new one otherwise"
        )
    runs = read.runs(store, plan.part)
    able = runs[runs["depth"] != DEVIATIONS].reset_index(drop=True)
    if able.empty:
        raise InputError(f"no run of {plan.part} has positions to fit", do="take hits or points in")
    fit, deviation, unaligned = _fitted(store, plan, able, result_set)
    fresh = fit[~fit["fit_id"].isin(set(read.fits_of_set(store, result_set)))]
    if len(fresh):
        _write(store, plan, result_set, fresh, deviation, who)
    return Refit(
        result_set=result_set, plan=plan, already=fresh.empty, runs=len(fit),
        unaligned=unaligned, without_positions=len(runs) - len(able),
        noise_before=float(able["noise"].median()), noise=float(fit["noise"].median()),
        points=_changes(store, plan, able, deviation),
    )  # fmt: skip


def _fitted(
    store: Store, plan: Plan, runs: pd.DataFrame, result_set: str
) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    names = tuple(p.id for p in plan.points)
    at = pd.Timestamp(now())
    made = []
    for start in range(0, len(runs), BATCH):
        some = runs.iloc[start : start + BATCH]
        run_ids = list(some["run_id"])
        hits = read.hits(store, run_ids)
        hits = hits[hits["point"].isin(names)]
        place = pd.Series(np.arange(len(run_ids)), index=run_ids)
        laid = hit_array(hits, hits["run_id"].map(place), len(run_ids), names)
        left_out = ["" if pd.isna(o) else str(o) for o in some["omitted"]]
        out = np.array([np.isin(names, text.split(",")) for text in left_out])
        fitted = fit_hits(plan, laid, out)
        made.append(fit_rows(fitted, run_ids, at, result_set=result_set, omitted=left_out))
    fit = pd.concat([m[0] for m in made], ignore_index=True)
    if fit.empty:
        raise InputError("no run can be aligned under this plan", do="check the plan's fit points")
    return fit, pd.concat([m[1] for m in made], ignore_index=True), len(runs) - len(fit)


def _write(
    store: Store, plan: Plan, result_set: str, fit: pd.DataFrame, deviation: pd.DataFrame, who: str
) -> None:
    tables = {} if read.has_plan(store, plan.plan_id) else write.plan_rows(store, plan, REFIT, who)
    tables |= {"fit": fit, "deviation": deviation[deviation["fit_id"].isin(set(fit["fit_id"]))]}
    write.append(
        store, tables, action="history refitted", subject=f"{plan.part} {plan.revision}", who=who,
        result_set=result_set, plan_id=plan.plan_id, runs=len(fit),
    )  # fmt: skip


def _changes(
    store: Store, plan: Plan, runs: pd.DataFrame, deviation: pd.DataFrame
) -> tuple[Changed, ...]:
    run_ids, names = list(runs["run_id"]), tuple(p.id for p in plan.points)
    before = np.full((len(run_ids), len(names)), np.nan)
    for revision in sorted(set(runs["revision"])):
        old = pivot(read.deviations(store, plan.part, revision), "deviation", run_ids, names)
        before = np.where(np.isfinite(old), old, before)
    after = pivot(deviation, "deviation", run_ids, names)
    return tuple(_change(name, before[:, k], after[:, k]) for k, name in enumerate(names))


def _change(point: str, before: Array, after: Array) -> Changed:
    both = np.isfinite(before) & np.isfinite(after)
    old, new = before[both], after[both]
    n = len(old)
    spread = [float(np.std(v, ddof=1)) if n > 1 else np.nan for v in (old, new)]
    largest = float((new - old)[np.argmax(np.abs(new - old))]) if n else np.nan
    return Changed(
        point=point, n=n, mean_before=float(old.mean()) if n else np.nan,
        mean=float(new.mean()) if n else np.nan, sd_before=spread[0], sd=spread[1], largest=largest,
    )  # fmt: skip
