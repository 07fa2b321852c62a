"""What the store says of its own rows, worked out again: identities, and deviations from hits."""

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from spc.alignment.hits import average_hits
from spc.choices import plan_identity
from spc.identity import content_hash
from spc.ingest.checked import DEVIATIONS
from spc.plan import Plan
from spc.store import inventory, read
from spc.store.connection import Store
from spc.studies.arrays import Array, hit_array, pivot, plan_arrays
from spc.studies.events import check_identity, event_identity
from spc.studies.fitting import fit_identity
from spc.studies.identified import run_identities
from spc.studies.omissions import decided_identity, omission_identity
from spc.studies.reported import NOTHING, reported_identity

#: A case that is wrong: what is wrong, and of what.
Case = tuple[str, str]

WRONG_RUN = "a run whose values are not those that it was known by"
WRONG_PLAN = "a plan that does not say what it was known by"
WRONG_NAME = "a row of '{}' under an identity that is not its own"
WRONG_DEVIATION = "a deviation that does not follow from the hits and the fit"
#: Hits looked at together.
_HITS = 300_000
#: Deviations worked out again may differ by the last digits in which computers differ, mm.
_LAST_DIGITS = 1e-6


def wrong_identities(store: Store) -> Iterator[Case]:
    """Yield rows that are not what their identity says, other than runs."""
    plans = {p: read.plan_by_id(store, p) for p in inventory.plan_ids(store)}
    for plan_id, plan in plans.items():
        if plan_identity(plan) != plan_id:
            yield WRONG_PLAN, f"{plan.part} {plan.revision}"
    for table, column, identity in _NAMED:
        for row in read.table(store, table).to_dict("records"):
            if row[column] != identity(row):
                yield WRONG_NAME.format(table), str(row[column])
    for row in inventory.moved_runs(store).to_dict("records"):
        if row["piece_id"] != content_hash("piece", row["part"], row["serial"]):
            yield WRONG_NAME.format("reassignment"), f"serial {row['serial']}"


_NAMED: tuple[Any, ...] = (
    ("part", "part_id", lambda r: content_hash("part", r["part"], r["revision"])),
    ("piece", "piece_id", lambda r: content_hash("piece", r["part"], r["serial"])),
    ("gauge_study", "study_id", lambda r: content_hash("study", r["part"], r["study"])),
    ("event", "event_id", event_identity),
    ("arm_check", "check_id", check_identity),
    ("omission", "omission_id", omission_identity),
)


def wrong_runs(store: Store) -> Iterator[Case]:
    """Yield runs, fits and deviations that do not follow from what was measured."""
    runs = inventory.run_rows(store)
    plans: dict[str, Plan] = {}
    for _, some in runs.groupby(runs["hits"].clip(lower=50).cumsum() // _HITS):
        run_ids = list(some["run_id"].unique())
        hits, fits = inventory.positions(store, run_ids), inventory.fits_of(store, run_ids)
        kept = inventory.deviations_of(store, run_ids)
        for plan_id in set(fits["plan_id"]) - set(plans):
            plans[plan_id] = read.plan_by_id(store, plan_id)
        names = {r["run_id"]: _name(r) for r in some.to_dict("records")}
        yield from _runs(some, hits, fits, kept)
        yield from _fits(names, fits, plans)
        for run_id, point in _deviations(hits, fits[fits["origin"] == "computed"], kept, plans):
            yield WRONG_DEVIATION, f"{names[run_id]}, point {point}"


def _name(run: Any) -> str:
    return f"run {run['run']} of serial {run['serial']}"


def _runs(
    runs: pd.DataFrame, hits: pd.DataFrame, fits: pd.DataFrame, kept: pd.DataFrame
) -> Iterator[Case]:
    """Compare identities; where two stations took a run, each of its rows stands for the same."""
    reported = fits[fits["origin"] == "file"].drop_duplicates("run_id")
    lengths = kept[kept["fit_id"].isin(reported["fit_id"])].copy()
    lengths["residual"] = lengths["residual"].where(
        (lengths["residual"] - lengths["deviation"]).abs() > NOTHING
    )
    ready = runs["depth"] == DEVIATIONS
    for rows, values in ((runs[~ready], hits), (runs[ready], lengths)):
        once = rows.drop_duplicates("run_id").reset_index(drop=True)
        key = pd.Index(once["run_id"]).get_indexer(pd.Index(values["run_id"].astype(object)))
        known = values.assign(key=key)[key >= 0]
        now = dict(zip(once["run_id"], run_identities(once, known), strict=True))
        for row in rows.to_dict("records"):
            if now[row["run_id"]] != row["run_id"]:
                yield WRONG_RUN, _name(row)


def _fits(names: dict[str, str], fits: pd.DataFrame, plans: dict[str, Plan]) -> Iterator[Case]:
    for row in fits.to_dict("records"):
        run_id, plan = str(row["run_id"]), plans[str(row["plan_id"])]
        if row["origin"] == "file":
            good = {reported_identity(run_id, plan.plan_id)}
        else:
            plain = fit_identity(run_id, plan, str(row["omitted"]), str(row["result_set"]))
            good = {plain, decided_identity(plain, row["fitted_at"])}
        if row["fit_id"] not in good:
            yield WRONG_NAME.format("fit"), names[run_id]


def _deviations(
    hits: pd.DataFrame, fits: pd.DataFrame, kept: pd.DataFrame, plans: dict[str, Plan]
) -> Iterator[tuple[str, str]]:
    """Yield run and point of each deviation that does not follow from the hits."""
    for plan_id, some in fits.groupby("plan_id"):
        plan = plans[str(plan_id)]
        names = tuple(p.id for p in plan.points)
        found = _again(plan, some, hits[hits["point"].isin(names)])
        mine = kept[kept["fit_id"].isin(some["fit_id"])].assign(run_id=lambda d: d["fit_id"])
        stored = pivot(mine, "deviation", list(some["fit_id"]), names)
        both = np.isfinite(found) & np.isfinite(stored)
        off = both & (np.abs(np.where(both, found - stored, 0.0)) > _LAST_DIGITS)
        for row, point in np.argwhere(off):
            yield str(some["run_id"].iloc[row]), names[point]


def _again(plan: Plan, fits: pd.DataFrame, hits: pd.DataFrame) -> Array:
    """Return deviations (fits, points) from the hits and the stored pose of each fit."""
    run_ids = list(fits["run_id"].unique())
    rows = pd.Index(run_ids).get_indexer(pd.Index(hits["run_id"].astype(object)))
    names = tuple(p.id for p in plan.points)
    laid = hit_array(hits[rows >= 0], pd.Series(rows[rows >= 0]), len(run_ids), names)
    means = average_hits(laid)[0][pd.Index(run_ids).get_indexer(pd.Index(fits["run_id"]))]
    turn = np.array([json.loads(text) for text in fits["rotation"]]).reshape(-1, 3, 3)
    shift = np.array([json.loads(text) for text in fits["translation"]])
    geometry = plan_arrays(plan)
    moved = np.einsum("fij,fpj->fpi", turn, means) + shift[:, None, :] - geometry.aims
    return np.asarray(np.einsum("fpi,pi->fp", moved, geometry.normals))
