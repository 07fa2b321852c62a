"""Parts of the month's page: the answer, what was measured, where the points are."""

from collections.abc import Iterable, Sequence

import numpy as np

from spc.interval import Interval
from spc.pages.beside import Beside
from spc.pages.blocks import Cell, badge, columns, facts, tall_table
from spc.pages.chart_words import between, exact
from spc.pages.display import NONE, count, number, span
from spc.pages.html import Child, Html, el
from spc.studies.month import Month
from spc.studies.point_state import OUTSIDE, SIGNAL

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
        ("points left out of fits", len(month.omitted) or "none"),
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


def point_table(month: Month, beside: Beside) -> Html:
    """Return the state of every check point, with links to the pages of those that have one."""
    unit = month.plan.unit
    heads = columns(
        "check point", "state", "pieces#", f"mean, {unit}#", f"smallest to largest, {unit}#",
        f"tolerance, {unit}#", "outside#", f"moved, {unit}#", "in st. dev.#", "on mould",
        "signals#",
    )  # fmt: skip
    rows = [
        (
            Cell(shown=beside.point(p.point), value=p.point), badge(p.state), p.n,
            exact(p.mean, unit),
            between(p.smallest, p.largest, unit), between(p.lower, p.upper, unit), p.outside,
            exact(p.moved, unit), number(p.moved_sigma, 1), p.moved_mould or NONE, p.signals,
        )
        for p in month.points
    ]  # fmt: skip
    marked = [p.state in (OUTSIDE, SIGNAL) for p in month.points]
    caption = f"Check points {month.period.within}, those that need a look first"
    return tall_table("points", caption, heads, rows, marked=marked)


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


def index_range(low: float, high: float) -> str:
    """Return the ends of an index's range, or a dash."""
    return span(Interval(low=low, high=high)) if finite(low, high) else NONE


def finite(*values: float) -> bool:
    """Return whether all values are numbers."""
    return bool(np.isfinite(values).all())
