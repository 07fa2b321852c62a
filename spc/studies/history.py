"""The history of a part as arrays: the runs in force, in the order they were measured."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import NotFoundError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array, PlanArrays, pivot, plan_arrays

Moments = npt.NDArray[np.datetime64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """Runs of a part; arrays are (runs, points) in mm with the plan's points in order.

    Parameters
    ----------
    plan, geometry
        The plan in force and its arrays.
    runs
        One row a run, as the store has it.
    deviations
        Signed deviation of every point.
    hit_sd, hits
        Standard deviation of a point's hits, and their number.
    superseded
        Runs left out since a later run of the same piece stands in their place.
    unaligned
        Runs left out since they could not be aligned.
    undated
        Runs left out since their measuring time is unknown.
    result_set
        Set of results that the deviations come from; empty for the working one.
    """

    plan: Plan
    geometry: PlanArrays
    runs: pd.DataFrame
    deviations: Array
    hit_sd: Array
    hits: Array
    superseded: int
    unaligned: int
    undated: int
    result_set: str = ""

    @property
    def times(self) -> Moments:
        """Measuring times, (runs,), UTC."""
        return self.runs["measured_at"].to_numpy(dtype="datetime64[us]")

    def where(self, keep: npt.NDArray[np.bool_]) -> "History":
        """Return the history of the runs kept."""
        return History(
            plan=self.plan,
            geometry=self.geometry,
            runs=self.runs[keep].reset_index(drop=True),
            deviations=self.deviations[keep],
            hit_sd=self.hit_sd[keep],
            hits=self.hits[keep],
            superseded=self.superseded,
            unaligned=self.unaligned,
            undated=self.undated,
            result_set=self.result_set,
        )


def production(
    store: Store, plan: Plan, result_set: str = "", *, runs: pd.DataFrame | None = None
) -> History:
    """Return the production runs in force: no study, not superseded, aligned, with a time.

    Parameters
    ----------
    store
        An open store.
    plan
        The plan of the part.
    result_set
        Set of results; empty for the working one.
    runs
        What ``read.runs`` returns of this result set, where it is already read.

    Raises
    ------
    NotFoundError
        Where the part has no such run.
    """
    if runs is None:
        runs = read.runs(store, plan.part, plan.revision, result_set=result_set)
    own = (runs["part"] == plan.part) & (runs["revision"] == plan.revision)
    runs = runs[own & (runs["study"] == "")]
    superseded = runs["superseded"].astype(bool)
    unaligned = runs["fit_id"].isna() & ~superseded
    undated = runs["measured_at"].isna() & ~superseded & ~unaligned
    kept = runs[~(superseded | unaligned | undated)]
    if kept.empty:
        raise _nothing_left(plan, int(unaligned.sum()), int(undated.sum()))
    counts = {
        "superseded": int(superseded.sum()),
        "unaligned": int(unaligned.sum()),
        "undated": int(undated.sum()),
    }
    return _laid_out(store, plan, kept.reset_index(drop=True), counts, result_set)


def _nothing_left(plan: Plan, unaligned: int, undated: int) -> NotFoundError:
    name = f"{plan.part} {plan.revision}"
    if not unaligned + undated:
        return NotFoundError(
            f"no production run of {name} in the store yet; take results in with 'spc ingest FILES'"
        )
    why = [f"{n} {w}" for n, w in ((unaligned, "not aligned"),
                                   (undated, "without a measuring time")) if n]  # fmt: skip
    return NotFoundError(
        f"{unaligned + undated} runs of {name} are in the store, but none that a study could use "
        f"({', '.join(why)}); 'spc run list' shows them"
    )


def study_runs(store: Store, plan: Plan, study: str) -> History:
    """Return the aligned runs of a gauge study."""
    runs = read.runs(store, plan.part, plan.revision)
    # The empty name is that of no study: production runs have it.
    runs = runs[(runs["study"] == study) & (study != "")]
    if runs.empty:
        known = sorted(read.studies(store).study.astype(str))
        raise NotFoundError(
            f"no gauge study '{study}' of {plan.part} {plan.revision} in the store; it holds "
            + (", ".join(known) or "none")
        )
    unaligned = runs["fit_id"].isna()
    counts = {"superseded": 0, "unaligned": int(unaligned.sum()), "undated": 0}
    return _laid_out(store, plan, runs[~unaligned].reset_index(drop=True), counts)


def one_run(store: Store, plan: Plan, run_id: str) -> History:
    """Return the history that is one aligned run, whatever it is for."""
    runs = read.runs(store, plan.part, plan.revision)
    counts = {"superseded": 0, "unaligned": 0, "undated": 0}
    return _laid_out(store, plan, runs[runs["run_id"] == run_id].reset_index(drop=True), counts)


def _laid_out(
    store: Store, plan: Plan, runs: pd.DataFrame, counts: dict[str, int], result_set: str = ""
) -> History:
    geometry = plan_arrays(plan)
    long = read.deviations(store, plan.part, plan.revision, result_set=result_set)
    run_ids = list(runs["run_id"])
    laid = {v: pivot(long, v, run_ids, geometry.names) for v in ("deviation", "hit_sd", "hits")}
    return History(
        plan=plan,
        geometry=geometry,
        runs=runs,
        deviations=laid["deviation"],
        hit_sd=laid["hit_sd"],
        hits=laid["hits"],
        result_set=result_set,
        **counts,
    )
