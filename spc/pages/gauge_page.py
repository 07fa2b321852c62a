"""The page of a gauge study: where variation comes from, what the gauge is good for, and where."""

from collections.abc import Iterator, Sequence

import numpy as np
import plotly.graph_objects as go

from spc.gauge.verdict import Finding, Verdict
from spc.pages.beside import NOWHERE, Place
from spc.pages.blocks import Cell, badge, bullets, columns, figure_block, fold, section, table
from spc.pages.chart_words import exact
from spc.pages.display import count, length, moment, share, span
from spc.pages.figures.part_map import (
    HOLDS,
    SORTS,
    SORTS_NOT,
    UNMEASURED,
    UNSURE,
    Mark,
    part_map,
    unnamed_words,
)
from spc.pages.figures.ranges import ACT, OPEN, PLAIN, Range, ranges_figure
from spc.pages.gauge_tables import (
    STATES,
    USES,
    categories,
    component_table,
    component_word,
    figure_table,
    group_table,
    pose_table,
    shares,
    study_words,
    verdict_table,
)
from spc.pages.gauge_text import clashes, order_words, reading_words, split_words
from spc.pages.html import Child, Html, el, joined
from spc.pages.month_parts import sentences
from spc.pages.pose_text import pose_words
from spc.pages.shell import Page, page_html
from spc.plan import FIT
from spc.studies.gauge import GaugeStudy
from spc.studies.gauge_parts import spoken
from spc.units import MILLIMETRES

#: How each finding is drawn, and what that means.
STYLES = dict(zip(STATES, (PLAIN, ACT, OPEN), strict=True))
#: What is drawn for each use: the figure's name, and its factor on the axis.
AXES = {
    "sort": ("share of the tolerance that measuring takes, %", 100.0, "at most"),
    "watch": ("share of the pieces in all variation, 1 where measuring adds none", 1.0, "at least"),
    "guide": ("kinds of pieces that can be told apart", 1.0, "at least"),
}


def gauge_page(study: GaugeStudy, place: Place = NOWHERE) -> str:
    """Return the page of a study."""
    figures = _figures(study)
    sections = {
        "sources": ("Where the variation comes from", _sources(study, figures)),
        "uses": ("What the gauge is good for", _uses(study, figures)),
        "part": ("Where on the part", _part(study, figures)),
        "computed": ("How it was computed, and what limits it", _computed(study)),
    }
    plan = study.plan
    page = Page(
        title=f"Gauge study {study.study}",
        kicker=f"{plan.part} {plan.revision}, {plan.name}. Measured up to "
        f"{moment(study.last.to_pydatetime())} UTC",
        body=joined([_answer(study), *(section(k, n, *b) for k, (n, b) in sections.items())]),
        contents=[(key, name) for key, (name, _) in sections.items()],
        figures=figures,
        fingerprint=place.fingerprint,
        library=place.library,
        up=place.up,
    )
    return page_html(page)


def _answer(study: GaugeStudy) -> Html:
    lines = [study_words(study, study.plan.unit), *(_use_words(study, key) for key in USES)]
    first = study.pooled_verdicts[-1].first.sentence if study.pooled_verdicts else ""
    first = spoken(first, study.second)
    wrong = any(
        getattr(v, key).state == STATES[1] for v in study.verdicts for key in ("watch", "sort")
    )
    said = (el("p", text) for text in [*lines, *sentences([first])])
    return el("div", said, class_="answer act" if wrong else "answer", id="answer")


def _use_words(study: GaugeStudy, key: str) -> str:
    states = [getattr(v, key).state for v in study.verdicts]
    good, bad, unsure = (states.count(state) for state in STATES)
    head = (
        f"That it is fit to {USES[key]} is shown at {good} of {count(len(states), 'check point')}"
    )
    rest = [f"not shown at {bad}"] if bad else []
    rest += [f"cannot be told from this study at {unsure}"] if unsure else []
    return f"{head}{', and '.join(['', *rest]) if rest else ''}."


def _figures(study: GaugeStudy) -> dict[str, go.Figure]:
    found = {"sources-figure": _source_figure(study), "map": part_map(study.plan, _marks(study))}
    for key in AXES:
        if any(np.isfinite(getattr(v, key).figure.value) for v in study.verdicts):
            found[f"{key}-figure"] = _use_figure(study, key)
    return found


def _source_figure(study: GaugeStudy) -> go.Figure:
    unit, at, pooled = study.plan.unit, len(study.groups) - 1, study.pooled
    per = MILLIMETRES[unit]
    named = {component_word(k, study.second): band for k, band in pooled.sd.items() if k != "piece"}
    named[f"measuring, one value of {count(pooled.hits, 'hit')}"] = pooled.gauge
    named["pieces"] = pooled.pieces
    rows = [
        Range(
            name=name, value=float(band.value[at]) / per, low=float(band.low[at]) / per,
            high=float(band.high[at]) / per, style=OPEN if name == "pieces" else PLAIN,
            pointed=f"{length(float(band.value[at]), unit)} {unit}"
            f"<br>{span(band.at(at).interval, unit)}",
        )
        for name, band in named.items()
    ]  # fmt: skip
    return ranges_figure(
        rows, f"standard deviation over all check points, {unit}",
        named={PLAIN: "a part of measuring", OPEN: "the pieces themselves"},
    )  # fmt: skip


def _use_figure(study: GaugeStudy, key: str) -> go.Figure:
    axis, factor, side = AXES[key]
    found = [(name, getattr(v, key)) for name, v in zip(study.points, study.verdicts, strict=True)]
    known = [(name, f) for name, f in found if np.isfinite(f.figure.value)]
    # What is worst stands first: a large share, a small number of kinds.
    known.sort(key=lambda pair: pair[1].figure.value, reverse=key == "sort")
    rows = [_use_row(name, finding, factor) for name, finding in known]
    bound = known[0][1].bound * factor
    said = f"{side} {bound:g}{' %' if factor > 1 else ''}"
    return ranges_figure(rows, axis, named=_named(rows), bound=(bound, said))


def _named(rows: Sequence[Range]) -> dict[str, str]:
    return {style: state for state, style in STYLES.items() if any(r.style == style for r in rows)}


def _use_row(name: str, finding: Finding, factor: float) -> Range:
    figure, within = finding.figure, finding.figure.interval
    low, high = (within.low, within.high) if within else (np.nan, np.nan)
    return Range(
        name=name, value=figure.value * factor, low=low * factor, high=high * factor,
        style=STYLES[finding.state],
        pointed=f"{figure.value * factor:.3g}, {low * factor:.3g} to {high * factor:.3g}"
        f"<br>{finding.state}",
    )  # fmt: skip


def _marks(study: GaugeStudy) -> tuple[Mark, ...]:
    at = {name: k for k, name in enumerate(study.points)}
    return tuple(
        Mark(point=p.id, state=HOLDS if p.role == FIT else UNMEASURED, deviation=np.nan)
        if p.id not in at
        else _mark(study, at[p.id])
        for p in study.plan.points
    )


#: What a finding about sorting makes of a point on the map.
_ON_MAP = dict(zip(STATES, (SORTS, SORTS_NOT, UNSURE), strict=True))


def _mark(study: GaugeStudy, at: int) -> Mark:
    unit, noise = study.plan.unit, study.quantities.gauge.at(at)
    text = length(noise.value, unit)
    return Mark(
        point=study.points[at], state=_ON_MAP[study.verdicts[at].sort.state],
        deviation=noise.value, beside=text,
        pointed=(f"measuring {text} {unit}, {span(noise.interval, unit)}",),
    )  # fmt: skip


def _sources(study: GaugeStudy, figures: dict[str, go.Figure]) -> Iterator[Html | None]:
    unit = study.plan.unit
    said = (
        "Each dot is a standard deviation, its bar the "
        f"{100 * study.pooled.gauge.level:g} % range: the farther right, the more it adds. What "
        "measuring adds has to be small beside the pieces."
    )
    yield figure_block("sources-figure", f"{study.plan.part} gauge study {study.study}", said,
                       figures["sources-figure"].layout.height, wide=True)  # fmt: skip
    yield component_table(study, unit)
    yield bullets(sentences([*split_words(study), *order_words(study)]))
    yield figure_table(study, unit)
    yield bullets(sentences(reading_words(study)))
    yield pose_table(study, unit)
    yield bullets(sentences(pose_words(study.pose, unit)))


def _uses(study: GaugeStudy, figures: dict[str, go.Figure]) -> Iterator[Html | None]:
    yield verdict_table(study, advice=False)
    for key in AXES:
        figure = figures.get(f"{key}-figure")
        if figure is None:
            yield el("p", f"No check point has a figure for whether the gauge can {USES[key]}.")
            continue
        block = figure_block(
            f"{key}-figure", f"{study.plan.part} {study.study} {USES[key]}",
            f"Can it {USES[key]}? Each check point's figure with its range, the worst first; the "
            "dashed upright is what is asked for. Where the range reaches over it, this study "
            "cannot tell.",
            figure.layout.height, wide=True,
        )  # fmt: skip
        yield fold(f"{key}-fold", USES[key].capitalize(), block, opened=key == "sort")
    yield group_table(study, study.plan.unit)


def _part(study: GaugeStudy, figures: dict[str, go.Figure]) -> Iterator[Html]:
    said = (
        "The part opened flat like a box. The larger a mark, the farther the same piece varies "
        "there from one measuring to the next; its shape says whether that is little enough to "
        "sort pieces to the point's tolerance. The table has every figure."
        f"{unnamed_words(figures['map'])}"
    )
    yield figure_block("map", f"{study.plan.part} {study.study} map", said,
                       figures["map"].layout.height, wide=True)  # fmt: skip
    yield _point_table(study)
    yield _source_table(study)


def _point_table(study: GaugeStudy) -> Html:
    unit, q = study.plan.unit, study.quantities
    heads = columns(
        "check point", f"measuring, {unit}#", f"range, {unit}#", "share of the tolerance#",
        "range#", "kinds told apart#", f"guard band, {unit}#", "to watch drift", "to sort",
        "to improve",
    )  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        (
            name, exact(float(q.gauge.value[at]), unit, signed=False),
            span(q.gauge.at(at).interval, unit),
            share(float(q.of_tolerance.value[at])), shares(q.of_tolerance.at(at)),
            categories(q.distinct.at(at)),
            exact(study.verdicts[at].guard.value, unit, signed=False),
            *_states(study.verdicts[at]),
        )
        for at, name in enumerate(study.points)
    ]  # fmt: skip
    marked = [v.sort.state == STATES[1] for v in study.verdicts]
    caption = (
        f"Every check point in {unit}. A reading nearer to its tolerance than the guard band "
        "proves neither side"
    )
    return table("gauge-points", caption, heads, rows, marked=marked)


def _source_table(study: GaugeStudy) -> Html:
    unit, parts = study.plan.unit, study.quantities.sd
    heads = columns(
        "check point", *(f"{component_word(key, study.second)}, {unit}#" for key in parts)
    )
    rows: list[Sequence[Child | Cell]] = [
        (name, *(exact(float(band.value[at]), unit, signed=False) for band in parts.values()))
        for at, name in enumerate(study.points)
    ]
    caption = f"What measuring is made of at every check point, and the pieces beside it, in {unit}"
    return table("gauge-point-sources", caption, heads, rows)


def _states(verdict: Verdict) -> tuple[Html, ...]:
    short = {STATES[0]: "shown", STATES[1]: "not shown", STATES[2]: "open"}
    return tuple(badge(short[getattr(verdict, key).state]) for key in USES)


def _computed(study: GaugeStudy) -> Iterator[Html | None]:
    methods = list(dict.fromkeys(study.method))
    q = study.pooled
    yield bullets(sentences([
        f"a run is one placing: the piece is lifted, placed and aligned again; {study.runs} runs "
        "were analysed, fit points left out, since the fit pulls them to zero",
        f"the points were analysed by {' and by '.join(methods)}",
        f"ranges: {q.gauge.method}" if q.gauge.method else "",
        *dict.fromkeys(text for text in study.quantities.tolerance_rule if text),
        *dict.fromkeys(study.notes),
    ]))  # fmt: skip
    whole = len(study.verdicts)
    yield bullets(sentences([f"at {n} of {whole} points {t}" for t, n in clashes(study).items()]))
