"""The pieces that pages are put together from."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from spc.pages.html import Child, Html, el, joined

#: How a state is drawn: (shape, filled, needs action). The word always stands beside it.
SHAPES = {
    "outside tolerance": ("square", True, True),
    "out of control": ("diamond", True, True),
    "signal": ("diamond", True, True),
    "moved": ("diamond", True, True),
    "not shown": ("square", True, True),
    "hold": ("square", True, True),
    "re-measure": ("diamond", True, True),
    "accept": ("circle", True, False),
    "inside tolerance": ("circle", True, False),
    "inside": ("circle", True, False),
    "outside": ("square", True, True),
    "not judged": ("circle", False, False),
    "not proven inside": ("diamond", False, False),
    "not measured": ("circle", False, False),
    "no tolerance": ("circle", False, False),
    "settled again": ("diamond", False, False),
    "open": ("diamond", False, False),
    "cannot be shown": ("diamond", False, False),
    "steady": ("circle", True, False),
    "in control": ("circle", True, False),
    "shown": ("circle", True, False),
    "no limits": ("circle", False, False),
    "refused": ("circle", False, False),
}

#: Of a table with more rows than the one, so many as the other stand open and the rest is folded.
TALL, OPEN_ROWS = 32, 20
#: A row's name longer than this may run over several lines.
LONG = 30
#: A table of more columns than this is set smaller on paper; of still more its figures may wrap,
#: and of the most it is smaller again.
MANY, MORE, MOST = 8, 9, 12

_OUTLINES = {
    "square": "M2 2H12V12H2Z",
    "diamond": "M7 0.8L13.2 7L7 13.2L0.8 7Z",
    "circle": "M7 2A5 5 0 1 1 6.99 2Z",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name
        Its heading.
    number
        True for figures, set to the right.
    wraps
        True for sentences, which may run over several lines.
    long
        True for a column that the short print leaves out.
    """

    name: str
    number: bool = False
    wraps: bool = False
    long: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A cell whose saved value differs from what is shown.

    Parameters
    ----------
    shown
        What the page shows.
    value
        What a saved file holds.
    """

    shown: Child
    value: str


def columns(*names: str) -> tuple[Column, ...]:
    """Return columns: '#' behind a name marks figures, '~' sentences, '^' not in short prints."""
    return tuple(_column(name) for name in names)


def _column(text: str) -> Column:
    name = text.rstrip("#~^")
    marks = text[len(name) :]
    return Column(name=name, number="#" in marks, wraps="~" in marks, long="^" in marks)


def table(
    key: str,
    caption: str,
    heads: Sequence[Column],
    rows: Iterable[Sequence[Child | Cell]],
    *,
    marked: Sequence[bool] = (),
) -> Html:
    """Return a table with a heading, which can be saved as CSV.

    Parameters
    ----------
    key
        Identity on the page, and the saved file's name.
    caption
        What the table holds.
    heads
        Its columns; the first names the row.
    rows
        Cells of each row.
    marked
        True for each row that needs action.
    """
    head = el("tr", (el("th", c.name, scope="col", class_=_kind(c)) for c in heads))
    body = [
        el(
            "tr",
            (
                _cell(cell, column, at)
                for at, (cell, column) in enumerate(zip(row, heads, strict=True))
            ),
            class_="act" if place < len(marked) and marked[place] else None,
        )
        for place, row in enumerate(rows)
    ]
    kinds = [k for k, n in (("many", MANY), ("more", MORE), ("most", MOST)) if len(heads) > n]
    # Of a table wider than the screen the caption stays in sight.
    title = el("caption", el("span", caption))
    whole = el("table", title, el("thead", head), el("tbody", body), id=key,
               class_=" ".join(kinds) or None)  # fmt: skip
    return el("div", whole, class_="scroll", tabindex="0", role="region", aria_label=caption)


def tall_table(
    key: str, caption: str, heads: Sequence[Column], rows: Sequence[Sequence[Child | Cell]], *,
    marked: Sequence[bool] = (), first: int = OPEN_ROWS, tall: int = TALL, short: bool = True,
) -> Html:  # fmt: skip
    """Return a table as `table` does; of a tall one the ``first`` rows stand open.

    ``short`` is for a page that has a short print, which leaves the rest out and says so.
    """
    if len(rows) <= tall:
        return table(key, caption, heads, rows, marked=marked)
    rest = len(rows) - first
    return joined([
        table(key, f"{caption}; the first {first}", heads, rows[:first], marked=marked[:first]),
        fold(
            f"{key}-more", f"The other {rest}",
            table(f"{key}-rest", f"{caption}; the other {rest}", heads, rows[first:],
                  marked=marked[first:]),
            kind="long" if short else None,
        ),
        brief(el("p", f"The other {rest} are listed on the page itself.", class_="quiet"))
        if short
        else None,
    ])  # fmt: skip


def _kind(column: Column) -> str | None:
    kinds = ["number"] * column.number + ["words"] * column.wraps + ["long"] * column.long
    return " ".join(kinds) or None


def _cell(cell: Child | Cell, column: Column, at: int) -> Html:
    shown = cell.shown if isinstance(cell, Cell) else cell
    value = cell.value if isinstance(cell, Cell) else None
    if at == 0:
        long = len(value if value is not None else str(shown)) > LONG
        kind = "words" if long else _kind(column)
        return el("th", shown, scope="row", class_=kind, data_value=value)
    return el("td", shown, class_=_kind(column), data_value=value)


def section(key: str, title: str, *children: Child, kind: str | None = None) -> Html:
    """Return a section with its heading."""
    return el("section", el("h2", title), *children, "\n", id=key, class_=kind)


def long(*children: Child) -> Html:
    """Return what the short print leaves out."""
    return el("div", children, class_="long")


def brief(*children: Child) -> Html:
    """Return what stands only in the short print, in the place of something longer."""
    return el("div", children, class_="brief")


def fold(
    key: str, summary: Child, *children: Child, opened: bool = False, kind: str | None = None
) -> Html:
    """Return a part that can be folded; paper shows it open.

    Of ``kind`` 'long' the short print leaves it out, unless the reader has opened it; of 'screen'
    no paper shows it.
    """
    return el("details", el("summary", summary), *children, "\n", id=key, open=opened, class_=kind)


def badge(state: str) -> Html:
    """Return a state as shape and word."""
    shape, filled, action = SHAPES.get(state, ("circle", False, False))
    kinds = f"state{' act' if action else ''}{'' if filled else ' hollow'}"
    return el("span", outlined(shape), state, class_=kinds)


def outlined(shape: str) -> Html:
    """Return a mark: ``square``, ``diamond`` or ``circle``."""
    outline = el("path", d=_OUTLINES[shape])
    return el("svg", outline, viewBox="0 0 14 14", aria_hidden="true", class_="mark")


def figure_block(
    key: str, title: str, said: Child, height: int, *, solid: bool = False, wide: bool = False
) -> Html:
    """Return the place of a figure: the sentence that says what it shows, then the figure.

    Parameters
    ----------
    key
        Identity of the figure; the page's ``figures`` has it under the same.
    title
        Its name: the saved picture's heading and file name.
    said
        What it shows, in plain words.
    height
        Pixels; kept free so that the page does not jump.
    solid
        True for a figure that can be turned; paper leaves it out.
    wide
        True for a figure that would rather scroll than shrink on a narrow screen.
    """
    host = el(
        "div",
        id=key,
        class_="plot",
        role="img",
        aria_label=title,
        data_title=title,
        data_solid=solid,
        style=f"height:{height}px",
    )
    frame = el("div", host, class_="frame wide" if wide else "frame")
    return el("figure", el("figcaption", said), frame, class_="screen" if solid else None)


def facts(pairs: Iterable[tuple[str, Child]]) -> Html:
    """Return names and values, one beside the other."""
    return el("dl", (el("div", el("dt", name), el("dd", value)) for name, value in pairs))


def bullets(items: Iterable[Child]) -> Html | None:
    """Return a list, or nothing where there is nothing to list."""
    listed = [el("li", item) for item in items]
    return el("ul", listed) if listed else None


def paragraph(*text: Child, kind: str | None = None) -> Html:
    """Return a paragraph."""
    return el("p", joined(text), class_=kind)
