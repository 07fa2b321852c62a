"""The verdict of each run just taken: the line that a technician reads."""

from dataclasses import dataclass
from typing import Any

import pandas as pd

from spc.errors import NotFoundError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.advice import REMEASURE
from spc.studies.gauge_in_force import Gauges
from spc.studies.history import History, production
from spc.studies.review import advised
from spc.studies.taken import Taken, TakenRun


@dataclass(frozen=True, slots=True, kw_only=True)
class RunVerdict:
    """What to do with a run.

    Parameters
    ----------
    run_id, part, serial, run
        The run.
    verdict
        ``accept``, ``re-measure`` or ``hold``.
    points
        Points to probe again.
    headline
        The verdict in one sentence.
    """

    run_id: str
    part: str
    serial: str
    run: str
    verdict: str
    points: tuple[str, ...]
    headline: str


def run_verdicts(store: Store, taken: Taken) -> tuple[RunVerdict, ...]:
    """Return the verdict of every run that a file brought, in the file's order."""
    if not taken.runs:
        return ()
    # Read once: a file of one run must not cost the whole store three times.
    runs = read.runs(store)
    own = runs[runs["run_id"].isin([run.run_id for run in taken.runs])]
    rows = {str(row["run_id"]): row for row in own.to_dict("records")}
    known: dict[str, _Known] = {}
    return tuple(_verdict(store, run, rows[run.run_id], runs, known) for run in taken.runs)


#: What runs of a plan are held against: its production history, and its gauge studies.
_Known = tuple[History | None, Gauges]


def _verdict(
    store: Store, run: TakenRun, row: Any, runs: pd.DataFrame, known: dict[str, _Known]
) -> RunVerdict:
    names = {"run_id": run.run_id, "part": run.part, "serial": run.serial, "run": run.run}
    if not isinstance(row["fit_id"], str):
        return RunVerdict(
            **names, verdict=REMEASURE, points=(),
            headline="Too few fit points were measured to align it.",
        )  # fmt: skip
    plan_id = str(row["plan_id"])
    if plan_id not in known:
        plan = read.plan_by_id(store, plan_id)
        known[plan_id] = _past(store, plan, runs), Gauges(store, plan, runs)
    past, gauges = known[plan_id]
    advice = advised(store, row, past, gauges)
    return RunVerdict(
        **names, verdict=advice.verdict, points=advice.points, headline=advice.headline
    )


def _past(store: Store, plan: Plan, runs: pd.DataFrame) -> History | None:
    """Return the production history that runs are held against, read once for a file."""
    try:
        return production(store, plan, runs=runs)
    except NotFoundError:
        return None
