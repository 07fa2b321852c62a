"""The page of a month: the answer, what changed, where the part stands, and what that rests on."""

from collections.abc import Iterator

import plotly.graph_objects as go

from spc.pages import month_changes as changes
from spc.pages import month_parts as parts
from spc.pages.beside import ALONE, Beside
from spc.pages.blocks import bullets, figure_block, fold, long, section
from spc.pages.chart_page import figure_key, folded_chart, ordered_readings
from spc.pages.chart_words import how_limits, key_words, taken_for_granted
from spc.pages.display import count, moment
from spc.pages.figures.chart import SHORT, chart_figure
from spc.pages.figures.part_map import Mark, marks_of, part_map, unnamed_words
from spc.pages.figures.part_solid import part_solid, stick_scale
from spc.pages.html import Html, el, joined
from spc.pages.month_brief import left_out
from spc.pages.month_changes import movers_figure
from spc.pages.month_quality import capability_figure, capability_section, gauge_section
from spc.pages.month_record import alignment_section, cautions_section, limits_section, sign_off
from spc.pages.reading import Reading
from spc.pages.shell import Page, page_html
from spc.studies.month import Month
from spc.studies.point_state import OUTSIDE, SIGNAL

#: So many charts stand open; the others are folded.
OPEN_CHARTS = 4
#: So many of them are in the short print.
SHORT_CHARTS = 2


def month_page(month: Month, beside: Beside = ALONE, *, library: str = "") -> str:
    """Return the report of a month.

    Parameters
    ----------
    month
        The month.
    beside
        Pages that lie beside it, to be linked.
    library
        File with the figures' script, relative to the page; empty where the page holds it.
    """
    order = chart_order(month)
    marks = marks_of(month.plan, month.points)
    figures = {"map": part_map(month.plan, marks), "solid": part_solid(month.plan, marks)}
    fastest = movers_figure(month)
    figures |= {"movers": fastest} if fastest is not None else {}
    able = capability_figure(month)
    figures |= {"ppk": able} if able is not None else {}
    figures |= chart_figures(month, order)
    sections = _sections(month, order, marks, figures, beside)
    page = Page(
        title=f"{month.plan.name}, {month.period.name}",
        kicker=f"{month.plan.part} {month.plan.revision}. Report of measured form",
        body=joined([parts.answer_box(month), parts.measured(month), *(s for _, _, s in sections)]),
        contents=[(key, name) for key, name, _ in sections],
        figures=figures,
        fingerprint=month.fingerprint,
        library=library,
        said=(
            f"Data up to {moment(month.cutoff)} UTC. The fingerprint stands for every run, event "
            "and setting that this page is made from: the same data give the same fingerprint.",
        ),
    )
    return page_html(page)


def chart_order(month: Month) -> list[tuple[int, Reading]]:
    """Return column and reading of every series: check points as the month has them, the rest."""
    rank = {state.point: at for at, state in enumerate(month.points)}
    found = ordered_readings(month.monitor)
    return sorted(found, key=lambda pair: rank.get(pair[1].series, len(rank)))


def chart_figures(month: Month, order: list[tuple[int, Reading]]) -> dict[str, go.Figure]:
    """Return the short chart of every series with the month's beginning marked."""
    study = month.monitor
    return {
        f"{figure_key(study, column)}-figure": chart_figure(
            study, column, charts=SHORT, period=month.period
        )
        for column, _ in order
    }


def _sections(
    month: Month, order: list[tuple[int, Reading]], marks: tuple[Mark, ...],
    figures: dict[str, go.Figure], beside: Beside,
) -> list[tuple[str, str, Html]]:  # fmt: skip
    named = {
        "changed": ("What changed", changes.changed(month, beside)),
        "drift": ("What moves", _moves(month, figures, beside)),
        "part": ("The part", _part(month, marks, figures, beside)),
        "charts": ("Charts", _charts(month, order, figures)),
        "capability": ("Capability", capability_section(month, figures.get("ppk"))),
        "measuring": ("Measuring", [*alignment_section(month), *gauge_section(month, beside)]),
        "limits": ("Limits in force", limits_section(month)),
        "computed": ("How it was computed", _computed(month)),
        "limits-of-this": ("What this does not say", cautions_section(month)),
        "sign": ("Sign-off", sign_off(month)),
        "more": ("All signals and charts", _more(month, order, figures)),
    }
    return [
        (key, name, section(key, name, *body, kind="long" if key == "more" else None))
        for key, (name, body) in named.items()
    ]


def _moves(month: Month, figures: dict[str, go.Figure], beside: Beside) -> Iterator[Html | None]:
    fastest = changes.fastest(month, beside, figures.get("movers"))
    yield long(el("h3", "The fastest check points"), fastest)
    yield el("h3", "What kind of drift it is")
    yield from changes.kinds(month, beside)


def _part(
    month: Month, marks: tuple[Mark, ...], figures: dict[str, go.Figure], beside: Beside
) -> Iterator[Html]:
    unit = month.plan.unit
    look = [s for s in month.points if s.state in (OUTSIDE, SIGNAL)]
    which = (
        f"{len(look)} of {count(len(month.points), 'check point')} "
        f"{'needs' if len(look) == 1 else 'need'} a look; their names carry the "
        f"{month.period.word}'s mean deviation in {unit}, + outwards."
        if look
        else f"None of {count(len(month.points), 'check point')} needs a look."
    )
    said = (
        f"{which} The part is opened flat like a box, every patch on the side that it looks out "
        f"of. The larger a mark, the farther the {month.period.word}'s mean lies from the nominal "
        f"surface.{unnamed_words(figures['map'])}"
    )
    yield figure_block("map", f"{month.plan.part} map of the part", said,
                       figures["map"].layout.height, wide=True)  # fmt: skip
    scale = stick_scale(month.plan, marks)
    yield fold(
        "turn",
        "Turn the part",
        figure_block(
            "solid", f"{month.plan.part} part in space",
            f"Drag to turn. Each stick shows the mean deviation along the normal, {scale:,.0f} "
            "times enlarged; the grey body is the hull of the plan's points, not the part's own "
            "surface.",
            figures["solid"].layout.height, solid=True,
        ),
        kind="screen",
    )  # fmt: skip
    yield long(parts.point_table(month, beside))


def _charts(
    month: Month, order: list[tuple[int, Reading]], figures: dict[str, go.Figure]
) -> Iterator[Html]:
    opened = _open_charts(month)
    which = (
        f"{count(opened, 'chart')} that {'matters' if opened == 1 else 'matter'} first"
        if opened
        else "No chart of a check point needs a look"
    )
    rest = el("a", f"the other {len(order) - opened} are at the end", href="#more")
    yield long(el("p", f"{which}; ", rest, "."))
    if opened > SHORT_CHARTS:
        yield left_out(f"{SHORT_CHARTS} of the {len(order)} charts; the page itself has them all.")
    yield el(
        "p",
        f"They go from the first batch to the end of the {month.period.word}; the upright marked "
        f"{month.period.name} is where it begins.",
        class_="small",
    )
    yield key_words(month.monitor)
    for at, (column, reading) in enumerate(order[:opened]):
        kind = "spare" if at >= SHORT_CHARTS else None
        yield folded_chart(month.monitor, column, reading, figures, opened=True, kind=kind)


def _open_charts(month: Month) -> int:
    return min(OPEN_CHARTS, sum(s.state in (OUTSIDE, SIGNAL) for s in month.points))


def _more(
    month: Month, order: list[tuple[int, Reading]], figures: dict[str, go.Figure]
) -> Iterator[Html]:
    """Return what few will read to the end: every other chart, and every signal by itself."""
    yield from changes.every_signal(month)
    for column, reading in order[_open_charts(month) :]:
        yield folded_chart(month.monitor, column, reading, figures, kind="long")


def _computed(month: Month) -> Iterator[Html]:
    yield el("div", _methods(month), class_="fine")


def _methods(month: Month) -> Iterator[Html | None]:
    study, able = month.monitor, month.capability
    yield el("h3", "Control limits")
    yield bullets([*how_limits(study), *taken_for_granted(study), *parts.sentences(study.remarks)])
    yield el("h3", "Limits and tolerances are two things")
    yield el(
        "p",
        "Control limits come from the process: they say where its values usually lie. Tolerances "
        "come from the measurement plan: they say what is allowed. A process in control can make "
        "parts outside the tolerance, and one out of control can still lie inside it.",
    )
    yield el("h3", "Deviations")
    yield bullets([
        "Each run is fitted onto the plan's fit points by "
        f"{'least squares' if month.plan.method == 'least squares' else month.plan.method}; the "
        "deviation of a check point is its signed distance from the nominal surface after that, "
        "along the nominal normal, positive outwards. A point is the mean of its hits.",
        f"Moved is the mean of the {month.period.word}'s pieces of one mould less that mould's "
        "baseline centre "
        f"({study.baseline}), in the table in standard deviations of a batch mean.",
    ])  # fmt: skip
    yield el("h3", "Capability")
    yield bullets(parts.capability_method(able.level))
