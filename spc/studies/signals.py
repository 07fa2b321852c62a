"""Open signals and the answers given to them: a signal stays open until someone answers it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from spc.charts.changepoint import change_before
from spc.errors import InputError, NotFoundError
from spc.identity import content_hash
from spc.store import read, write
from spc.store.connection import Store, now
from spc.studies.chance import Chance, chance
from spc.studies.chart_signals import Signal
from spc.studies.freezing import require_reason
from spc.studies.monitor import Monitor, monitor

OPEN, ANSWERED = "open", "answered"
#: An event counts as near where it lies within so many days before a signal's first point.
NEAR_DAYS = 21


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedSignal:
    """One signal: what a series of one mould did first, and what else its chart shows.

    What its chart shows first after an answer is a signal of its own.


    Parameters
    ----------
    signal_id
        Its name for an answer.
    state
        ``open`` or ``answered``.
    part, revision, series, spoken, mould
        The chart.
    fit_point
        True for the residual of a fit point, which says what the modes say in more numbers.
    rule
        What was found first, in words.
    first, since
        Batch or piece at which it was completed first, and its time, UTC.
    last, until
        Where the chart still shows a signal last.
    also
        Further rules that found something on the same chart since.
    value, center
        At the first point, mm.
    changed_first, changed_last
        When the change that made it came: first and last batch or piece of the set that holds it
        with 95 % confidence (Samuel, Pignatiello and Calvin 1998); for a drift, when it had become
        large.
    shift, shift_low, shift_high
        Size of the change since, with its 95 % interval, mm; of a skewed figure NaN.
    event, event_days
        The nearest event before it that concerns the mould, and how many days before; nearest is
        not cause.
    cause, reaction, who, answered_at
        The answer; empty and None while open.
    """

    signal_id: str
    state: str
    part: str
    revision: str
    series: str
    spoken: str
    mould: str
    fit_point: bool
    rule: str
    first: str
    since: datetime
    last: str
    until: datetime
    also: tuple[str, ...]
    value: float
    center: float
    changed_first: str
    changed_last: str
    shift: float
    shift_low: float
    shift_high: float
    event: str
    event_days: float
    cause: str
    reaction: str
    who: str
    answered_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalList:
    """Signals of a part.

    Parameters
    ----------
    unit
        Unit that the part is shown in.
    signals
        Open ones first, in the order of reading.
    chance
        What chance alone would raise on charts like these.
    """

    unit: str
    signals: tuple[ListedSignal, ...]
    chance: Chance


def signal_list(
    store: Store, part: str | None = None, revision: str | None = None, **question: Any
) -> SignalList:
    """Return the signals of all charts; ``question`` as for a monitor."""
    chart = monitor(store, part, revision, **question)
    return listed(chart, read.signal_rows(store, chart.plan.part))


def listed(chart: Monitor, answers: pd.DataFrame) -> SignalList:
    """Return the signals of charts that are already drawn, with the answers given."""
    given = {str(row["signal_id"]): row for row in answers.to_dict("records")}
    groups: dict[tuple[str, str], list[Signal]] = {}
    for signal in chart.signals:
        groups.setdefault((signal.series, signal.mould), []).append(signal)
    found = [one for group in groups.values() for one in _of_chart(chart, group, given)]
    order = {name: at for at, name in enumerate(chart.series.names)}
    found.sort(key=lambda s: (s.state != OPEN, order[s.series], s.mould, s.since))
    return SignalList(
        unit=chart.plan.unit,
        signals=tuple(found),
        chance=chance(chart),
    )


def _of_chart(chart: Monitor, group: list[Signal], given: dict[str, Any]) -> list[ListedSignal]:
    """Return one chart's signals: all of it as one, but an answer holds only for what came before.

    What begins after the answer was recorded is a signal of its own, and open.
    """
    left, found = sorted(group, key=lambda s: s.since), []
    while left:
        answer = given.get(_name(chart, left[0]))
        until = datetime.max if answer is None else answer["recorded_at"].to_pydatetime()
        mine = [s for k, s in enumerate(left) if k == 0 or s.since <= until]
        left = [s for s in left[1:] if s.since > until]
        found.append(_listed(chart, mine, answer))
    return found


def _name(chart: Monitor, first: Signal) -> str:
    return content_hash(
        "signal", chart.plan.part, chart.plan.revision, first.series, first.mould, first.chart,
        first.rule, first.first, str(first.since),
    )[:12]  # fmt: skip


def _listed(chart: Monitor, group: list[Signal], answer: Any) -> ListedSignal:
    first = group[0]
    last = max(group, key=lambda s: s.until)
    column = chart.series.names.index(first.series)
    plan = chart.plan
    event, days = _nearest_event(chart, first)
    change = change_of(chart, first)
    return ListedSignal(
        signal_id=_name(chart, first),
        state=OPEN if answer is None else ANSWERED,
        part=plan.part,
        revision=plan.revision,
        series=first.series,
        spoken=chart.series.spoken[column],
        mould=first.mould,
        fit_point=bool(chart.series.fit_point[column]),
        rule=first.rule,
        first=first.first,
        since=first.since,
        last=last.last,
        until=last.until,
        also=tuple(dict.fromkeys(s.rule for s in group if s.rule != first.rule)),
        value=first.value,
        center=first.center,
        **change,
        event=event,
        event_days=days,
        cause="" if answer is None else str(answer["cause"]),
        reaction="" if answer is None else str(answer["reaction"]),
        who="" if answer is None else str(answer["who"]),
        answered_at=None if answer is None else answer["recorded_at"].to_pydatetime(),
    )


def change_of(chart: Monitor, signal: Signal) -> dict[str, Any]:
    """Return when the change behind a signal came, and its size."""
    column = chart.series.names.index(signal.series)
    rows = chart.rows
    mine = np.array([m == signal.mould for m in rows.moulds]) & np.isfinite(chart.values[:, column])
    at = np.flatnonzero(mine)
    labels = [rows.labels[k] for k in at]
    skewed = bool(chart.series.skewed[column])
    # What came since the signal belongs to the change too: it is sought up to its last point, and
    # never back into another mould's time or that of other limits.
    last = labels.index(signal.last)
    center, sigma = _known_at(chart, int(at[last]), column)
    found = change_before(
        rows.values[at, column], center, sigma, last, spans=chart.spans[at, column]
    )
    size = (np.nan,) * 3 if skewed else (found.shift, found.shift_low, found.shift_high)
    return {
        "changed_first": labels[int(found.candidates.min())],
        "changed_last": labels[int(found.candidates.max())],
        "shift": size[0], "shift_low": size[1], "shift_high": size[2],
    }  # fmt: skip


def _known_at(chart: Monitor, row: int, column: int) -> tuple[float, float]:
    """Return centre and sigma that a row was judged by, in the charted scale."""
    center, upper = float(chart.center[row, column]), float(chart.upper[row, column])
    if chart.series.skewed[column]:
        center, upper = float(np.cbrt(center**2)), float(np.cbrt(upper**2))
    return center, (upper - center) / float(chart.width[row, column])


def _nearest_event(chart: Monitor, signal: Signal) -> tuple[str, float]:
    """Return the last event before the signal that concerns its mould, and how many days before."""
    mine = chart.events[chart.events["mould"].isin(["", *chart.rows.tools_of(signal.mould)])]
    days = (pd.Timestamp(signal.since) - mine["happened_at"]).dt.total_seconds() / 86400
    near = mine[(days >= 0) & (days <= NEAR_DAYS) & (mine["kind"] != "arm check")]
    if near.empty:
        return "", np.nan
    row = near.iloc[-1]
    return f"{row['kind']}: {row['note']}".rstrip(": "), float(days.loc[near.index[-1]])


def answer(
    store: Store, signal_id: str, *, cause: str, reaction: str, who: str, part: str | None = None,
    revision: str | None = None, **question: Any,
) -> ListedSignal:  # fmt: skip
    """Answer an open signal with its cause and what was done.

    Raises
    ------
    NotFoundError
        Where there is no such signal on the charts as asked for.
    InputError
        Where it is answered already (an answer is not changed, a further remark is an event), or
        cause or reaction are empty.
    """
    require_reason(cause, reaction)
    found = signal_list(store, part, revision, **question)
    mine = [s for s in found.signals if s.signal_id.startswith(signal_id)]
    if len(mine) != 1:
        raise NotFoundError(
            f"{'no' if not mine else 'more than one'} signal '{signal_id}'; "
            "'spc signals list' shows their names"
        )
    signal = mine[0]
    if signal.state == ANSWERED:
        raise InputError(f"signal '{signal.signal_id}' is answered already", do="see signals list")
    row = {
        "signal_id": signal.signal_id, "action": ANSWERED, "part": signal.part,
        "series": signal.series, "mould": signal.mould, "rule": signal.rule,
        "subject": signal.first, "measured_at": pd.Timestamp(signal.since), "value": signal.value,
        "cause": cause, "reaction": reaction, "recorded_at": pd.Timestamp(now()), "who": who,
    }  # fmt: skip
    write.append(
        store, {"signal": pd.DataFrame([row])}, action="signal answered",
        subject=f"{signal.series} {signal.mould}".strip(), who=who, signal_id=signal.signal_id,
        cause=cause, reaction=reaction,
    )  # fmt: skip
    again = signal_list(store, part, revision, **question)
    return next(s for s in again.signals if s.signal_id == signal.signal_id)
