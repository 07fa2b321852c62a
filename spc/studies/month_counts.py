"""What was left out of fits in a month, with reasons, and how counts go from month to month."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.omissions import OMIT
from spc.studies.spans import Period
from spc.studies.tally import tally

#: So many months are counted.
MONTHS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class OmittedPoint:
    """A fit point left out of a run's fit and still out; it names nobody.

    Parameters
    ----------
    serial, run, batch
        The run.
    point
        The point.
    reason, why
        Reason code, and the reason in words.
    forced
        True where it was left out against the advice of the data.
    decided_at
        When, UTC.
    """

    serial: str
    run: str
    batch: str
    point: str
    reason: str
    why: str
    forced: bool
    decided_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthCount:
    """Counts of one month over all operators.

    Parameters
    ----------
    month
        Such as ``2026-10``.
    runs
        Production runs.
    remeasured
        Runs that were measured again later.
    omitted, forced
        Points left out of fits and still out, and those of them against the advice of the data.
    """

    month: str
    runs: int
    remeasured: int
    omitted: int
    forced: int


def omitted_points(store: Store, plan: Plan, period: Period) -> tuple[OmittedPoint, ...]:
    """Return points that are out of the fits of a period's production runs, in order of time."""
    runs = read.runs(store, plan.part, plan.revision)
    inside = (runs["measured_at"] >= period.start) & (runs["measured_at"] < period.end)
    runs = runs[(runs["study"] == "") & inside].set_index("run_id")
    last = read.omissions(store).drop_duplicates(["run_id", "point"], keep="last")
    out = last[(last["action"] == OMIT) & last["run_id"].isin(runs.index)]
    return tuple(
        OmittedPoint(
            **{key: str(runs.at[row["run_id"], key]) for key in ("serial", "run", "batch")},
            point=str(row["point"]), reason=str(row["reason"]), why=str(row["why"]),
            forced=bool(row["forced"]), decided_at=pd.Timestamp(row["decided_at"]).to_pydatetime(),
        )
        for row in out.to_dict("records")
    )  # fmt: skip


def month_counts(store: Store, plan: Plan, period: Period) -> tuple[MonthCount, ...]:
    """Return the counts of the last twelve months up to a period's end, the newest last."""
    sums: dict[str, list[int]] = {}
    newest = f"{period.end - pd.Timedelta('1us'):%Y-%m}"
    for one in tally(store, plan.part):
        if one.month <= newest:
            own = sums.setdefault(one.month, [0, 0, 0, 0])
            added = (one.runs, one.remeasured, one.omitted, one.forced)
            sums[one.month] = np.add(own, added).tolist()
    return tuple(
        MonthCount(month=month, runs=n[0], remeasured=n[1], omitted=n[2], forced=n[3])
        for month, n in sorted(sums.items())[-MONTHS:]
    )
