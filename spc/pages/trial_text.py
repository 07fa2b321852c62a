"""What files would bring, for the terminal."""

from collections.abc import Sequence

from spc.pages.display import count, moment
from spc.pages.text import table
from spc.studies.trial import Tried, TriedRun

#: Runs of a file that are listed.
_LISTED = 20


def tried_text(files: Sequence[Tried]) -> str:
    """Return a table of files, then the runs of each and what would be said."""
    rows = [
        (f.name, "refused" if f.refused else f.kind, f.unit, str(f.rows), str(len(f.runs)), _new(f),
         str(max((r.points for r in f.runs), default=0) or ""), str(len(f.warnings)))
        for f in files
    ]  # fmt: skip
    head = ("file", "kind", "unit", "rows", "runs", "new", "points", "notes")
    parts = [table(head, rows, "   rrrrr"), *(text for f in files if (text := _file_text(f)))]
    alone = any(not (f.compared or f.refused) for f in files)
    parts += ["No store here, so nothing was held against a plan."] if alone else []
    return "\n\n".join([*parts, "Nothing was written."])


def _new(tried: Tried) -> str:
    return "" if tried.refused else str(tried.new) if tried.compared else "?"


def _file_text(tried: Tried) -> str:
    lines = [f"cannot be taken: {tried.refused}"] if tried.refused else []
    if tried.runs:
        rows = [_run_row(run) for run in tried.runs[:_LISTED]]
        head = ("serial", "run", "part", "mould", "batch", "measured (UTC)", "operator", "points",
                "rows")  # fmt: skip
        lines += [f"{tried.name}:", table(head, rows, "       rr")]
        more = len(tried.runs) - _LISTED
        lines += [f"and {count(more, 'run')} more"] if more > 0 else []
    return "\n".join([*lines, *(f"note: {text}" for text in tried.warnings)])


def _run_row(run: TriedRun) -> tuple[str, ...]:
    part = " ".join(word for word in (run.part, run.revision) if word)
    mould = "/".join(word for word in (run.mould, run.cavity) if word)
    return (run.serial, run.run, part, mould, run.batch, moment(run.measured_at), run.operator,
            str(run.points), str(run.rows))  # fmt: skip
