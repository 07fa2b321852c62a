"""Signals for the terminal."""

from math import isfinite

from spc.pages.display import count, length, moment, number
from spc.pages.text import table
from spc.studies.chance import Chance
from spc.studies.signals import OPEN, ListedSignal, SignalList

#: What is said of an answered signal that the charts do not show any more.
NO_MORE = "not found any more"
#: And of one that is open for what came after an answer.
AGAIN = "again"


def signals_text(found: SignalList) -> str:
    """Return the signals: open ones first, then those answered."""
    open_ones = [s for s in found.signals if s.state == OPEN]
    head = (
        f"{count(len(open_ones), 'open signal')}, "
        f"{count(len(found.signals) - len(open_ones), 'answered one')}; lengths in {found.unit}\n"
        f"{_by_chance(found.chance)}"
    )
    if not found.signals:
        return head
    rows = [_row(s, found.unit) for s in found.signals]
    columns = ("signal", "state", "series", "mould", "first seen", "when (UTC)", "found", "off",
               "change came", "size", "last seen", "nearest event")  # fmt: skip
    answers = [
        f"{s.signal_id}: {s.cause}; {s.reaction} ({s.who}, {moment(s.answered_at)} UTC)"
        for s in found.signals
        if s.state != OPEN
    ]
    return "\n".join([head, "", table(columns, rows, "       r r"), *answers])


def _by_chance(known: Chance) -> str:
    if not known.charts:
        return (
            "No chart has limits and a value after its baseline yet, so there is nothing to find."
        )
    return (
        f"After the baseline {known.found} of {count(known.charts, 'chart')} show one (fit points "
        f"apart); by chance alone it would be about {number(known.charts_with_any, 0)}, over "
        f"{count(known.points, 'point')} ({known.words})"
    )


def _row(signal: ListedSignal, unit: str) -> tuple[str, ...]:
    more = f" and {len(signal.also)} more" if signal.also else ""
    return (
        signal.signal_id, _state(signal), signal.series, signal.mould, signal.first,
        moment(signal.since), signal.rule + more,
        length(signal.value - signal.center, unit, signed=True), _change(signal),
        _size(signal, unit), signal.last, event_words(signal),
    )  # fmt: skip


def _state(signal: ListedSignal) -> str:
    if not signal.found:
        return f"{signal.state}, {NO_MORE}"
    if signal.answered_before:
        return f"{signal.state} {AGAIN}"
    if not signal.since_answer:
        return signal.state
    return f"{signal.state}, {count(signal.since_answer, 'piece')} since"


def event_words(signal: ListedSignal) -> str:
    """Return the event nearest to the change behind a signal, and how far from it."""
    if not signal.event:
        return ""
    days = abs(round(signal.event_days))
    side = "before" if signal.event_days >= 0 else "after the likeliest time"
    apart = count(days, "day") if days else "less than a day"
    return f"{signal.event} ({apart} {side})"


def _change(signal: ListedSignal) -> str:
    if not signal.changed_first or signal.changed_first == signal.changed_last:
        return signal.changed_first
    return f"{signal.changed_first} to {signal.changed_last}"


def _size(signal: ListedSignal, unit: str) -> str:
    if not isfinite(signal.shift):
        return ""
    low, high = (length(v, unit, signed=True) for v in (signal.shift_low, signal.shift_high))
    return f"{length(signal.shift, unit, signed=True)} ({low} to {high})"


def answered_text(signal: ListedSignal) -> str:
    """Return what became of an answer."""
    return (
        f"Signal {signal.signal_id} on {signal.series} is answered: {signal.cause}; "
        f"{signal.reaction}."
    )
