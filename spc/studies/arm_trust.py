"""Whether the arm may be believed today: how its hits scatter, and when it was last checked."""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from spc.errors import SpcError
from spc.store import read
from spc.store.connection import Store
from spc.studies.history import History
from spc.studies.limit_sets import LimitSet, limit_sets
from spc.studies.moments import PIECE
from spc.studies.monitor import charted
from spc.studies.series import HITS
from spc.studies.trust import NO, OLDEST_DAYS, YES, trust

#: Events that tell of a check; one whose kind says so has failed.
CHECK, FAILED = "arm check", "failed"
TRUSTED, DOUBTED, UNKNOWN = "trusted", "in doubt", "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmTrust:
    """What is known of the arm when a piece was measured; lengths in mm.

    Parameters
    ----------
    device
        The arm; empty where it is not recorded.
    state
        ``trusted``, ``in doubt`` or ``not known``.
    scatter
        The same of the spread of hits within points.
    hit_sd, usual, limit
        Spread of this piece's hits (a point with a slipped hit apart), the centre of its chart,
        and the chart's upper limit.
    checked_at
        Time of the newest check of the arm, UTC; None where none is known.
    check
        The same state of that check alone, its age left aside: ``not known`` where nobody read
        anything, or too few earlier checks say what to expect.
    days
        Days from that check to the piece; below zero where it came after.
    check_days
        Days after which a check is too long ago.
    overdue
        True where there is no check, or too long ago.
    look_back
        Where the newest check is bad: runs of the arm since the last good one.
    """

    device: str
    state: str
    scatter: str
    hit_sd: float
    usual: float
    limit: float
    checked_at: datetime | None
    check: str
    days: float
    check_days: float
    overdue: bool
    look_back: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Check:
    """The newest check of an arm."""

    at: pd.Timestamp | None = None
    state: str = UNKNOWN
    look_back: int = 0


def arm_trust(
    store: Store, row: Any, when: pd.Timestamp, past: History | None, *,
    without_slip: float = np.nan, check_days: float = OLDEST_DAYS,
) -> ArmTrust:  # fmt: skip
    """Tell what is known of the arm that measured a run.

    Parameters
    ----------
    store
        An open store.
    row
        The run as the store has it.
    when
        When it was measured, UTC.
    past
        The part's production history; None without one.
    without_slip
        Spread of the run's hits without a point at which one of them slipped, mm: that is no fault
        of the arm. NaN where none did.
    check_days
        Days after which a check is too long ago.
    """
    events = read.events(store, str(row["part"]))
    sets = limit_sets(store, str(row["part"]), str(row["revision"]))
    scatter, usual, limit = _scatter(row, past, events, sets, without_slip)
    device = str(row["device"])
    check = _by_reading(store, device) or _by_event(events, device, past)
    days = np.nan if check.at is None else (when - check.at).total_seconds() / 86400
    overdue = not days <= check_days
    doubted = DOUBTED in (scatter, check.state) or overdue
    return ArmTrust(
        device=device,
        state=DOUBTED if doubted else scatter,
        scatter=scatter,
        hit_sd=without_slip if np.isfinite(without_slip) else float(row["hit_sd"]),
        usual=usual,
        limit=limit,
        checked_at=None if check.at is None else check.at.to_pydatetime(),
        check=check.state,
        days=float(days),
        check_days=check_days,
        overdue=overdue,
        look_back=check.look_back,
    )


def _by_reading(store: Store, device: str) -> _Check | None:
    """Return the newest check on a reference artefact, or None where there is none of this arm."""
    if not device or read.arm_checks(store, device).empty:
        return None
    try:
        found = trust(store, device)
    except SpcError:
        # Readings that say nothing are as none.
        return None
    newest = found.sessions[-1]
    state = TRUSTED if newest.good else UNKNOWN
    return _Check(
        at=pd.Timestamp(newest.checked_at),
        state=DOUBTED if found.answer == NO else TRUSTED if found.answer == YES else state,
        look_back=len(found.look_back),
    )


def _by_event(events: pd.DataFrame, device: str, past: History | None) -> _Check:
    """Return the newest check that an event tells of: its note names this arm, or none known."""
    devices = {device} | (set() if past is None else set(past.runs["device"].astype(str)))
    checks = events[events["kind"].str.startswith(CHECK)]
    named = [{d for d in devices if d and _names(note, d)} for note in checks["note"]]
    mine = checks[np.array([not arms or device in arms for arms in named], dtype=bool)]
    if mine.empty:
        return _Check()
    failed = FAILED in str(mine["kind"].iloc[-1])
    return _Check(at=mine["happened_at"].iloc[-1], state=DOUBTED if failed else TRUSTED)


def _names(note: str, device: str) -> bool:
    """Tell whether a note names an arm, 'arm-1' not being named by 'arm-12'."""
    return re.search(rf"(?<![\w-]){re.escape(device)}(?![\w-])", note) is not None


def _scatter(
    row: Any, past: History | None, events: pd.DataFrame, sets: tuple[LimitSet, ...],
    without_slip: float,
) -> tuple[str, float, float]:  # fmt: skip
    """Return the state of the hits' spread, with centre and upper limit of its chart."""
    if past is None or not np.isfinite(float(row["hit_sd"])):
        return UNKNOWN, np.nan, np.nan
    chart = charted(past, events, names=(HITS,), by=PIECE, sets=sets)
    mine = [at for at, mould in enumerate(chart.rows.moulds) if mould == row["mould"]]
    upper = chart.upper[mine, 0]
    if not mine or not np.isfinite(upper[-1]):
        return UNKNOWN, np.nan, np.nan
    newest = chart.rows.labels[mine[-1]]
    reaching = any(
        s.mould == row["mould"] and s.last == newest and s.direction == "above"
        for s in chart.signals
    )
    slipped = np.isfinite(without_slip)
    doubted = without_slip > upper[-1] if slipped else float(row["hit_sd"]) > upper[-1] or reaching
    return DOUBTED if doubted else TRUSTED, float(chart.center[mine[-1], 0]), float(upper[-1])
