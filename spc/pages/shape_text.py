"""Charts of the piece as a whole, for the terminal."""

from spc.pages.display import count, moment, number
from spc.pages.text import table
from spc.studies.shape import ShapeSignal, ShapeStudy

#: Heading of the points behind a signal of components, and how many are named.
POINTS, MOST = "half of it at", 4


def shape_text(study: ShapeStudy) -> str:
    """Return what was judged together, and what was found."""
    known = ", ".join(
        f"{n} of mould {mould}" if mould else str(n) for mould, n in study.pieces.items()
    )
    what = "batches" if study.rows.by == "batch" else "pieces"
    head = [
        f"{study.plan.part} {study.plan.revision}: the {study.rows.by} as a whole, "
        f"{count(len(study.values), 'value')} together: {', '.join(study.values)}",
        f"limits from {study.baseline} ({known or 'no'} {what}), covariance {study.method}; one "
        "false alarm in 370 for each chart",
        *(f"note: {text}" for text in study.notes),
    ]
    if not study.pieces:
        return "\n".join([*head, "", f"No {study.rows.by} could be judged."])
    if not study.signals:
        return "\n".join([*head, "", "No signal."])
    in_points = any(s.points for s in study.signals)
    rows = [
        (s.label, s.mould, moment(s.at), s.chart, number(s.t2, 1), number(s.limit, 1),
         " or ".join(s.made_by[:3]), *((named_points(s),) if in_points else ()))
        for s in study.signals
    ]  # fmt: skip
    columns = (study.rows.by, "mould", "when (UTC)", "chart", "T²", "limit", "made by",
               *((POINTS,) if in_points else ()))  # fmt: skip
    return "\n".join([*head, "", table(columns, rows, "    rr")])


def named_points(signal: ShapeSignal) -> str:
    """Return the points that most of a signal comes from; of many the first."""
    more = len(signal.points) - MOST
    return ", ".join(signal.points[:MOST]) + (f" and {more} more" if more > 0 else "")
