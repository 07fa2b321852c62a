"""The month: what was measured, what changed, what it means, and what it stands on."""

from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime

import numpy as np
import pandas as pd

from spc import __version__
from spc.errors import NotFoundError
from spc.identity import content_hash
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.answer import answer
from spc.studies.answers_given import answers_given
from spc.studies.capability import CapabilityStudy, judged
from spc.studies.capability_asked import REQUIRED, TESTED, Asked
from spc.studies.chance import Chance, chance
from spc.studies.chart_signals import Signal
from spc.studies.drift import Drift, drift_of
from spc.studies.fit_checks import FitChecks, fit_checks
from spc.studies.gauge import GaugeStudy
from spc.studies.gauge_in_force import newest_gauge
from spc.studies.history import History, production
from spc.studies.hit_check import SuspectHit, suspect_hits
from spc.studies.limit_sets import LimitSet, limit_sets
from spc.studies.lots import last_batches
from spc.studies.moments import BATCH
from spc.studies.monitor import Monitor, charted
from spc.studies.month_arms import ArmChecks, arm_checks
from spc.studies.month_counts import MonthCount, OmittedPoint, month_counts, omitted_points
from spc.studies.month_rows import (
    Event,
    Gap,
    Held,
    Remeasured,
    events_of,
    gaps,
    held_runs,
    remeasured,
)
from spc.studies.movers import Movers, movers
from spc.studies.point_state import PointState, point_states
from spc.studies.signals import ListedSignal, listed
from spc.studies.spans import Period
from spc.studies.streams import Sharing

#: What is told of long work to people who wait.
Tell = Callable[[str], None]


def silent(text: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Month:
    """One part's month.

    Parameters
    ----------
    plan
        The plan.
    period
        The month.
    cutoff
        Time of the newest run that the page knows, UTC.
    pieces, runs
        Pieces measured in the month (production), and the runs in force.
    batches, moulds, devices
        Their names.
    operators
        How many people probed.
    superseded
        Earlier runs left out since the piece was measured again.
    unaligned, undated
        Runs left out over the whole history since they could not be aligned or dated.
    remeasured, gaps, held, suspects
        Pieces measured again, points not measured, fits beyond the limit, hits that do not belong.
    monitor
        Charts of every series up to the end of the month, by batch.
    new_signals
        Signals that began in the month.
    open_signals
        Signals that began before and were still there in the month.
    listed
        Signals of the month's charts, new and older, one a chart, with the answers given: open ones
        first.
    chance
        What chance alone would raise on the charts of the month.
    movers
        Check points that move fastest.
    limits
        Frozen limits in force at the end of the month.
    drift
        Drift by kind up to the end of the month; None where the plan can see no shape.
    fit_checks
        What the fit leaves unseen.
    omitted
        Points that are out of the fits of the month's runs.
    counts
        Runs, re-measures and omissions of the last twelve months.
    events
        Events of the month.
    points
        State of every check point, those that need a look first.
    capability
        Capability over the newest batches up to the end of the month.
    gauge
        The newest gauge study, or None.
    gauge_note
        Why there is none.
    arms
        How each arm that measured in the month was checked.
    answer
        The month in three sentences.
    fingerprint
        Hash of everything that the page is made from.
    version
        Version of the program.
    """

    plan: Plan
    period: Period
    cutoff: datetime
    pieces: int
    runs: int
    batches: tuple[str, ...]
    moulds: tuple[str, ...]
    devices: tuple[str, ...]
    operators: int
    superseded: int
    unaligned: int
    undated: int
    remeasured: tuple[Remeasured, ...]
    gaps: tuple[Gap, ...]
    held: tuple[Held, ...]
    suspects: tuple[SuspectHit, ...]
    monitor: Monitor
    new_signals: tuple[Signal, ...]
    open_signals: tuple[Signal, ...]
    listed: tuple[ListedSignal, ...]
    chance: Chance
    movers: Movers
    limits: tuple[LimitSet, ...]
    drift: Drift | None
    fit_checks: FitChecks
    omitted: tuple[OmittedPoint, ...]
    counts: tuple[MonthCount, ...]
    events: tuple[Event, ...]
    points: tuple[PointState, ...]
    capability: CapabilityStudy
    gauge: GaugeStudy | None
    gauge_note: str
    arms: tuple[ArmChecks, ...]
    answer: tuple[str, ...]
    fingerprint: str
    version: str


def month_study(
    store: Store,
    period: Period,
    part: str | None = None,
    revision: str | None = None,
    *,
    baseline: str | None = None,
    required: float = REQUIRED,
    tell: Tell = silent,
) -> Month:
    """Look at one part's month.

    Parameters
    ----------
    store
        An open store.
    period
        The month, or another period.
    part, revision
        The part.
    baseline
        Span that the charts' limits stand on; None for the usual one.
    required
        Capability asked for.
    tell
        Called with what is being done, for people who wait.

    Raises
    ------
    NotFoundError
        Where nothing of the part was measured in it.
    """
    plan = read.plan(store, part, revision)
    whole = production(store, plan)
    before_end = np.asarray(whole.runs["measured_at"] < period.end)
    inside = np.asarray(before_end & (whole.runs["measured_at"] >= period.start))
    if not inside.any():
        days = whole.runs["measured_at"]
        raise NotFoundError(
            f"nothing of {plan.part} {plan.revision} was measured {period.within}; "
            f"there are runs from {days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}"
        )
    known, now = whole.where(before_end), whole.where(inside)
    events = read.events(store, plan.part)
    events = events[events["happened_at"] < period.end]
    return _assembled(store, period, known, now, events, baseline, required, tell)


def _assembled(
    store: Store, period: Period, known: History, now: History, events: pd.DataFrame,
    baseline: str | None, required: float, tell: Tell,
) -> Month:  # fmt: skip
    plan, runs = known.plan, now.runs
    named = f"{plan.part} {plan.revision}, {period.name}"
    tell(f"{named}: charts")
    sets = limit_sets(store, plan.part, plan.revision) if baseline is None else ()
    chart = charted(known, events, by=BATCH, baseline=baseline, sets=sets, sharing=Sharing())
    new, old = _signals_of(chart, period)
    states = point_states(chart, now, (*new, *old))
    tell(f"{named}: capability")
    newest, words = last_batches(known.runs)
    able = judged(known.where(newest), words, asked=Asked(required=required, shape=TESTED))
    tell(f"{named}: gauge study")
    study, why_none = newest_gauge(store, plan, before=period.end)
    again = remeasured(store, plan, period)
    suspects = suspect_hits(store, now)
    held = held_runs(now)
    tell(f"{named}: drift")
    answers = answers_given(store, plan.part)
    found = _listed(chart, answers, (*new, *old), period)
    omitted = omitted_points(store, plan, period)
    arms = arm_checks(store, runs, period)
    drift, in_force = drift_of(known, events, baseline), _in_force(sets, period)
    return Month(
        plan=plan, period=period, cutoff=known.runs["measured_at"].max().to_pydatetime(),
        pieces=int(runs["piece_id"].nunique()), runs=len(runs), batches=_names(runs["batch"]),
        moulds=_names(runs["mould"]), devices=_names(runs["device"]),
        operators=len(_names(runs["operator"])), superseded=len(again),
        unaligned=known.unaligned, undated=known.undated, remeasured=again, gaps=gaps(now),
        held=held, suspects=suspects, monitor=chart, new_signals=new, open_signals=old,
        listed=found, chance=chance(chart, chart.rows.times >= np.datetime64(period.start)),
        movers=movers(chart, period), limits=in_force,
        drift=drift, fit_checks=fit_checks(known), omitted=omitted,
        counts=month_counts(store, plan, period),
        events=events_of(events, period), points=states, capability=able, gauge=study,
        gauge_note=why_none, arms=arms,
        answer=answer(
            plan, period, len(runs), states, able, suspects, len(held), study, drift, in_force
        ),
        fingerprint=_fingerprint(
            known, events, period, baseline, required, sets, found, omitted, arms, study
        ),
        version=__version__,
    )  # fmt: skip


def _names(column: "pd.Series[str]") -> tuple[str, ...]:
    return tuple(str(name) for name in pd.unique(column) if name)


def _signals_of(chart: Monitor, period: Period) -> tuple[tuple[Signal, ...], tuple[Signal, ...]]:
    """Return the signals that began in the period, and older ones that reach into it."""
    new = tuple(s for s in chart.signals if period.start <= s.since < period.end)
    old = tuple(s for s in chart.signals if s.since < period.start <= s.until)
    return new, old


def _listed(
    chart: Monitor, answers: pd.DataFrame, signals: tuple[Signal, ...], period: Period
) -> tuple[ListedSignal, ...]:
    """Return those of a chart's signals that the period is concerned with, as they are answered.

    So are answers to what began in it, though the data of today show it no more.
    """
    mine = {(s.series, s.mould) for s in signals}
    first = min((s.since for s in signals), default=None)
    return tuple(
        one
        for one in listed(chart, answers).signals
        if ((one.series, one.mould) in mine and first is not None and one.until >= first)
        or (not one.found and period.start <= one.since < period.end)
    )


def _in_force(sets: tuple[LimitSet, ...], period: Period) -> tuple[LimitSet, ...]:
    """Return the frozen limits that are in force at a period's end."""
    return tuple(
        s
        for s in sets
        if s.valid_from < period.end and (s.valid_to is None or s.valid_to >= period.end)
    )


def _fingerprint(
    known: History, events: pd.DataFrame, period: Period, baseline: str | None, required: float,
    sets: tuple[LimitSet, ...], found: tuple[ListedSignal, ...], omitted: tuple[OmittedPoint, ...],
    arms: tuple[ArmChecks, ...], gauge: GaugeStudy | None,
) -> str:  # fmt: skip
    return content_hash(
        "month", __version__, known.plan.plan_id, period.name, baseline, required,
        sorted(known.runs["fit_id"].astype(str)), sorted(events["event_id"].astype(str)),
        sorted(s.limit_set_id for s in sets),
        sorted(f"{s.signal_id} {s.cause} {s.reaction} {s.answered_at}" for s in found),
        sorted(f"{o.run} {o.point} {o.reason} {o.why} {o.decided_at}" for o in omitted),
        [_readable(arm) for arm in arms],
        gauge and (gauge.study, gauge.runs, str(gauge.first), str(gauge.last)),
    )  # fmt: skip


def _readable(arm: ArmChecks) -> list[str]:
    """Return an arm's figures without the last digits, in which two machines may differ."""
    values = [getattr(arm, f.name) for f in fields(arm)]
    return [f"{v:.9g}" if isinstance(v, float) else str(v) for v in values]
