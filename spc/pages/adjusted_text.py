"""Sizes and points at 24 h and 20 °C beside the raw ones, for the terminal."""

from math import isfinite

from spc.pages.display import NONE, count, length, number
from spc.pages.text import table
from spc.studies.adjusted import Adjusted, Effect
from spc.studies.drift import Drift


def adjusted_text(found: Drift) -> str:
    """Return every batch's size, then every check point of the newest batches, both ways."""
    unit = found.plan.unit
    lines = [
        f"{found.plan.part} {found.plan.revision}: {count(found.pieces, 'piece')} of "
        f"{count(found.batches, 'batch', 'batches')}, as measured and adjusted",
        *(f"note: {text}" for text in found.notes),
        *adjusted_lines(found.adjusted),
    ]
    if any(isfinite(one.measured) for one in found.sizes):
        lines += ["", _sizes(found)]
    if found.points:
        lines += ["", _points(found, unit)]
    return "\n".join(lines)


def _sizes(found: Drift) -> str:
    rows = [
        (b.mould or NONE, b.batch, str(b.pieces), number(b.hours, 0), number(b.temperature_c, 1),
         signed(b.measured), signed(b.adjusted), number(b.sd, 3))
        for b in found.sizes
    ]  # fmt: skip
    head = ("mould", "batch", "pieces", "age, h", "part, °C", "size, %", "adjusted", "± (1 sd)")
    return table(head, rows, "  rrrrrr")


def _points(found: Drift, unit: str) -> str:
    rows = [
        (p.point, p.mould or NONE, p.batch, str(p.pieces), length(p.measured, unit, signed=True),
         length(p.adjusted, unit, signed=True), length(p.sd, unit),
         length(p.response, unit, signed=True))
        for p in found.points
    ]  # fmt: skip
    head = ("check point", "mould", "newest batch", "pieces", f"mean, {unit}", "adjusted",
            "± (1 sd)", "per % of size")  # fmt: skip
    return table(head, rows, "   rrrrr")


def signed(value: float) -> str:
    """Return a size in % with its sign and three decimals."""
    return f"{value:+.3f}" if isfinite(value) else NONE


def adjusted_lines(found: Adjusted) -> list[str]:
    """Return what the adjusted figures stand on, one line an effect; why not, where there is none.

    The figures themselves stand in a column of their own, beside the raw ones.
    """
    to = [
        f"{found.hours:g} h after moulding" if isfinite(found.hours) else "",
        f"{found.temperature_c:g} °C" if isfinite(found.temperature_c) else "",
    ]
    kinds = (("age", found.age, "for each tenfold of the hours since moulding"),
             ("warmth", found.warmth, "per kelvin of the part"))  # fmt: skip
    lines = [f"{name}: {_effect(effect, words)}" for name, effect, words in kinds]
    if not any(to):
        return ["nothing is adjusted for age or warmth", *lines]
    said = " and ".join(text for text in to if text)
    return [f"adjusted: the size at {said}, an estimate beside the raw figure that counts", *lines]


def _effect(effect: Effect, words: str) -> str:
    if not isfinite(effect.slope):
        return effect.note
    stands = (
        f", from {count(effect.pieces, 'piece')} of {count(effect.batches, 'batch', 'batches')}"
        if effect.batches
        else ""
    )
    note = f"; {effect.note}" if effect.note else ""
    return (
        f"size {effect.slope:+.4f} % ({effect.low:+.4f} to {effect.high:+.4f}) {words}{stands}"
        f"{note}"
    )
