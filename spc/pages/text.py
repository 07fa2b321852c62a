"""Tables for the terminal."""

from collections.abc import Sequence
from unicodedata import east_asian_width


def table(header: Sequence[str], rows: Sequence[Sequence[str]], right: str = "") -> str:
    """Return rows in columns; ``right`` has an 'r' for each column to be set to the right."""
    cells = [list(header), *[list(row) for row in rows]]
    widths = [max(_width(row[at]) for row in cells) for at in range(len(header))]
    lines = [_line(row, widths, right) for row in cells]
    lines.insert(1, "  ".join("-" * width for width in widths))
    return "\n".join(lines)


def _line(row: Sequence[str], widths: Sequence[int], right: str) -> str:
    filled = []
    for at, (cell, width) in enumerate(zip(row, widths, strict=True)):
        space = " " * (width - _width(cell))
        filled.append(space + cell if right[at : at + 1] == "r" else cell + space)
    return "  ".join(filled).rstrip()


def _width(text: str) -> int:
    return sum(2 if east_asian_width(letter) in "WF" else 1 for letter in text)
