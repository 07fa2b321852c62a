"""Parts of the month's page: what changed, what moves fastest, and what kind of drift it is."""

from collections.abc import Iterator, Sequence

import numpy as np
import plotly.graph_objects as go

from spc.pages.beside import Beside
from spc.pages.blocks import (
    Cell,
    badge,
    bullets,
    columns,
    figure_block,
    fold,
    table,
)
from spc.pages.chart_tables import signal_table
from spc.pages.chart_words import exact
from spc.pages.display import NONE, count, length, moment, number
from spc.pages.figures.ranges import ACT, PLAIN, Range, ranges_figure
from spc.pages.html import Child, Html, el
from spc.pages.month_brief import left_out
from spc.pages.month_parts import FIRST_SIGNALS, sentences
from spc.pages.signals_text import AGAIN, NO_MORE, event_words
from spc.studies.month import Month
from spc.studies.movers import Mover
from spc.studies.signals import OPEN, ListedSignal
from spc.units import MILLIMETRES


def changed(month: Month, beside: Beside) -> Iterator[Html]:
    """Return events, new signals and those still there, with the answers given."""
    yield el("h3", "Events")
    yield _events(month)
    yield _by_chance(month)
    start = month.period.start
    yield from _signals(
        month, beside, [s for s in month.listed if s.since >= start], "new", "New signals",
        f"No signal began {month.period.within}.",
    )  # fmt: skip
    yield from _signals(
        month, beside, [s for s in month.listed if s.since < start], "older",
        "Older signals still there", f"No earlier signal reaches into this {month.period.word}.",
    )  # fmt: skip


def _events(month: Month) -> Html:
    if not month.events:
        return el("p", f"No event is recorded {month.period.within}.")
    rows = [(moment(e.at), e.kind, e.mould or "all", e.note) for e in month.events]
    heads = columns("time (UTC)", "kind", "mould", "note~")
    return table("events", f"Recorded {month.period.within}", heads, rows)


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
        f"{known.found} of {charts} show a signal {month.period.within} (points of the fit "
        f"apart). With nothing wrong it would be {expected} ({known.words}).",
    )


def _signals(
    month: Month, beside: Beside, signals: Sequence[ListedSignal], key: str, title: str, none: str
) -> Iterator[Html]:
    yield el("h3", title)
    if not signals:
        yield el("p", none)
        return
    ordered = _by_weight(month, signals)
    unit = month.plan.unit
    heads = columns("series", "mould", "state", "found first~^", "from", "change came",
                    f"size, {unit}#", f"range, {unit}#^", "event before~",
                    "cause and action~")  # fmt: skip
    rows = [_signal_row(s, beside, unit) for s in ordered]
    first, rest = rows[:FIRST_SIGNALS], rows[FIRST_SIGNALS:]
    still = sum(s.state == OPEN for s in ordered)
    answered = f", {still} of them open" if still < len(ordered) else ", all of them open"
    shown = f"; the {FIRST_SIGNALS} that matter first" if rest else ""
    marks = [s.state == OPEN for s in ordered]
    yield table(f"{key}-signals", f"{count(len(rows), 'chart')}{answered}{shown}", heads, first,
                marked=marks[:FIRST_SIGNALS])  # fmt: skip
    if rest:
        more = table(f"{key}-signals-more", "The others", heads, rest,
                     marked=marks[FIRST_SIGNALS:])  # fmt: skip
        yield fold(f"{key}-more", f"The other {len(rest)}", more, kind="long")
        yield left_out(f"The other {len(rest)} are listed on the page itself.")


def _signal_row(signal: ListedSignal, beside: Beside, unit: str) -> Sequence[Child | Cell]:
    came = signal.changed_first
    if signal.changed_last not in ("", came):
        came = f"{came} to {signal.changed_last}"
    ends = [length(v, unit, signed=True) for v in (signal.shift_low, signal.shift_high)]
    since = f"{count(signal.since_answer, 'piece')} since" if signal.since_answer else ""
    gone = "" if signal.found else NO_MORE
    before = f"open {AGAIN}; before: {signal.answered_before}" if signal.answered_before else ""
    answer = before or "; ".join(
        text for text in (signal.cause, signal.reaction, since, gone) if text
    )
    return (
        Cell(shown=beside.point(signal.series), value=signal.series), signal.mould or NONE,
        badge(signal.state), signal.rule, Cell(shown=signal.first, value=signal.first),
        came or NONE, exact(signal.shift, unit),
        " to ".join(ends) if np.isfinite(signal.shift_low) else NONE,
        event_words(signal) or NONE, answer or NONE,
    )  # fmt: skip


def _by_weight(month: Month, signals: Sequence[ListedSignal]) -> list[ListedSignal]:
    """Return signals: open ones first, then in the order of the month's points, the fit's last."""
    rank = {state.point: at for at, state in enumerate(month.points)}
    return sorted(
        signals,
        key=lambda s: (s.state != OPEN, s.fit_point, rank.get(s.series, len(rank)), s.since),
    )


def every_signal(month: Month) -> Iterator[Html]:
    """Return the month's signals one by one, folded."""
    for key, words, signals in (
        ("new", f"that began {month.period.within}", month.new_signals),
        ("older", "that began earlier and are still there", month.open_signals),
    ):
        if signals:
            caption = "Every one, the newest first"
            found = signal_table(
                f"{key}-signals-all", caption, month.monitor, signals, by_name=True
            )
            yield fold(f"{key}-all", f"{count(len(signals), 'signal')} {words}", found,
                       kind="long")  # fmt: skip


def movers_figure(month: Month) -> go.Figure | None:
    """Return the figure of the fastest points; None where none moves beyond its range."""
    found, unit = month.movers, month.plan.unit
    if not found.movers:
        return None
    per = MILLIMETRES[unit]
    rows = [
        Range(
            name=f"{m.point}, {m.mould}" if m.mould else m.point, value=m.slope / per,
            low=m.low / per, high=m.high / per, style=ACT if m.shown else PLAIN,
            pointed=f"{length(m.slope, unit, signed=True)} {unit} a month",
        )
        for m in found.movers
    ]  # fmt: skip
    words = {ACT: "stands out of all lines together", PLAIN: "by itself only"}
    used = {style: text for style, text in words.items() if any(r.style == style for r in rows)}
    axis = f"change a month, {unit}, + outwards"
    return ranges_figure(rows, axis, named=used, signed=True)


def fastest(month: Month, beside: Beside, figure: go.Figure | None) -> Iterator[Html]:
    """Return the check points that move fastest, and where that would lead."""
    found, unit = month.movers, month.plan.unit
    by_chance = found.lines * (1.0 - found.level)
    lines = f"{count(found.lines, 'line')} of batch means since {found.start:%Y-%m-%d}"
    if not found.lines:
        yield el("p", f"No check point has four batches of one mould since "
                 f"{found.start:%Y-%m-%d}: too few for a line.")  # fmt: skip
        return
    if figure is None:
        yield el("p", f"Of {lines} none moves by more than its range.")
        return
    more = f" {count(found.more, 'more moves', 'more move')} so." if found.more else ""
    level = f"{100 * found.level:g} % range"
    noted = any(m.note for m in found.movers)
    said = (
        f"Of {lines} these move fastest; the bar is each line's {level}. By chance about "
        f"{by_chance:.0f} of them would leave zero out of it.{more}"
    )
    yield figure_block("movers", f"{month.plan.part} fastest points", said, figure.layout.height,
                       wide=True)  # fmt: skip
    heads = columns("check point", "mould", f"change a month, {unit}#", f"{level}, {unit}#",
                    "batches#", "stands out of all", "meets its tolerance in, months#",
                    *(["note~"] if noted else []))  # fmt: skip
    rows = [
        (*_mover_row(m, beside, unit), *([m.note or NONE] if noted else [])) for m in found.movers
    ]
    caption = (
        "The fastest check points. When a line meets its tolerance supposes that it goes on as it "
        "did, which nothing promises"
    )
    yield table("movers-table", caption, heads, rows, marked=[m.shown for m in found.movers])


def _mover_row(mover: Mover, beside: Beside, unit: str) -> Sequence[Child | Cell]:
    ends = [length(v, unit, signed=True) for v in (mover.low, mover.high)]
    return (
        Cell(shown=beside.point(mover.point), value=mover.point), mover.mould or NONE,
        exact(mover.slope, unit), " to ".join(ends), mover.batches,
        "yes" if mover.shown else "no", _meets(mover),
    )  # fmt: skip


def _meets(mover: Mover) -> str:
    if not np.isfinite(mover.meets):
        return NONE
    if not np.isfinite([mover.meets_low, mover.meets_high]).all():
        return "no time can be promised"
    low = "now" if mover.meets_low <= 0 else number(mover.meets_low, 1)
    return f"{number(mover.meets, 1)} ({low} to {number(mover.meets_high, 1)})"


def kinds(month: Month, beside: Beside) -> Iterator[Html | None]:
    """Return what kind of drift it is, in sentences, with a link to its page."""
    if month.drift is None:
        yield el("p", "The plan's points can see no size, twist or bow apart from how a piece "
                 "lies: opposite faces show size, four points on a face show twist.")  # fmt: skip
        return
    yield el("div", bullets(sentences(month.drift.sentences)), class_="fine")
    if month.drift.hidden:
        yield el("p", "Not seen by this plan: ", "; ".join(month.drift.hidden), ".", class_="quiet")
    yield beside.link(beside.drift, "Charts of the shapes, and what goes with them")
