"""Exported files for the terminal."""

from collections.abc import Sequence

from spc.pages.display import count
from spc.pages.tables import Written


def exported_text(written: Sequence[Written]) -> str:
    """Return a line for each file."""
    return "\n".join(f"{file.path}: {count(file.rows, 'row')}" for file in written)
