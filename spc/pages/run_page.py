"""The page of one run: the verdict, where on the part, and the tables that it stands on."""

from collections.abc import Iterator, Sequence

import numpy as np
import plotly.graph_objects as go

from spc.pages.blocks import (
    Cell,
    badge,
    bullets,
    columns,
    facts,
    figure_block,
    fold,
    section,
    table,
)
from spc.pages.chart_words import between, exact
from spc.pages.display import NONE, length, moment, number, probability
from spc.pages.figures.part_map import (
    AGAIN,
    INSIDE,
    LEFT,
    OMITTED,
    UNMEASURED,
    Mark,
    part_map,
    unnamed_words,
)
from spc.pages.figures.part_solid import part_solid, stick_scale
from spc.pages.figures.ranges import ACT, OPEN, PLAIN, Range, ranges_figure
from spc.pages.html import Child, Html, el, joined
from spc.pages.month_parts import sentences
from spc.pages.review_text import fit_words
from spc.pages.run_closer import closer_section
from spc.pages.shell import Page, page_html
from spc.plan import FIT
from spc.studies.advice import ACCEPT
from spc.studies.point_state import OUTSIDE
from spc.studies.reviewed import CheckedPoint, Review, ReviewedPoint
from spc.units import MILLIMETRES

#: The bar of a check point's usual place reaches so many standard deviations either way.
USUAL = 3.0


def run_page(run: Review) -> str:
    """Return the page; it names nobody, since it may go to a customer."""
    marks = marks_of(run)
    figures = {"map": part_map(run.plan, marks), "solid": part_solid(run.plan, marks)}
    if run.checks:
        figures["checks-figure"] = _checks_figure(run)
    closer = list(closer_section(run))
    sections = {
        "part": ("Where on the part", _part(run, marks, figures)),
        "checks": ("Check points", _checks(run, figures)),
        "fit": ("The fit", _fit(run)),
        "without": ("Without each fit point", _without(run)),
        **({"closer": ("A closer look", closer)} if closer else {}),
    }
    page = Page(
        title=f"Piece {run.serial}, run {run.run}",
        kicker=f"{run.plan.part} {run.plan.revision}, {run.plan.name}",
        body=joined([_answer(run), _facts(run),
                     *(section(k, n, *b) for k, (n, b) in sections.items())]),
        contents=[(key, name) for key, (name, _) in sections.items()],
        figures=figures,
    )  # fmt: skip
    return page_html(page)


def _answer(run: Review) -> Html:
    advice = run.advice
    act = advice.verdict != ACCEPT or any(map(outside, run.checks))
    bad = [c.point for c in run.checks if outside(c)]
    out = f"Outside tolerance: {', '.join(bad)}." if bad else None
    return el(
        "div",
        el("p", badge(advice.verdict)),
        el("p", advice.headline),
        el("p", out, class_="act") if out else None,
        bullets(sentences(advice.reasons)),
        class_="answer act" if act else "answer",
        id="answer",
    )


def outside(check: CheckedPoint) -> bool:
    """Tell whether a reading lies outside its tolerance."""
    return bool(check.deviation < check.lower or check.deviation > check.upper)


def _facts(run: Review) -> Html:
    unit = run.plan.unit
    pairs: list[tuple[str, Child]] = [
        ("measured (UTC)", moment(run.measured_at)),
        ("mould", run.mould or "not recorded"),
        ("batch", run.batch or "not recorded"),
        ("arm", run.device or "not recorded"),
        ("fit points used", run.n_points),
        (f"noise of the fit, {unit}", length(run.noise, unit)),
        (f"largest residual, {unit}", f"{length(run.worst_residual, unit, signed=True)} at "
         f"{run.worst_point}"),
        (f"hits within points, {unit}", length(run.hit_sd, unit)),
        ("left out of the fit", ", ".join(run.omitted) or "none"),
        ("measured again later", "yes" if run.superseded else "no"),
        *([("gauge study", run.study)] if run.study else []),
    ]  # fmt: skip
    return facts(pairs)


def marks_of(run: Review) -> tuple[Mark, ...]:
    """Return what the map says of every point of the plan, in its order."""
    fit = {p.point: p for p in run.points}
    checks = {c.point: c for c in run.checks}
    return tuple(
        _fit_mark(run, fit[p.id]) if p.role == FIT and p.id in fit
        else _check_mark(run, checks[p.id]) if p.id in checks
        else Mark(point=p.id, state=UNMEASURED, deviation=np.nan)
        for p in run.plan.points
    )  # fmt: skip


def _fit_mark(run: Review, point: ReviewedPoint) -> Mark:
    unit = run.plan.unit
    again = point.point in run.advice.points
    state = AGAIN if again else LEFT if point.used else OMITTED
    if not np.isfinite(point.residual):
        state = UNMEASURED
    text = length(point.residual, unit, signed=True)
    return Mark(
        point=point.point, state=state, deviation=point.residual if point.used else np.nan,
        beside=text, pointed=(f"left by the fit {text} {unit}", *_as_usual(point.usual, unit)),
    )  # fmt: skip


def _as_usual(usual: float, unit: str) -> tuple[str, ...]:
    return (f"usual {length(usual, unit, signed=True)} {unit}",) if np.isfinite(usual) else ()


def _check_mark(run: Review, check: CheckedPoint) -> Mark:
    unit = run.plan.unit
    if not np.isfinite(check.deviation):
        return Mark(point=check.point, state=UNMEASURED, deviation=np.nan)
    text = length(check.deviation, unit, signed=True)
    state = OUTSIDE if outside(check) else AGAIN if check.point in run.advice.points else INSIDE
    return Mark(
        point=check.point, state=state, deviation=check.deviation, beside=text,
        pointed=(f"deviation {text} {unit}", f"tolerance {between(check.lower, check.upper, unit)}",
                 *_as_usual(check.usual, unit)),
    )  # fmt: skip


def _part(run: Review, marks: tuple[Mark, ...], figures: dict[str, go.Figure]) -> Iterator[Html]:
    unit = run.plan.unit
    said = (
        "The part opened flat like a box, every patch on the side that it looks out of. The larger "
        "a mark, the farther the reading lies from the nominal surface after the fit; figures "
        f"stand beside those that need a look, in {unit}, + outwards. A fit point's reading is "
        f"small by construction, whatever the part is like there.{unnamed_words(figures['map'])}"
    )
    yield figure_block("map", f"{run.plan.part} {run.run} map", said,
                       figures["map"].layout.height, wide=True)  # fmt: skip
    scale = stick_scale(run.plan, marks)
    yield fold(
        "turn", "Turn the part",
        figure_block(
            "solid", f"{run.plan.part} {run.run} in space",
            f"Drag to turn. Each stick shows a reading along the normal, {scale:,.0f} times "
            "enlarged; the grey body is the hull of the plan's points, not the part's own surface.",
            figures["solid"].layout.height, solid=True,
        ),
        kind="screen",
    )  # fmt: skip


def _checks_figure(run: Review) -> go.Figure:
    unit = run.plan.unit
    rows = [_check_row(check, unit) for check in run.checks]
    named = {PLAIN: "where it lies", ACT: "outside tolerance", OPEN: "where it lies, no tolerance"}
    used = {style: words for style, words in named.items() if any(r.style == style for r in rows)}
    return ranges_figure(rows, f"deviation, {unit}, + outwards", named=used, signed=True)


def _check_row(check: CheckedPoint, unit: str) -> Range:
    per = MILLIMETRES[unit]
    # The standard deviation from piece to piece is what z was divided by.
    off = check.deviation - check.usual
    sd = abs(off / check.z) if np.isfinite(check.z) and check.z else np.nan
    bare = bool(np.isnan([check.lower, check.upper]).all())
    return Range(
        name=check.point, value=check.deviation / per, low=(check.usual - USUAL * sd) / per,
        high=(check.usual + USUAL * sd) / per,
        style=ACT if outside(check) else OPEN if bare else PLAIN,
        pointed=f"{length(check.deviation, unit, signed=True)} {unit}",
        edges=(check.lower / per, check.upper / per),
    )  # fmt: skip


def _checks(run: Review, figures: dict[str, go.Figure]) -> Iterator[Html]:
    if not run.checks:
        yield el("p", "The plan has no check point.")
        return
    said = (
        "Each dot is where the point lies, the posts are its tolerance, and the bar is where "
        f"pieces of this mould usually lie ({USUAL:g} standard deviations either way; none where "
        "too few are known)."
    )
    yield figure_block("checks-figure", f"{run.plan.part} {run.run} check points", said,
                       figures["checks-figure"].layout.height, wide=True)  # fmt: skip
    unit = run.plan.unit
    known = any(np.isfinite(c.measuring) for c in run.checks)
    heads = columns("check point", "state", f"deviation, {unit}#", f"tolerance, {unit}#",
                    f"usual, {unit}#", "off usual, st. dev.#", f"from the alignment, {unit}#",
                    *([f"measuring, {unit}#"] if known else []),
                    f"spread of its hits, {unit}#")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (
            c.point, _check_state(c), exact(c.deviation, unit), between(c.lower, c.upper, unit),
            exact(c.usual, unit), number(c.z, 1), exact(c.from_alignment, unit, signed=False),
            *([exact(c.measuring, unit, signed=False)] if known else []),
            exact(c.hit_sd, unit, signed=False),
        )
        for c in run.checks
    ]  # fmt: skip
    caption = (
        "Every check point. What the alignment brings is one standard deviation, from probing noise"
    )
    if known:
        caption += (
            f"; measuring is that of a reading taken anew (gauge study {run.measured.study}): "
            "nearer to its tolerance than 1.645 of them, a reading proves neither side "
            "(ISO 14253-1)"
        )
    yield table("check-points", caption, heads, rows, marked=[outside(c) for c in run.checks])


def _check_state(check: CheckedPoint) -> Html:
    if not np.isfinite(check.deviation):
        return badge("not measured")
    if np.isnan([check.lower, check.upper]).all():
        return badge("no tolerance")
    if outside(check):
        return badge("outside tolerance")
    return badge("not proven inside" if check.zone == "not proven" else "inside tolerance")


def _fit(run: Review) -> Iterator[Html | None]:
    unit = run.plan.unit
    yield bullets(sentences(fit_words(run)))
    heads = columns(
        "fit point", f"left by the fit, {unit}#", f"usual, {unit}#", "share that shows#",
        "standardised#", "chance#", f"smallest error found, {unit}#", f"its harm, {unit}#", "at",
        "cannot be told from~",
    )  # fmt: skip
    rows = [_fit_row(point, unit) for point in run.points]
    caption = (
        "Every fit point. The share that shows is how much of an error there appears in its own "
        "residual; a smaller error than the smallest found (0.1 % false alarms, 80 % power) "
        "passes unseen and moves a check point by up to its harm"
    )
    yield table("fit-points", caption, heads, rows,
                marked=[p.point in run.advice.points for p in run.points])  # fmt: skip
    if run.modes:
        yield _modes(run)


def _fit_row(point: ReviewedPoint, unit: str) -> Sequence[Child | Cell]:
    if not point.used:
        return (point.point, "left out", *[NONE] * 7, "")
    alike = [*point.tied, *(f"{name} (nearly)" for name in point.near)]
    return (
        point.point, exact(point.residual, unit), exact(point.usual, unit),
        number(point.redundancy), number(point.standardised, 1), probability(point.p),
        exact(point.detectable, unit, signed=False), exact(point.harm, unit, signed=False),
        point.harmed, ", ".join(alike),
    )  # fmt: skip


def _modes(run: Review) -> Html:
    unit = run.plan.unit
    heads = columns("what the fit leaves", f"score, {unit}#", f"usual, {unit}#",
                    f"st. dev., {unit}#", "off usual, st. dev.#",
                    "a positive score means~")  # fmt: skip
    rows = [
        (m.name, exact(m.score, unit), exact(m.usual, unit), exact(m.sd, unit, signed=False),
         number(m.z, 1), m.description)
        for m in run.modes
    ]  # fmt: skip
    return table("modes", "The fit's residuals in as many numbers as they really are", heads, rows)


def _without(run: Review) -> Iterator[Html]:
    if not run.omissions:
        yield el("p", "Nothing was tried: the file holds no positions to fit anew.")
        return
    unit = run.plan.unit
    heads = columns("without", f"noise, {unit}#", f"largest residual, {unit}#", "at",
                    f"the point itself, {unit}#", "check points off, with#", "without#",
                    "then~")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (
            o.point, exact(o.noise, unit, signed=False), exact(o.worst_residual, unit),
            o.worst_point if o.possible else NONE, exact(o.deviation, unit),
            number(o.off_before, 1), number(o.off, 1), _after(o.possible, o.unchecked,
                                                               o.self_checked),
        )
        for o in run.omissions
    ]  # fmt: skip
    caption = (
        "The fit as it would be without each point. How far the check points lie from usual is a "
        "root mean square of standard deviations: a wrong touch moves them all, and leaving it out "
        "puts them right"
    )
    yield table("without-each", caption, heads, rows)


def _after(possible: bool, unchecked: Sequence[str], self_checked: bool) -> str:
    if not possible:
        return "six degrees of freedom are no longer held"
    words = [] if self_checked else ["no longer self-checked"]
    if unchecked:
        words.append(f"nothing checks {', '.join(unchecked)} then")
    return "; ".join(words)
