"""What became of a file, for the terminal."""

from spc.pages.display import count, length
from spc.studies.taken import Taken, TakenRun


def taken_text(taken: Taken) -> str:
    """Return a line for the file, and one for each thing to look at."""
    what = {"events": "event", "arm checks": "reading"}.get(taken.kind, "run")
    if taken.already:
        head = f"{taken.name}: everything in it is in the store already; nothing changed."
        if taken.before is not None:
            head += f" This very file was taken on {taken.before:%Y-%m-%d %H:%M} UTC."
        return "\n".join([head, *(f"  note: {text}" for text in taken.warnings)])
    known = f", {taken.known} known before" if taken.known else ""
    head = f"{taken.name}: {count(taken.new, what)} from {count(taken.rows, 'row')}{known}."
    return "\n".join([
        head,
        *(f"  {_run_text(run)}" for run in taken.runs if run.beyond_limit or run.note),
        *(f"  note: {text}" for text in taken.warnings),
    ])  # fmt: skip


def _run_text(run: TakenRun) -> str:
    worst = length(run.worst_residual, signed=True)
    text = f"run {run.run} of piece {run.serial}: "
    if run.beyond_limit:
        text += f"HOLD, {run.worst_point} is left {worst} mm off, beyond the plan's limit"
    return text + ("; " if run.beyond_limit and run.note else "") + run.note
