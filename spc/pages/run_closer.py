"""Parts of a run's page: the second opinion, the run at 20 °C, the arm's stations, other fits."""

from collections.abc import Iterator, Sequence

from spc.pages.blocks import Cell, columns, table
from spc.pages.chart_words import exact
from spc.pages.closer_text import warmth_lines
from spc.pages.display import NONE, length, moment, share
from spc.pages.html import Child, Html, el
from spc.pages.month_parts import sentences
from spc.studies.reviewed import Review
from spc.studies.second_opinion import SecondOpinion
from spc.studies.station_join import Joined


def closer_section(run: Review) -> Iterator[Html]:
    """Return what a closer look says; nothing where there is nothing to look at."""
    unit, closer = run.plan.unit, run.closer
    if closer.second is not None:
        yield from _second(closer.second, unit)
    for text in warmth_lines(closer.warmth, unit):
        if text:
            yield el("p", *sentences([text]))
    if closer.stations is not None:
        yield el("h3", "Stations of the arm")
        yield el("p", *sentences([closer.stations.words]))
        for one in closer.stations.joins:
            yield from _join(one, unit)
    if run.others:
        yield _others(run)


def _second(second: SecondOpinion, unit: str) -> Iterator[Html]:
    yield el("h3", f"Second opinion ({second.method})")
    if second.note:
        yield el("p", *sentences([f"there is none: {second.note}"]))
        return
    yield el(
        "p", *sentences([f"it stands beside the fit and never in its place: it {second.words}"])
    )
    heads = columns("point", f"by the plan's fit, {unit}#", f"by the second, {unit}#",
                    f"change, {unit}#", "pull kept#")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (p.point, exact(p.deviation, unit), exact(p.second, unit),
         exact(p.second - p.deviation, unit), share(p.pull, 0) if p.role == "fit" else NONE)
        for p in second.points
    ]  # fmt: skip
    yield table("second", "Every point under both fits", heads, rows)


def _join(one: Joined, unit: str) -> Iterator[Html]:
    heads = columns("seat", f"apart, {unit}#", f"along the normal, {unit}#",
                    f"left by the best join, {unit}#")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (s.point, exact(s.apart, unit, signed=False), exact(s.along, unit),
         exact(s.left, unit, signed=False))
        for s in one.seats
    ]  # fmt: skip
    caption = f"Station {one.second} against {one.first}: points probed from both"
    yield table(f"join-{one.first}-{one.second}", caption, heads, rows)
    if one.added == one.added:
        yield el("p", f"The join adds up to {length(one.added, unit)} {unit} (one standard "
                 f"deviation) at {one.added_at}, in common to {one.carried} points.")  # fmt: skip
    if one.note:
        yield el("p", *sentences([one.note]))


def _others(run: Review) -> Html:
    unit = run.plan.unit
    heads = columns("fitted (UTC)", "set", "without", f"noise, {unit}#",
                    f"largest residual, {unit}#", "at")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (moment(o.fitted_at), o.result_set or "working", o.omitted or "none",
         exact(o.noise, unit, signed=False), exact(o.worst_residual, unit), o.worst_point)
        for o in run.others
    ]  # fmt: skip
    return table("other-fits", "Other fits of this run, kept beside", heads, rows)
