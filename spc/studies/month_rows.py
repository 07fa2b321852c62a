"""What a month lists one by one: pieces measured again, gaps, fits beyond the limit, events."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.history import History
from spc.studies.spans import Period


@dataclass(frozen=True, slots=True, kw_only=True)
class Remeasured:
    """A piece measured again.

    Parameters
    ----------
    serial, batch
        The piece.
    earlier, later
        Labels of the run left out and of the one in force.
    measured_at
        When it was measured again, UTC.
    """

    serial: str
    batch: str
    earlier: str
    later: str
    measured_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A piece at which points of the plan were not measured.

    Parameters
    ----------
    serial, batch
        The piece.
    points
        The points.
    """

    serial: str
    batch: str
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A run whose largest residual is beyond the plan's limit.

    Parameters
    ----------
    serial, run, batch
        The run.
    point
        The fit point.
    residual
        Its residual, mm.
    """

    serial: str
    run: str
    batch: str
    point: str
    residual: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened to mould, material or arm.

    Parameters
    ----------
    at
        When, UTC.
    kind, mould, note
        What.
    """

    at: datetime
    kind: str
    mould: str
    note: str


def remeasured(store: Store, plan: Plan, period: Period) -> tuple[Remeasured, ...]:
    """Return pieces measured again in a period."""
    runs = read.runs(store, plan.part, plan.revision)
    runs = runs[(runs["study"] == "") & runs["measured_at"].notna()]
    earlier = runs[runs["superseded"].astype(bool) & runs["fit_id"].notna()]
    now = runs[~runs["superseded"].astype(bool)].set_index("piece_id")
    listed = []
    for row in earlier.to_dict("records"):
        if row["piece_id"] in now.index:
            later = now.loc[row["piece_id"]]
            if period.start <= later["measured_at"] < period.end:
                listed.append(Remeasured(
                    serial=row["serial"], batch=row["batch"], earlier=row["run"],
                    later=str(later["run"]), measured_at=later["measured_at"].to_pydatetime(),
                ))  # fmt: skip
    return tuple(listed)


def gaps(now: History) -> tuple[Gap, ...]:
    """Return pieces of a period at which points were not measured."""
    missing = ~np.isfinite(now.deviations)
    return tuple(
        Gap(
            serial=str(now.runs["serial"].iloc[row]),
            batch=str(now.runs["batch"].iloc[row]),
            points=tuple(now.geometry.names[at] for at in np.flatnonzero(missing[row])),
        )
        for row in np.flatnonzero(missing.any(axis=1))
    )


def held_runs(now: History) -> tuple[Held, ...]:
    """Return runs of a period beyond the plan's limit."""
    limit = now.plan.residual_limit
    if limit is None:
        return ()
    rows = now.runs[now.runs["worst_residual"].abs() > limit]
    return tuple(
        Held(serial=row["serial"], run=row["run"], batch=row["batch"], point=row["worst_point"],
             residual=float(row["worst_residual"]))
        for row in rows.to_dict("records")
    )  # fmt: skip


def events_of(events: pd.DataFrame, period: Period) -> tuple[Event, ...]:
    """Return a period's events from those up to its end."""
    mine = events[events["happened_at"] >= period.start]
    return tuple(
        Event(at=row["happened_at"].to_pydatetime(), kind=row["kind"], mould=row["mould"],
              note=row["note"])
        for row in mine.to_dict("records")
    )  # fmt: skip
