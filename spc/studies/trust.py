"""May I measure today? The arm against its reference artefacts, over time."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from spc.errors import InputError, NotFoundError
from spc.gauge.bias import linearity
from spc.gauge.stability import check_standard
from spc.gauge.type1 import PATCH_SCOPE, type1_study
from spc.interval import Estimate
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.runs import ListedRun, listed_runs

YES, NO, STALE, UNKNOWN = "yes", "no", "check first", "cannot be said"
#: Earlier sessions that limits stand on; fewer say nothing (common practice, no published source).
FEWEST = 8
#: A check older than this does not speak for today (common practice, no published source).
OLDEST_DAYS = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One check of one artefact; lengths in mm.

    Parameters
    ----------
    checked_at
        When, UTC.
    artefact, place
        What and where.
    readings
        How many.
    bias
        Mean reading less the reference.
    sd
        Of the readings; NaN below two.
    lower, upper
        Limits for the bias; NaN where there are none.
    good
        Whether it is inside; None where there are no limits.
    """

    checked_at: datetime
    artefact: str
    place: str
    readings: int
    bias: float
    sd: float
    lower: float
    upper: float
    good: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """Whether an arm may be trusted; lengths in mm.

    Parameters
    ----------
    device
        The arm.
    answer
        ``yes``, ``no``, ``check first`` or ``cannot be said``.
    why
        In words.
    asked_at
        The moment that it is asked for, UTC.
    sessions
        Checks up to it, the newest last.
    drift_a_month, drift_p
        Change of the bias a month, and its chance with none; NaN with few sessions.
    slope, slope_p
        Change of the bias with length, mm per metre of reference, and its chance; NaN with fewer
        than three lengths.
    cg, cgk
        Against the tolerance asked for; None without one.
    look_back
        Where the newest check is bad: runs of the arm since the last good one.
    since
        The last good check before them, UTC; None where there is none.
    notes
        What the reader must know.
    """

    device: str
    answer: str
    why: str
    asked_at: datetime
    sessions: tuple[Session, ...]
    drift_a_month: float
    drift_p: float
    slope: float
    slope_p: float
    cg: Estimate | None
    cgk: Estimate | None
    look_back: tuple[ListedRun, ...]
    since: datetime | None
    notes: tuple[str, ...]


def trust(
    store: Store, device: str | None = None, *, at: datetime | None = None,
    limit: float | None = None, tolerance: float | None = None, oldest_days: float = OLDEST_DAYS,
) -> Trust:  # fmt: skip
    """Judge an arm by its newest checks against those before.

    Parameters
    ----------
    store
        An open store.
    device
        The arm; not needed where one was checked.
    at
        The moment asked for, UTC; the newest check or run where None.
    limit
        Largest allowed bias, mm (from the arm's specification); else limits come from the
        sessions before, three standard deviations about their mean.
    tolerance
        Width of a tolerance, mm, for Cg and Cgk of the newest artefact's readings.
    oldest_days
        A check older than this does not speak for the moment asked for.
    """
    rows = _rows(store, device)
    name = str(rows["device"].iloc[0])
    when = pd.Timestamp(at) if at is not None else _newest(store, rows, name)
    rows = rows[rows["checked_at"] <= when]
    if rows.empty:
        raise InputError(f"no check of '{name}' before {when:%Y-%m-%d}", do="check the arm first")
    sessions = _sessions(rows, limit)
    answer, why = _answer(sessions, when, oldest_days)
    good = [s.checked_at for s in sessions if s.good]
    since = max(good) if good else None
    drift, drift_p = _drift(sessions)
    slope, slope_p = _slope(rows)
    cg, cgk = _type1(rows, tolerance)
    return Trust(
        device=name, answer=answer, why=why, asked_at=when.to_pydatetime(), sessions=sessions,
        drift_a_month=drift, drift_p=drift_p, slope=slope, slope_p=slope_p, cg=cg, cgk=cgk,
        look_back=_look_back(store, name, since, when) if answer == NO else (), since=since,
        notes=(PATCH_SCOPE,) if tolerance is not None else (),
    )  # fmt: skip


def _rows(store: Store, device: str | None) -> pd.DataFrame:
    rows = read.arm_checks(store, device)
    if rows.empty:
        known = sorted(set(read.arm_checks(store)["device"]))
        raise NotFoundError(
            f"no check of '{device}' in the store; there are checks of {', '.join(known) or 'none'}"
            if device
            else "no arm check in the store; take in a file with checked_at, device, artefact, "
            "reference, reading, unit"
        )
    if rows["device"].nunique() > 1:
        raise NotFoundError(
            f"several arms were checked ({', '.join(sorted(set(rows['device'])))}); say which"
        )
    return rows


def _newest(store: Store, rows: pd.DataFrame, device: str) -> pd.Timestamp:
    newest = read.last_measured(store, device)
    checked = pd.Timestamp(rows["checked_at"].max())
    return checked if newest is None else max(checked, newest)


def _sessions(rows: pd.DataFrame, limit: float | None) -> tuple[Session, ...]:
    found: list[Session] = []
    for (artefact, place), group in rows.groupby(["artefact", "place"], sort=False):
        off = group["reading"] - group["reference"]
        by_time = off.groupby(group["checked_at"])
        means, sds, counts = by_time.mean(), by_time.std(), by_time.size()
        for k, moment in enumerate(means.index):
            lower, upper = _limits(means.to_numpy()[:k], limit)
            value = float(means.iloc[k])
            found.append(
                Session(
                    checked_at=moment.to_pydatetime(),
                    artefact=str(artefact),
                    place=str(place),
                    readings=int(counts.iloc[k]),
                    bias=value,
                    sd=float(sds.iloc[k]),
                    lower=lower,
                    upper=upper,
                    good=None if np.isnan(lower) else lower <= value <= upper,
                )
            )
    return tuple(sorted(found, key=lambda s: (s.checked_at, s.artefact, s.place)))


def _limits(earlier: Array, limit: float | None) -> tuple[float, float]:
    """Return limits for a session from those before it, or the allowed bias."""
    if limit is not None:
        return -limit, limit
    if len(earlier) < FEWEST:
        return np.nan, np.nan
    found = check_standard(earlier[:, None])
    return float(found.lower[0]), float(found.upper[0])


def _answer(
    sessions: tuple[Session, ...], when: pd.Timestamp, oldest_days: float
) -> tuple[str, str]:
    newest = sessions[-1].checked_at
    last = [s for s in sessions if s.checked_at == newest]
    age = (when - pd.Timestamp(newest)) / pd.Timedelta("1D")
    bad = [s for s in last if s.good is False]
    if bad:
        worst = max(bad, key=lambda s: abs(s.bias))
        return NO, (
            f"the check of {newest:%Y-%m-%d} read {worst.artefact} {worst.bias:+.3f} mm off, "
            f"outside {worst.lower:+.3f} to {worst.upper:+.3f} mm: find the cause, and review what "
            "was measured since the last good check"
        )
    if age > oldest_days:
        return STALE, f"the last check is {age:.0f} days old; check the arm before measuring"
    if any(s.good is None for s in last):
        return UNKNOWN, (
            f"{len(sessions)} checks are too few for limits ({FEWEST} before the one judged); name "
            "the allowed bias with --limit"
        )
    return YES, f"the check of {newest:%Y-%m-%d} lies inside its limits ({age:.1f} days ago)"


def _drift(sessions: tuple[Session, ...]) -> tuple[float, float]:
    if len({s.checked_at for s in sessions}) < FEWEST:
        return np.nan, np.nan
    start = pd.Timestamp(sessions[0].checked_at)
    months = np.array(
        [(pd.Timestamp(s.checked_at) - start) / pd.Timedelta("30.4375D") for s in sessions]
    )
    found = check_standard(np.array([[s.bias] for s in sessions]), times=months)
    return float(found.drift.value[0]), float(found.drift_p[0])


def _slope(rows: pd.DataFrame) -> tuple[float, float]:
    if rows["reference"].nunique() < 3:
        return np.nan, np.nan
    readings = rows["reading"].to_numpy(dtype=np.float64)[:, None]
    found = linearity(readings, rows["reference"].to_numpy(dtype=np.float64))
    return float(found.slope.value[0]) * 1000.0, float(found.slope_p[0])


def _type1(rows: pd.DataFrame, tolerance: float | None) -> tuple[Estimate | None, Estimate | None]:
    if tolerance is None:
        return None, None
    artefact = rows["artefact"].iloc[-1]
    mine = rows[rows["artefact"] == artefact]
    y = mine["reading"].to_numpy(dtype=np.float64)[:, None]
    found = type1_study(y, float(mine["reference"].iloc[-1]), tolerance)
    return found.cg.at(0, len(y)), found.cgk.at(0, len(y))


def _look_back(
    store: Store, device: str, since: datetime | None, when: pd.Timestamp
) -> tuple[ListedRun, ...]:
    runs = listed_runs(store)
    return tuple(
        r
        for r in runs
        if r.device == device
        and r.measured_at is not None
        and (since is None or r.measured_at > since)
        and r.measured_at <= when.to_pydatetime()
    )
