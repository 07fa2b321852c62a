"""Whether a gauge study still speaks: large enough, of this plan and arm, and not overtaken."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import SpcError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.trust import Session, newest_of_each, trust

#: Repeated set-ups beyond one in each cell that a study must have: so many degrees of freedom know
#: a standard deviation to within 0.70 to 1.75 of itself (chi-square, 95 %).
FEWEST_REPEATS = 10
#: Events that end every study made before them, by the start of their kind.
CHANGES = ("arm repair", "arm exchange", "probe change", "stand change", "fixture change",
           "software change")  # fmt: skip
#: The event that ends the study named in its note.
RETIRED = "gauge study retired"
#: Events that tell of the arm's state; one whose kind says so has failed.
CHECKS, FAILED = ("arm check", "arm recalibration"), "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """A study that does not speak.

    Parameters
    ----------
    study
        Its name.
    why
        Why not, in words that follow its name.
    """

    study: str
    why: str


class ArmState:
    """What is recorded of the arms: events, and readings of reference artefacts, read once.

    Parameters
    ----------
    store
        An open store.
    part
        Whose events count, beside those of every part.
    """

    def __init__(self, store: Store, part: str) -> None:
        self._store = store
        self._events = read.events(store, part)
        self._sessions: dict[str, tuple[Session, ...]] = {}

    def events(
        self, kinds: tuple[str, ...], since: pd.Timestamp, moment: pd.Timestamp | None
    ) -> pd.DataFrame:
        """Return events of these kinds after one moment and up to another."""
        rows = self._events
        inside = rows["kind"].str.startswith(kinds) & (rows["happened_at"] > since)
        if moment is not None:
            inside &= rows["happened_at"] <= moment
        return rows[inside]

    def failed_since(
        self, devices: set[str], since: pd.Timestamp, moment: pd.Timestamp | None
    ) -> pd.Timestamp | None:
        """Return when the newest check in a span was, where it failed; None where it did not."""
        told = [
            (row["happened_at"], FAILED in str(row["kind"]))
            for row in self.events(CHECKS, since, moment).to_dict("records")
            if concerns(str(row["note"]), devices)
        ]
        by_event = told[-1] if told else (pd.Timestamp(0), False)
        read_in = [
            s for device in devices for s in self._read(device)
            if pd.Timestamp(s.checked_at) > since
            and (moment is None or pd.Timestamp(s.checked_at) <= moment)
        ]  # fmt: skip
        bad = [pd.Timestamp(s.checked_at) for s in newest_of_each(tuple(read_in)) if not_good(s)]
        bad = [at for at in bad if at > by_event[0]]
        answered = [s for s in read_in if s.good and pd.Timestamp(s.checked_at) > by_event[0]]
        if by_event[1] and not answered:
            bad.append(by_event[0])
        return max(bad) if bad else None

    def _read(self, device: str) -> tuple[Session, ...]:
        if device not in self._sessions:
            self._sessions[device] = ()
            if device and not read.arm_checks(self._store, device).empty:
                try:
                    self._sessions[device] = trust(self._store, device).sessions
                except SpcError:
                    # Readings that say nothing are as none.
                    self._sessions[device] = ()
        return self._sessions[device]


def not_good(session: Session) -> bool:
    """Tell whether a session was judged and found bad."""
    return session.good is False


def concerns(note: str, devices: set[str]) -> bool:
    """Tell whether a note is about one of these arms: it names one of them, or no arm at all.

    A name that looks like one of theirs but for its number ('arm-2' beside 'arm-1') is another arm.
    """
    if any(named(note, d) for d in devices if d):
        return True
    stems = {re.sub(r"\d+$", "", d) for d in devices} - {""}
    return not any(re.search(rf"(?<![\w-]){re.escape(s)}\d+(?![\w-])", note) for s in stems)


def named(note: str, name: str) -> bool:
    """Tell whether a note has a name in it, 'G1' not being named by 'G12'."""
    return re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", note) is not None


def standing(
    name: str, runs: pd.DataFrame, plan: Plan, arms: ArmState, moment: pd.Timestamp | None,
    device: str, again: frozenset[str] = frozenset(),
) -> str:  # fmt: skip
    """Return why a study does not speak for a moment; empty where it does.

    Parameters
    ----------
    name
        The study.
    runs
        Its runs.
    plan
        The plan of what is asked about.
    arms
        What is recorded of the arms.
    moment, device
        When it was measured, UTC, or None for the end of time; and by which arm, where known.
    again
        Runs, by identity, that probed a set-up again without lifting the piece.
    """
    mine = runs[(runs["revision"] == plan.revision) & runs["fit_id"].notna()]
    if mine.empty:
        return f"has no aligned run of revision {plan.revision}"
    last = mine["measured_at"].max()
    if pd.isna(last):
        return "has no measuring times, so nobody knows whether it is older"
    if moment is not None and last >= moment:
        return f"ended on {last:%Y-%m-%d}, not before this was measured"
    devices = {str(d) for d in mine["device"]} - {""}
    if device and devices and device not in devices:
        return f"was made with {' and '.join(sorted(devices))}, not with {device}"
    repeats = _repeats(mine[~mine["run_id"].isin(again)])
    if repeats < FEWEST_REPEATS:
        return (
            f"repeats {repeats} set-ups, and {FEWEST_REPEATS} are needed to know how far a reading "
            "varies"
        )
    return _overtaken(name, arms, last, moment, devices)


def _repeats(runs: pd.DataFrame) -> int:
    """Return the set-ups beyond the first of each piece by each person."""
    return int(runs.duplicated(["serial", "operator"]).sum())


def _overtaken(
    name: str, arms: ArmState, last: pd.Timestamp, moment: pd.Timestamp | None, devices: set[str]
) -> str:
    retired = arms.events((RETIRED,), pd.Timestamp(0), moment)
    ended = retired[_flags(named(str(note), name) for note in retired["note"])]
    if not ended.empty:
        return f"was retired on {ended['happened_at'].iloc[0]:%Y-%m-%d}"
    changed = arms.events(CHANGES, last, moment)
    changed = changed[_flags(concerns(str(note), devices) for note in changed["note"])]
    if not changed.empty:
        first = changed.iloc[0]
        return f"is older than the {first['kind']} of {first['happened_at']:%Y-%m-%d}"
    failed = arms.failed_since(devices, last, moment)
    if failed is not None:
        return f"does not count since the arm's check of {failed:%Y-%m-%d} failed"
    return ""


def _flags(found: Iterable[bool]) -> npt.NDArray[np.bool_]:
    return np.fromiter(found, dtype=np.bool_)
