"""Open signals and the answers given to them: a signal stays open until someone answers it."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError, NotFoundError
from spc.identity import content_hash
from spc.store import write
from spc.store.connection import Store, now
from spc.studies.answers_given import OF, answers_given
from spc.studies.chance import Chance, chance
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART, Signal
from spc.studies.freezing import require_reason
from spc.studies.moments import BATCH
from spc.studies.monitor import Monitor, monitor
from spc.studies.signal_change import change_of, nearest_event

OPEN, ANSWERED = "open", "answered"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedSignal:
    """One signal: what a series of one mould did first, and what else its chart shows.

    What its chart shows first after an answer is a signal of its own. No answer is ever lost: where
    the data of today show nothing more of what it was given to, it is listed as given.

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
        The event nearest to when the change most likely came, of those that concern the mould and
        came before it or within the set that holds it, and how many days before (below 0 for one
        within the set, after the likeliest time); nearest is not cause.
    cause, reaction, who, answered_at
        The answer; empty and None while open.
    since_answer
        Pieces in its stretch that came into the store after the answer.
    answered_before
        Of an open one, the cause and the action of the last answer on the same chart: it is open
        again, for what came since. Empty where there was none.
    found
        False for an answered one that the charts do not show any more: further data have come in
        since, or results were corrected. It bears the name that it was given under.
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
    since_answer: int
    answered_before: str
    found: bool


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
    return listed(chart, answers_given(store, chart.plan.part))


def listed(chart: Monitor, answers: pd.DataFrame) -> SignalList:
    """Return the signals of charts that are already drawn, with the answers given."""
    given = {str(row["signal_id"]): row for row in answers.to_dict("records")}
    groups: dict[tuple[str, str], list[Signal]] = {}
    for signal in chart.signals:
        groups.setdefault((signal.series, signal.mould), []).append(signal)
    strays = _strays(chart, given)
    found = [
        one
        for key in dict.fromkeys([*groups, *strays])
        for one in _of_chart(chart, groups.get(key, []), given, strays.get(key, []))
    ]
    order = {name: at for at, name in enumerate(chart.series.names)}
    found.sort(key=lambda s: (s.state != OPEN, order[s.series], s.mould, s.since))
    return SignalList(
        unit=chart.plan.unit,
        signals=tuple(found),
        chance=chance(chart),
    )


def _strays(chart: Monitor, given: dict[str, Any]) -> dict[tuple[str, str], list[Any]]:
    """Return, by chart, answers to signals that do not begin any more where they began.

    Further data, come in late or corrected, may have moved the beginning of a signal, or have taken
    it away. Answers on other charts (another revision, another way of grouping) are none of these.
    """
    here = {_name(chart, signal) for signal in chart.signals}
    rows = set(zip(chart.rows.labels, chart.rows.moulds, strict=True))
    strays: dict[tuple[str, str], list[Any]] = {}
    for name, row in given.items():
        if name in here or row["series"] not in chart.series.names:
            continue
        mould: str | None = str(row["mould"] or "")
        if (str(row["subject"]), mould) not in rows:
            mould = _renamed(chart, row)
        if mould is not None:
            strays.setdefault((str(row["series"]), mould), []).append(row)
    return strays


def _renamed(chart: Monitor, row: Any) -> str | None:
    """Return the mould on whose chart an answer belongs whose batch or piece has another name now.

    A correction changes names and not times: what stands at the time of the answer is what it was
    given to. Without that it stays with its mould. None where it is of another chart.
    """
    if row.get(OF, BATCH) not in (chart.rows.by, "") or not _of_these_charts(chart, row):
        return None
    mould, at = str(row["mould"] or ""), np.datetime64(row["measured_at"].to_datetime64())
    same = [m for m, t in zip(chart.rows.moulds, chart.rows.times, strict=True) if t == at]
    if mould in same or (not same and mould in chart.rows.moulds):
        return mould
    return same[0] if same else None


def _of_these_charts(chart: Monitor, row: Any) -> bool:
    """Tell whether an answer is of this revision: its name is made of it."""
    since = row["measured_at"].to_pydatetime()
    return str(row["signal_id"]) in {
        _id(chart, str(row["series"]), str(row["mould"] or ""), kind, str(row["rule"]),
            str(row["subject"]), since)
        for kind in (VALUE_CHART, EWMA_CHART, RANGE_CHART)
    }  # fmt: skip


def _of_chart(
    chart: Monitor, group: list[Signal], given: dict[str, Any], strays: list[Any]
) -> list[ListedSignal]:
    """Return one chart's signals: all of it as one, but an answer holds only for what was seen.

    What came into the store after the answer was recorded is a signal of its own, and open,
    whenever it was measured.
    """
    left, found = sorted(group, key=lambda s: s.since), []
    answers = [(given[name], s) for s in left if (name := _name(chart, s)) in given]
    for answer, named in sorted([*answers, *((row, None) for row in strays)], key=_when):
        if named is not None and not any(s is named for s in left):
            # An older answer of the chart holds for it by now; this one is listed all the same.
            found.append(_no_more(chart, answer))
            continue
        first, last = _stretch(answer, named)
        when = np.datetime64(answer["recorded_at"].to_datetime64())
        mine = [s for s in left if s is named or _was_seen(chart, s, first, last, when)]
        if named is None:
            # What begins elsewhere is the same only where it lies on the same side of the centre.
            mine = [s for s in mine if (s.value > s.center) == (answer["value"] > s.center)]
        mine.sort(key=lambda s: s is not named)
        left = [s for s in left if not any(s is one for one in mine)]
        found.append(_listed(chart, mine, answer) if mine else _no_more(chart, answer))
    if left:
        again = _listed(chart, left, None)
        found.append(replace(again, answered_before=_last_said(found)))
    return found


def _last_said(answered: list[ListedSignal]) -> str:
    """Return cause and action of the last of some answers; empty where there is none."""
    said = [(str(s.answered_at), f"{s.cause}; {s.reaction}") for s in answered]
    return max(said)[1] if said else ""


def _when(pair: tuple[Any, Signal | None]) -> Any:
    return pair[0]["recorded_at"]


def _stretch(answer: Any, named: Signal | None) -> tuple[datetime, datetime]:
    """Return first and last time of what an answer was given to, as far as is known."""
    if named is not None:
        return named.since, named.until
    at = answer["measured_at"].to_pydatetime()
    return at, at


def _was_seen(
    chart: Monitor, signal: Signal, first: datetime, last: datetime, when: np.datetime64
) -> bool:
    """Tell whether a signal was there to be seen when another of its chart was answered."""
    rows = _rows_of(chart, signal)
    if not rows.size:
        return signal.since <= pd.Timestamp(when).to_pydatetime()
    taken = chart.rows.taken[rows[0]]
    taken = taken[~np.isnat(taken)]
    # A batch that got more pieces since may have shown nothing before, unless it was part of what
    # was answered.
    touches = signal.since <= last and first <= signal.until
    return bool(taken.size and (taken.min() if touches else taken.max()) <= when)


def _no_more(chart: Monitor, answer: Any) -> ListedSignal:
    """Return an answered signal that the charts do not show any more, as it was answered."""
    column = chart.series.names.index(str(answer["series"]))
    at, label = answer["measured_at"].to_pydatetime(), str(answer["subject"])
    return ListedSignal(
        signal_id=str(answer["signal_id"]), state=ANSWERED, part=chart.plan.part,
        revision=chart.plan.revision, series=str(answer["series"]),
        spoken=chart.series.spoken[column], mould=str(answer["mould"] or ""),
        fit_point=bool(chart.series.fit_point[column]), rule=str(answer["rule"]), first=label,
        since=at, last=label, until=at, also=(), value=float(answer["value"]), center=np.nan,
        changed_first="", changed_last="", shift=np.nan, shift_low=np.nan, shift_high=np.nan,
        event="", event_days=np.nan, cause=str(answer["cause"]), reaction=str(answer["reaction"]),
        who=str(answer["who"]), answered_at=answer["recorded_at"].to_pydatetime(), since_answer=0,
        answered_before="", found=False,
    )  # fmt: skip


def _rows_of(chart: Monitor, signal: Signal) -> npt.NDArray[np.int64]:
    """Return the rows of its chart that a signal lies on, in the order of time."""
    mine = np.flatnonzero(np.array([m == signal.mould for m in chart.rows.moulds]))
    times = chart.rows.times[mine]
    inside = (times >= np.datetime64(signal.since)) & (times <= np.datetime64(signal.until))
    return mine[inside]


def _came_since(chart: Monitor, group: list[Signal], when: np.datetime64) -> int:
    """Return how many pieces came into the stretch of signals after an answer."""
    rows = np.unique(np.concatenate([_rows_of(chart, s) for s in group]))
    return int((chart.rows.taken[rows] > when).sum())


def _name(chart: Monitor, first: Signal) -> str:
    return _id(chart, first.series, first.mould, first.chart, first.rule, first.first, first.since)


def _id(
    chart: Monitor, series: str, mould: str, kind: str, rule: str, subject: str, since: datetime
) -> str:
    return content_hash(
        "signal", chart.plan.part, chart.plan.revision, series, mould, kind, rule, subject,
        str(since),
    )[:12]  # fmt: skip


def _listed(chart: Monitor, group: list[Signal], answer: Any) -> ListedSignal:
    first = group[0]
    last = max(group, key=lambda s: s.until)
    column = chart.series.names.index(first.series)
    plan = chart.plan
    event, days = nearest_event(chart, first)
    change = change_of(chart, first)
    when = None if answer is None else np.datetime64(answer["recorded_at"].to_datetime64())
    return ListedSignal(
        signal_id=_name(chart, first) if answer is None else str(answer["signal_id"]),
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
        since_answer=0 if when is None else _came_since(chart, group, when),
        answered_before="",
        found=True,
    )


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
