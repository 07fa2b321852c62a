"""May I measure today? The arm against its reference artefacts, over time."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from spc.errors import InputError, NotFoundError
from spc.gauge.bias import bias, linearity
from spc.gauge.stability import check_standard
from spc.gauge.type1 import PATCH_SCOPE, type1_study
from spc.interval import Estimate
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.runs import ListedRun, listed_runs

YES, NO, STALE, UNKNOWN = "yes", "no", "check first", "cannot be said"
#: Readings of one shift are one check, whatever artefact came first.
ONE_CHECK = pd.Timedelta("12h")
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
    artefact, bias, reference_u
        The artefact read last, the bias of all its readings with its interval, and the standard
        uncertainty of its reference, which that interval and that of Cgk hold; NaN where unknown.
    cg, cgk
        Against the tolerance asked for; None without one.
    q_ms
        Two expanded uncertainties of the arm on that artefact over the tolerance (ISO 22514-7);
        NaN without one.
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
    artefact: str
    bias: Estimate
    reference_u: float
    q_ms: float
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
    since = _last_good(sessions)
    drift, drift_p = _drift(sessions)
    slope, slope_p = _slope(rows)
    on_one = _on_one(rows, tolerance)
    return Trust(
        device=name, answer=answer, why=why, asked_at=when.to_pydatetime(), sessions=sessions,
        drift_a_month=drift, drift_p=drift_p, slope=slope, slope_p=slope_p, **on_one,
        look_back=_look_back(store, name, since, when) if answer == NO else (), since=since,
        notes=_notes(rows, tolerance),
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
    last = newest_of_each(sessions)
    age = (when - pd.Timestamp(newest)) / pd.Timedelta("1D")
    bad = [s for s in last if s.good is False]
    if bad:
        worst = max(bad, key=lambda s: abs(s.bias))
        again = "" if newest - worst.checked_at < ONE_CHECK else ", and was not read good since"
        return NO, (
            f"the check of {worst.checked_at:%Y-%m-%d} read {worst.artefact} {worst.bias:+.3f} mm "
            f"off, outside {worst.lower:+.3f} to {worst.upper:+.3f} mm{again}: find the cause, and "
            "review what was measured since the last good check"
        )
    if age > oldest_days:
        return STALE, f"the last check is {age:.0f} days old; check the arm before measuring"
    if any(s.good is None for s in last if newest - s.checked_at < ONE_CHECK):
        return UNKNOWN, (
            f"{len(sessions)} checks are too few for limits ({FEWEST} before the one judged); name "
            "the allowed bias with --limit"
        )
    return YES, f"the check of {newest:%Y-%m-%d} lies inside its limits ({age:.1f} days ago)"


def newest_of_each(sessions: tuple[Session, ...]) -> list[Session]:
    """Return the newest session of each artefact at each place: a bad one stands until read good.

    Another artefact that reads well says nothing against it.
    """
    newest = {(s.artefact, s.place): s for s in sessions}
    return list(newest.values())


def _last_good(sessions: tuple[Session, ...]) -> datetime | None:
    """Return the last good check: of what reads bad now, the last good session of the very same.

    None where something that reads bad never read good.
    """
    bad = {(s.artefact, s.place) for s in newest_of_each(sessions) if s.good is False}
    if not bad:
        good = [s.checked_at for s in sessions if s.good]
        return max(good) if good else None
    last = {(s.artefact, s.place): s.checked_at for s in sessions if s.good}
    return None if bad - set(last) else min(last[key] for key in bad)


def _notes(rows: pd.DataFrame, tolerance: float | None) -> tuple[str, ...]:
    said = [PATCH_SCOPE] if tolerance is not None else []
    lengths = rows["reference"].nunique()
    if lengths < 3:
        said.append(
            f"{lengths} length{'s' * (lengths != 1)} read: three or more would tell whether the "
            "bias grows with length"
        )
    return tuple(said)


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


def _on_one(rows: pd.DataFrame, tolerance: float | None) -> dict[str, Any]:
    """Return the bias on the artefact read last, and Cg, Cgk and Q_MS where a tolerance is given.

    A reference's uncertainty that nobody recorded is taken as nought, and shown as unknown.
    """
    artefact = rows["artefact"].iloc[-1]
    mine = rows[rows["artefact"] == artefact]
    y = mine["reading"].to_numpy(dtype=np.float64)[:, None]
    reference, u = float(mine["reference"].iloc[-1]), float(mine["uncertainty"].iloc[-1])
    known = 0.0 if np.isnan(u) else u
    off = bias(y, reference, reference_u=known).bias.at(0, len(y))
    said = {"artefact": str(artefact), "bias": off, "reference_u": u}
    if tolerance is None:
        return {**said, "cg": None, "cgk": None, "q_ms": np.nan}
    found = type1_study(y, reference, tolerance, reference_u=known)
    return {
        **said, "cg": found.cg.at(0, len(y)), "cgk": found.cgk.at(0, len(y)),
        "q_ms": float(found.uncertainty_share[0]),
    }  # fmt: skip


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
