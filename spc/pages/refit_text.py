"""Refits for the terminal."""

from collections.abc import Sequence

from spc.pages.display import count, length, moment
from spc.pages.text import table
from spc.studies.refit import Refit, ResultSet


def refit_text(found: Refit) -> str:
    """Return what a refit changed, the largest changes first."""
    unit = found.plan.unit
    head = (
        f"The set '{found.result_set}' holds the very same results already; nothing changed."
        if found.already
        else f"{count(found.runs, 'run')} fitted again into the set '{found.result_set}'; "
        "the working results are as they were."
    )
    left = [
        f"note: {count(number, 'run')} {words}"
        for number, words in (
            (found.unaligned, "cannot be aligned under this plan"),
            (found.without_positions, "fitted elsewhere, without positions"),
        )
        if number
    ]
    rows = [
        (
            c.point, str(c.n), length(c.mean_before, unit, signed=True),
            length(c.mean, unit, signed=True), length(c.sd_before, unit), length(c.sd, unit),
            length(c.largest, unit, signed=True),
        )
        for c in sorted(found.points, key=lambda c: -abs(c.largest) if c.n else 0.0)
    ]  # fmt: skip
    columns = ("point", "runs", "mean before", "mean now", "sd before", "sd now", "largest change")
    noise = (
        f"median noise of the fits {length(found.noise_before, unit)} before, "
        f"{length(found.noise, unit)} now; lengths in {unit}"
    )
    return "\n".join([head, *left, noise, "", table(columns, rows, " rrrrrr")])


def sets_text(sets: Sequence[ResultSet]) -> str:
    """Return the list of result sets."""
    if not sets:
        return "No set of results beside the working one. Make one: spc refit NAME"
    rows = [(s.result_set, s.part, s.revision, str(s.runs), moment(s.fitted_at)) for s in sets]
    return table(("set", "part", "revision", "runs", "fitted (UTC)"), rows, "   r")
