"""What a file reported of its characteristics, beside what its own numbers say."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from spc.ingest.checked import Results
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.spans import Period

#: Statuses that say opposite things of one value; any other says something else, or nothing.
_OPPOSITE = {"PASS", "FAIL"}
_KEPT = ["characteristic", "point", "value", "lower", "upper", "reported", "recomputed", "line"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedStatus:
    """The status that a file reports of one characteristic.

    Parameters
    ----------
    run, serial
        The run.
    characteristic, point
        Its name, and the point that it is of; empty where it is of none, or of several.
    value, lower, upper
        As the file tells them, mm; NaN where it does not.
    reported
        Status as the file reports it.
    recomputed
        Status by its own value and limits; empty where they do not tell.
    differs
        True where the one says PASS and the other FAIL.
    line
        Line of the file.
    """

    run: str
    serial: str
    characteristic: str
    point: str
    value: float
    lower: float
    upper: float
    reported: str
    recomputed: str
    differs: bool
    line: int


def reported_statuses(store: Store, run_ids: Sequence[str]) -> tuple[ReportedStatus, ...]:
    """Return what files report of the characteristics of these runs."""
    rows: Any = read.reported_statuses(store, list(run_ids)).to_dict("records")
    return tuple(
        ReportedStatus(**row, differs={row["reported"], row["recomputed"]} == _OPPOSITE)
        for row in rows
    )


def statuses_within(store: Store, plan: Plan, period: Period) -> tuple[ReportedStatus, ...]:
    """Return what files report of the runs of a part revision that were measured in a period."""
    runs = read.runs(store, plan.part, plan.revision)
    inside = (runs["measured_at"] >= period.start) & (runs["measured_at"] < period.end)
    return reported_statuses(store, list(runs["run_id"][inside]))


def status_rows(checked: Results, fresh: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return the store's rows for what a file reports of its new runs; none for most files.

    Parameters
    ----------
    checked
        The file.
    fresh
        Its runs that the store does not hold, with ``key`` and ``run_id``.
    """
    if checked.statuses is None:
        return {}
    rows = checked.statuses.merge(fresh[["key", "run_id"]], on="key")
    if rows.empty:
        return {}
    return {"reported_status": rows[["run_id", *_KEPT]].assign(file_id=checked.file_id)}
