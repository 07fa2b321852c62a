"""How the arms stood in a period: their checks on reference artefacts."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from spc.errors import SpcError
from spc.store import read
from spc.store.connection import Store
from spc.studies.spans import Period
from spc.studies.trust import Session, trust


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmChecks:
    """One arm that measured in the period; lengths in mm.

    Parameters
    ----------
    device
        The arm.
    runs
        Runs of the period that it measured.
    checks
        Times in the period at which it was checked.
    good, bad, unjudged
        Readings of an artefact at such a time that lie inside their limits, outside, or that too
        few earlier ones say anything about.
    worst, worst_artefact, worst_lower, worst_upper
        Mean error of the period's reading that lies farthest in its limits or out of them, what
        was read, and those limits; NaN and empty without a judged one.
    last_checked
        Time of its last check up to the period's end, UTC; None where there is none.
    last_good
        Whether every reading of that check lay inside its limits; None where that is not known.
    longest_days
        Most days from a run of the period back to the check before it; NaN where one had none.
    drift_a_month, drift_p
        Change of the mean error a month over all checks, and its chance with none; NaN with few.
    in_doubt
        Runs since the last good check, where the last one is bad.
    """

    device: str
    runs: int
    checks: int
    good: int
    bad: int
    unjudged: int
    worst: float
    worst_artefact: str
    worst_lower: float
    worst_upper: float
    last_checked: datetime | None
    last_good: bool | None
    longest_days: float
    drift_a_month: float
    drift_p: float
    in_doubt: int


def arm_checks(store: Store, runs: pd.DataFrame, period: Period) -> tuple[ArmChecks, ...]:
    """Return how each arm that measured in a period was checked; of unnamed ones nothing is known.

    Parameters
    ----------
    store
        An open store.
    runs
        The period's runs: columns device and measured_at.
    period
        The period; checks after its end are not looked at.
    """
    return tuple(
        _of(store, str(device), mine["measured_at"], period)
        for device, mine in runs.groupby("device")
        if device
    )


def _of(
    store: Store, device: str, measured: "pd.Series[pd.Timestamp]", period: Period
) -> ArmChecks:
    known = read.arm_checks(store, device)
    known = known[known["checked_at"] < period.end]
    if known.empty:
        return _unchecked(device, len(measured))
    try:
        found = trust(store, device, at=(period.end - pd.Timedelta("1us")).to_pydatetime())
    except SpcError:
        # Readings that say nothing are as none.
        return _unchecked(device, len(measured))
    inside = [s for s in found.sessions if s.checked_at >= period.start.to_pydatetime()]
    judged = [s for s in inside if s.good is not None]
    worst = max(judged, key=_strain, default=None)
    last = found.sessions[-1].checked_at
    verdicts = [s.good for s in found.sessions if s.checked_at == last]
    return ArmChecks(
        device=device,
        runs=len(measured),
        checks=len({s.checked_at for s in inside}),
        good=sum(s.good is True for s in inside),
        bad=sum(s.good is False for s in inside),
        unjudged=len(inside) - len(judged),
        worst=worst.bias if worst else np.nan,
        worst_artefact=worst.artefact if worst else "",
        worst_lower=worst.lower if worst else np.nan,
        worst_upper=worst.upper if worst else np.nan,
        last_checked=last,
        last_good=False if False in verdicts else None if None in verdicts else True,
        longest_days=_longest(measured, known["checked_at"]),
        drift_a_month=found.drift_a_month,
        drift_p=found.drift_p,
        in_doubt=len([r for r in found.look_back if r.measured_at is not None]),
    )


def _unchecked(device: str, runs: int) -> ArmChecks:
    return ArmChecks(
        device=device, runs=runs, checks=0, good=0, bad=0, unjudged=0, worst=np.nan,
        worst_artefact="", worst_lower=np.nan, worst_upper=np.nan, last_checked=None,
        last_good=None, longest_days=np.nan, drift_a_month=np.nan, drift_p=np.nan, in_doubt=0,
    )  # fmt: skip


def _strain(session: Session) -> float:
    """Return how far a reading lies from the middle of its limits, half their width being 1."""
    half = (session.upper - session.lower) / 2
    middle = (session.upper + session.lower) / 2
    return abs(session.bias - middle) / half if half > 0 else np.inf


def _longest(measured: "pd.Series[pd.Timestamp]", checked: "pd.Series[pd.Timestamp]") -> float:
    """Return the most days from a run back to the check before it; NaN where one had none."""
    times = np.sort(checked.to_numpy(dtype="datetime64[us]"))
    runs = measured.to_numpy(dtype="datetime64[us]")
    place = np.searchsorted(times, runs, side="right") - 1
    if (place < 0).any():
        return np.nan
    return float(((runs - times[place]) / np.timedelta64(1, "D")).max())
