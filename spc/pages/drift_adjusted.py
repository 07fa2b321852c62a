"""Part of the drift page: sizes and points at 24 h and 20 °C, in columns beside the raw ones."""

from collections.abc import Iterator, Sequence
from math import isfinite

from spc.pages.adjusted_text import adjusted_lines, signed
from spc.pages.blocks import Cell, bullets, columns, fold, table
from spc.pages.chart_words import exact
from spc.pages.display import NONE, number
from spc.pages.html import Child, Html, el
from spc.pages.month_parts import sentences
from spc.studies.drift import Drift


def adjusted_section(found: Drift) -> Iterator[Html | None]:
    """Return what is adjusted and what that stands on, then batches and points both ways."""
    yield el(
        "p",
        "Parts go on shrinking after moulding, about as the logarithm of the hours, and are larger "
        "when warm. The second column takes both off, as far as these pieces show them; the raw "
        "one is what was measured, and what counts.",
    )
    yield bullets(sentences(adjusted_lines(found.adjusted)))
    if not found.points:
        return
    yield fold("sizes-fold", "Every batch", _sizes(found))
    yield fold("adjusted-fold", "Every check point in the newest batches", _points(found))


def _sizes(found: Drift) -> Html:
    heads = columns(
        "mould", "batch", "pieces#", "mean age, h#", "mean part, °C#", "size as measured, %#",
        "adjusted, %#", "standard deviation it adds, %#",
    )  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (b.mould or NONE, b.batch, b.pieces, number(b.hours, 0), number(b.temperature_c, 1),
         _size(b.measured), _size(b.adjusted), number(b.sd, 3))
        for b in found.sizes
    ]  # fmt: skip
    return table("sizes", "Mean size of every batch, moulds one after the other", heads, rows)


def _size(value: float) -> Cell:
    return Cell(shown=signed(value), value=repr(value) if isfinite(value) else "")


def _points(found: Drift) -> Html:
    unit = found.plan.unit
    heads = columns("check point", "mould", "batch", "pieces#", f"mean as measured, {unit}#",
                    f"adjusted, {unit}#", f"standard deviation it adds, {unit}#",
                    f"per cent of size is worth, {unit}#")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (p.point, p.mould or NONE, p.batch, p.pieces, exact(p.measured, unit),
         exact(p.adjusted, unit), exact(p.sd, unit, signed=False), exact(p.response, unit))
        for p in found.points
    ]  # fmt: skip
    return table("adjusted-points", "Check points of the newest batch of each mould", heads, rows)
