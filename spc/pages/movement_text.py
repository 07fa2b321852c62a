"""Trends and the effect of an event, for the terminal."""

from math import isfinite, isinf

from spc.pages.display import NONE, length, moment, number, probability
from spc.pages.drift_text import figure
from spc.pages.text import table
from spc.studies.movement import EventEffect, Movement, Trending

#: Rows shown; --json has them all.
SHOWN = 24


def movement_text(found: Movement) -> str:
    """Return the surest trends, then the surest effects of the event."""
    unit = found.plan.unit
    rows = [_trend(t, unit) for t in found.trends[:SHOWN]]
    head = ("check point", "mould", "batches", "in 100 pieces", "interval", "p", "now", "limit",
            "pieces left", "interval")  # fmt: skip
    lines = [
        f"{found.plan.part} {found.plan.revision}: trends of batch means, the surest first; "
        f"lengths in {unit}. A trend foretells nothing beyond the line.",
        *(f"note: {text}" for text in found.notes),
        "",
        table(head, rows, "  rrrrrrrr"),
    ]
    if found.event:
        effects = [_effect(e, unit) for e in found.effects[:SHOWN]]
        columns = ("what", "unit", "mould", "batches", "change", "interval", "p", "in sd")
        lines += ["", f"before and after {found.event} ({moment(found.event_at)} UTC):", "",
                  table(columns, effects, "   rrrrr")]  # fmt: skip
    return "\n".join(lines)


def _trend(one: Trending, unit: str) -> tuple[str, ...]:
    low, high = (length(v, unit, signed=True) for v in (one.slope_low, one.slope_high))
    return (
        one.point, one.mould or NONE, str(one.batches), length(one.slope, unit, signed=True),
        f"{low} to {high}", probability(one.p), length(one.level, unit, signed=True),
        length(one.limit, unit, signed=True), _pieces(one.pieces_left),
        f"{_pieces(one.pieces_low)} to {_pieces(one.pieces_high)}"
        if isfinite(one.pieces_left) else NONE,
    )  # fmt: skip


def _pieces(value: float) -> str:
    if isinf(value):
        return "never"
    return number(value, 0)


def _effect(one: EventEffect, unit: str) -> tuple[str, ...]:
    shown = unit if one.unit == "mm" else one.unit
    return (
        one.name, shown, one.mould or NONE, f"{one.before}, {one.after}",
        figure(one.change, one.unit, unit),
        f"{figure(one.low, one.unit, unit)} to {figure(one.high, one.unit, unit)}",
        probability(one.p), number(one.effect, 1),
    )  # fmt: skip
