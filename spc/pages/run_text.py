"""Runs for the terminal."""

from collections.abc import Sequence

from spc.pages.display import count, length, moment
from spc.pages.text import table
from spc.studies.runs import ListedRun


def runs_text(runs: Sequence[ListedRun]) -> str:
    """Return a list of runs; lengths in mm."""
    if not runs:
        return "No such run in the store."
    rows = [
        (
            r.run, r.serial, r.batch, r.mould, moment(r.measured_at), r.operator,
            length(r.noise), length(r.worst_residual, signed=True), r.worst_point, _state(r),
        )
        for r in runs
    ]  # fmt: skip
    head = ("run", "piece", "batch", "mould", "measured (UTC)", "operator", "noise", "worst",
            "at", "")  # fmt: skip
    return f"{table(head, rows, '      rr')}\n{count(len(runs), 'run')}, lengths in mm"


def _state(run: ListedRun) -> str:
    words = []
    if run.study:
        words.append(f"study {run.study}")
    if run.superseded and run.aligned:
        words.append("re-measured later")
    if not run.aligned:
        words.append("not aligned")
    if run.omitted:
        words.append(f"without {run.omitted}")
    return ", ".join(words)
