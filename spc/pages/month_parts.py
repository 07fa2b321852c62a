"""Parts of the month's page: the answer, what was measured, what changed, where the points are."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from spc.pages.blocks import badge, columns, facts, fold, table
from spc.pages.chart_tables import signal_table
from spc.pages.chart_words import between, exact
from spc.pages.display import NONE, count, moment, number
from spc.pages.html import Child, Html, el
from spc.studies.monitor import Signal
from spc.studies.month import Month
from spc.studies.point_state import OUTSIDE, SIGNAL, leading

#: Names listed before the rest is counted.
LISTED = 8
#: Charts with a signal shown in full; the rest is folded.
FIRST_SIGNALS = 10


def sentences(texts: Iterable[str]) -> tuple[str, ...]:
    """Return notes as sentences: a capital in front, a full stop behind."""
    return tuple(f"{t[:1].upper()}{t[1:]}{'' if t.endswith('.') else '.'}" for t in texts if t)


def names(found: Sequence[str], none: str = NONE) -> str:
    """Return names in a row; of many the first ones and how many more."""
    if not found:
        return none
    more = f" and {len(found) - LISTED} more" if len(found) > LISTED else ""
    return ", ".join(found[:LISTED]) + more


def needs_action(month: Month) -> bool:
    """Return whether anything in the month asks for a look."""
    moved = any(state.state in (OUTSIDE, SIGNAL) for state in month.points)
    return moved or bool(month.suspects or month.held)


def answer_box(month: Month) -> Html:
    """Return the month in three sentences."""
    kind = "answer act" if needs_action(month) else "answer"
    return el("div", (el("p", text) for text in month.answer), class_=kind, id="answer")


def measured(month: Month) -> Html:
    """Return what was measured; people are counted, never named."""
    missing = sum(len(gap.points) for gap in month.gaps)
    pairs: list[tuple[str, Child]] = [
        ("pieces", month.pieces),
        ("batches", f"{len(month.batches)}: {names(month.batches)}" if month.batches else NONE),
        ("moulds", names(month.moulds, "not recorded")),
        ("arms", names(month.devices, "not recorded")),
        ("people probing", month.operators or "not recorded"),
        ("runs in force", month.runs),
        ("pieces measured again", month.superseded or "none"),
        ("points not measured", _missing(missing, len(month.gaps))),
        ("fits beyond the limit", _held(month)),
        ("hits that do not belong", len(month.suspects) or "none"),
        ("runs never aligned", f"{month.unaligned} (whole history)" if month.unaligned else "none"),
        ("runs without a time", f"{month.undated} (whole history)" if month.undated else "none"),
    ]
    return facts(pairs)


def _missing(points: int, pieces: int) -> str:
    return f"{points} on {count(pieces, 'piece')}" if points else "none"


def _held(month: Month) -> str | int:
    if month.plan.residual_limit is None:
        return "no limit in the plan"
    return len(month.held) or "none"


def changed(month: Month) -> Iterator[Html]:
    """Return events, new signals and those still there."""
    yield el("h3", "Events")
    yield _events(month)
    yield _by_chance(month)
    yield from _signals(
        month, month.new_signals, "new", "New signals", f"No signal began in {month.period.name}."
    )
    yield from _signals(
        month, month.open_signals, "older", "Older signals still there",
        "No signal of an earlier month reaches into this one.",
    )  # fmt: skip


def _by_chance(month: Month) -> Html:
    """Return how many charts chance alone would have raised, beside how many there are."""
    known = month.chance
    if not known.charts:
        return el("p", *sentences([known.words]))
    charts = count(known.charts, "chart")
    some = known.charts_with_any
    expected = "fewer than one" if some < 1 else f"about {some:.0f}"
    return el(
        "p",
        f"{known.found} of {charts} show a signal in {month.period.name} (points of the fit "
        f"apart). With nothing wrong it would be {expected} ({known.words}).",
    )


def _events(month: Month) -> Html:
    if not month.events:
        return el("p", f"No event is recorded in {month.period.name}.")
    rows = [(moment(e.at), e.kind, e.mould or "all", e.note) for e in month.events]
    heads = columns("time (UTC)", "kind", "mould", "note~")
    return table("events", f"Recorded in {month.period.name}", heads, rows)


def _signals(
    month: Month, signals: tuple[Signal, ...], key: str, title: str, none: str
) -> Iterator[Html]:
    yield el("h3", title)
    if not signals:
        yield el("p", none)
        return
    first = _by_weight(month, leading(signals))
    unit = month.plan.unit
    rows = [
        (s.series, s.mould or NONE, s.rule, s.first, moment(s.since), s.direction,
         exact(s.value, unit), exact(s.center, unit))
        for s in first[:FIRST_SIGNALS]
    ]  # fmt: skip
    heads = columns("series", "mould", "what was found", "from", "time (UTC)", "side",
                    f"first value, {unit}#", f"centre, {unit}#")  # fmt: skip
    shown = f"; the {FIRST_SIGNALS} that matter first" if len(first) > FIRST_SIGNALS else ""
    found = f"{count(len(signals), 'signal')} on {count(len(first), 'chart')}"
    yield table(f"{key}-signals", f"{found}{shown}, one row a chart", heads, rows)
    if len(signals) > len(rows):
        yield el("p", el("a", "Every one of them", href=f"#{key}-all"), " is listed at the end.")


def every_signal(month: Month) -> Iterator[Html]:
    """Return the month's signals one by one, folded."""
    for key, words, signals in (
        ("new", "that began in the month", month.new_signals),
        ("older", "of earlier months still there", month.open_signals),
    ):
        if signals:
            caption = "Every one, the newest first"
            listed = signal_table(
                f"{key}-signals-all", caption, month.monitor, signals, by_name=True
            )
            yield fold(f"{key}-all", f"{count(len(signals), 'signal')} {words}", listed)


def _by_weight(month: Month, signals: Sequence[Signal]) -> list[Signal]:
    """Return signals in the order of the month's points; the fit's own series come after them."""
    rank = {state.point: at for at, state in enumerate(month.points)}
    return sorted(signals, key=lambda s: (rank.get(s.series, len(rank)), s.since))


def point_table(month: Month) -> Html:
    """Return the state of every check point."""
    unit = month.plan.unit
    heads = columns(
        "check point", "state", "pieces#", f"mean, {unit}#", f"smallest to largest, {unit}#",
        f"tolerance, {unit}#", "outside#", f"moved, {unit}#", "in st. dev.#", "on mould",
        "signals#",
    )  # fmt: skip
    rows = [
        (
            p.point, badge(p.state), p.n, exact(p.mean, unit),
            between(p.smallest, p.largest, unit), between(p.lower, p.upper, unit), p.outside,
            exact(p.moved, unit), number(p.moved_sigma, 1), p.moved_mould or NONE, p.signals,
        )
        for p in month.points
    ]  # fmt: skip
    marked = [p.state in (OUTSIDE, SIGNAL) for p in month.points]
    caption = f"Check points in {month.period.name}, those that need a look first"
    return table("points", caption, heads, rows, marked=marked)


def capability_method(level: float) -> tuple[str, ...]:
    """Return how the indices and their intervals were computed."""
    return (
        "Ppk is the distance of the mean from the nearer tolerance in units of three standard "
        "deviations of a piece from a batch not yet seen; Cpk the same with the spread within "
        "batches alone. What is asked for is judged on Ppk.",
        f"Ranges are {100 * level:g} % confidence intervals that count batches as well as pieces: "
        "many pieces of few batches say little about the next batch.",
        "Shown means that even the lower confidence bound reaches what is asked for; not shown, "
        "that even the upper one does not; cannot be shown, that these pieces decide neither way, "
        "and the words say how many would if the index stayed.",
        "The question is refused where the chart over the same span shows a signal, or where the "
        "plan gives no tolerance. Points of the fit are not asked: the fit pulls their deviations "
        "towards zero, and an index of them would flatter.",
        "The bounds take readings as normal, pieces of one batch lying together. Where a test of "
        "that (Anderson-Darling, 5 %) turns it down, no index is given here; the command that "
        "judges one point goes by percentiles of the shape that fits.",
    )


def finite(*values: float) -> bool:
    """Return whether all values are numbers."""
    return bool(np.isfinite(values).all())
