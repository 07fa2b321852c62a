"""Omissions for the terminal."""

from collections.abc import Sequence

from spc.pages.display import NONE, count, length
from spc.pages.text import table
from spc.studies.omissions import OMIT, Decided
from spc.studies.tally import Tally


def decided_text(decided: Sequence[Decided]) -> str:
    """Return what became of omissions or restorations; lengths in mm."""
    return "\n".join(line for one in decided for line in _lines(one))


def _lines(one: Decided) -> list[str]:
    did = "left out of" if one.action == OMIT else "taken back into"
    against = ", against the advice of the data" if one.forced else ""
    return [
        f"{one.point} is {did} run {one.run} of piece {one.serial}{against}; both fits are kept.",
        f"noise {length(one.noise_before)} before, {length(one.noise)} now with "
        f"{count(one.dof, 'degree')} of freedom; largest residual "
        f"{length(one.worst_residual, signed=True)} mm at {one.worst_point}",
        *(f"note: {text}" for text in one.warnings),
    ]


def tally_text(rows: Sequence[Tally]) -> str:
    """Return re-measures and omissions a month and operator."""
    if not rows:
        return "No run with a measuring time in the store."
    cells = [
        (r.month, r.operator or NONE, str(r.runs), str(r.remeasured), str(r.omitted), str(r.forced))
        for r in rows
    ]
    head = ("month", "operator", "runs", "measured again", "points omitted", "against advice")
    return table(head, cells, "  rrrr")
