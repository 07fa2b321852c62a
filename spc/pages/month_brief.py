"""Parts of the month's page that stand in its short print alone, in the place of longer ones."""

from collections.abc import Iterator

from spc.pages.blocks import badge, brief, columns, table
from spc.pages.chart_words import between, exact
from spc.pages.display import NONE, against, count
from spc.pages.html import Child, Html, el
from spc.pages.month_parts import index_range
from spc.studies.capability_points import PointCapability
from spc.studies.month import Month
from spc.studies.point_state import OUTSIDE, SIGNAL


def left_out(text: str) -> Html:
    """Return a line that says what the short print leaves out."""
    return brief(el("p", text, class_="quiet"))


def all_in_one(month: Month) -> Iterator[Html]:
    """Return one row a check point: where it lies, its tolerance, and its capability."""
    unit, able = month.plan.unit, month.capability
    known = {p.point: p for p in able.points}
    heads = columns(
        "check point", "state", f"mean, {unit}#", f"smallest to largest, {unit}#",
        f"tolerance, {unit}#", "outside#", f"{able.required:g} is", "Ppk#",
        f"{100 * able.level:g} % range#",
    )  # fmt: skip
    rows = [
        (
            p.point, badge(p.state), exact(p.mean, unit), between(p.smallest, p.largest, unit),
            between(p.lower, p.upper, unit), f"{p.outside} of {p.n}",
            *_able(known.get(p.point), able.required),
        )
        for p in month.points
    ]  # fmt: skip
    marked = [p.state in (OUTSIDE, SIGNAL) for p in month.points]
    pieces = f"{count(able.pieces, 'piece')} of {count(able.batches, 'batch', 'batches')}"
    caption = (
        f"Every check point: readings {month.period.within}, and capability over {able.span} "
        f"({pieces})"
    )
    yield brief(table("points-in-short", caption, heads, rows, marked=marked))


def _able(point: PointCapability | None, required: float) -> tuple[Child, Child, Child]:
    if point is None:
        return NONE, NONE, NONE
    low, high = point.ppk_low, point.ppk_high
    return badge(point.verdict), against(point.ppk, required), index_range(low, high)
