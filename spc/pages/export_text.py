"""Exported files for the terminal."""

from collections.abc import Sequence

from spc.pages.display import count
from spc.pages.tables import Written


def exported_text(written: Sequence[Written]) -> str:
    """Return a line for each file."""
    return "\n".join(f"{file.path}: {_holds(file)}" for file in written)


def _holds(file: Written) -> str:
    if file.path.suffix == ".qif":
        return count(file.rows, "study", "studies")
    return count(file.rows, "row")
