"""The page of drift by kind: how fast each shape moves, its charts, and what explains it."""

from collections.abc import Iterator, Sequence

import numpy as np
import plotly.graph_objects as go

from spc.pages.beside import NOWHERE, Place
from spc.pages.blocks import Cell, badge, bullets, columns, figure_block, fold, section, table
from spc.pages.chart_page import figure_key, folded_chart, kicker, ordered_readings
from spc.pages.chart_words import capital, exact, how_limits, key_words, taken_for_granted
from spc.pages.display import NONE, count, length, moment, number, probability, share
from spc.pages.drift_adjusted import adjusted_section
from spc.pages.drift_text import causes_of
from spc.pages.figures.chart import SHORT, chart_figure
from spc.pages.figures.ranges import ACT, PLAIN, Range, ranges_figure
from spc.pages.html import Child, Html, el, joined
from spc.pages.month_parts import sentences
from spc.pages.shell import Page, page_html
from spc.pages.units import meaning_in
from spc.studies.covariates import Covariate
from spc.studies.drift import Drift, MouldDrift, ShapeDrift
from spc.studies.drift_words import chance_words, change_words
from spc.units import MILLIMETRES

#: So many charts stand open.
OPENED = 3
#: What the charts of shapes have that others have not.
WIDE = (
    "The limits here are far wider than those of a single chart: all these charts share one small "
    "chance of a false alarm, and the spread is known from few batches. A step that stands out of "
    "all shapes and moulds is found from the batch means before and after it, whether or not a "
    "value lies beyond a limit."
)


def drift_page(found: Drift, place: Place = NOWHERE) -> str:
    """Return the page."""
    figures = drift_figures(found)
    sections = {
        "pace": ("How fast each shape moves", _pace(found, figures)),
        "charts": ("Charts of the shapes", _charts(found, figures)),
        "causes": ("What explains it", _causes(found)),
        "adjusted": ("A day after moulding, at 20 °C", adjusted_section(found)),
        "ready": ("Pieces that were not ready", _unready(found)),
        "computed": ("How it was computed, and what it cannot see", _computed(found)),
    }
    page = Page(
        title=f"Drift of {found.plan.name}",
        kicker=kicker(found.monitor),
        body=joined([_answer(found), *(section(k, n, *b) for k, (n, b) in sections.items())]),
        contents=[(key, name) for key, (name, _) in sections.items()],
        figures=figures,
        fingerprint=place.fingerprint,
        library=place.library,
        up=place.up,
    )
    return page_html(page)


def _answer(found: Drift) -> Html:
    act = any(shape.changes for shape in found.shapes)
    said = [el("p", text) for text in sentences(found.sentences)]
    said += [el("p", text, class_="quiet") for text in sentences([chance_words(found.chance)])]
    return el("div", said, class_="answer act" if act else "answer", id="answer")


def drift_figures(found: Drift) -> dict[str, go.Figure]:
    """Return the figures of the page by identity."""
    study = found.monitor
    paces = {f"pace-{k}": f for k, f in enumerate(map(_pace_figure, _by_unit(found).items()))}
    charts = {
        f"{figure_key(study, column)}-figure": chart_figure(study, column, charts=SHORT)
        for column in range(len(study.series.names))
    }
    return paces | charts


def _by_unit(found: Drift) -> dict[str, list[tuple[ShapeDrift, MouldDrift]]]:
    """Return shapes and moulds with a slope, those of one unit together, in the unit shown."""
    laid: dict[str, list[tuple[ShapeDrift, MouldDrift]]] = {}
    for shape in found.shapes:
        unit = shown_unit(found, shape)
        known = [(shape, m) for m in shape.moulds if np.isfinite(m.slope)]
        laid.setdefault(unit, []).extend(known)
    return {unit: rows for unit, rows in laid.items() if rows}


def shown_unit(found: Drift, shape: ShapeDrift) -> str:
    """Return the unit that a shape is shown in: the plan's for a length."""
    return found.plan.unit if shape.unit == "mm" else shape.unit


def _pace_figure(rows: tuple[str, list[tuple[ShapeDrift, MouldDrift]]]) -> go.Figure:
    unit, pairs = rows
    per = MILLIMETRES.get(unit, 1.0)
    drawn = [
        Range(
            name=_named(shape, mould), value=mould.slope / per, low=mould.slope_low / per,
            high=mould.slope_high / per, style=ACT if _moved(shape, mould) else PLAIN,
            pointed=f"{length(mould.slope, unit, signed=True)} {unit} a month<br>"
            f"over {count(mould.batches, 'batch', 'batches')}",
        )
        for shape, mould in pairs
    ]  # fmt: skip
    styles = {ACT: "found to have moved", PLAIN: "not found to have moved"}
    used = {style: words for style, words in styles.items() if any(r.style == style for r in drawn)}
    return ranges_figure(drawn, f"change a month, {unit}", named=used, signed=True)


def _named(shape: ShapeDrift, mould: MouldDrift) -> str:
    return f"{shape.shape}, {mould.mould}" if mould.mould else shape.shape


def _moved(shape: ShapeDrift, mould: MouldDrift) -> bool:
    return any(change.mould == mould.mould for change in shape.changes)


def _pace(found: Drift, figures: dict[str, go.Figure]) -> Iterator[Html]:
    for key, unit in enumerate(_by_unit(found)):
        said = (
            f"Each dot is the mean change a month, in {unit}, of one shape on one mould over all "
            "its batches, its bar the 95 % range. A step shows as a slope too: the charts below "
            "tell one from the other."
        )
        yield figure_block(f"pace-{key}", f"{found.plan.part} drift in {unit}", said,
                           figures[f"pace-{key}"].layout.height, wide=True)  # fmt: skip
    yield _shape_table(found)
    yield _meanings(found)


def _shape_table(found: Drift) -> Html:
    heads = columns("shape~", "mould", "state", "unit", "batches#", "baseline#", "adjusted#",
                    "newest batch#", "adjusted#", "change a month#", "95 % range#")  # fmt: skip
    rows: list[Sequence[Child | Cell]] = [
        _shape_row(found, shape, mould) for shape in found.shapes for mould in shape.moulds
    ]
    marked = [_moved(s, m) for s in found.shapes for m in s.moulds]
    return table(
        "shapes",
        "Every shape, those that moved first; adjusted: at 24 h and 20 °C, beside the raw mean",
        heads,
        rows,
        marked=marked,
    )


def _shape_row(found: Drift, shape: ShapeDrift, mould: MouldDrift) -> Sequence[Child | Cell]:
    unit = shown_unit(found, shape)
    ends = [length(v, unit, signed=True) for v in (mould.slope_low, mould.slope_high)]
    return (
        shape.shape, mould.mould or NONE, _state(shape, mould),
        unit, mould.batches, exact(mould.baseline, unit), exact(mould.baseline_adjusted, unit),
        exact(mould.latest, unit), exact(mould.latest_adjusted, unit), exact(mould.slope, unit),
        " to ".join(ends) if np.isfinite(mould.slope_low) else NONE,
    )  # fmt: skip


def _meanings(found: Drift) -> Html:
    # A table of its own: beside the figures these words would be cut off at a desk.
    rows: list[Sequence[Child | Cell]] = [
        (s.shape, meaning_in(s.meaning, s.unit, found.plan.unit)) for s in found.shapes
    ]
    heads = columns("shape", "a positive figure means~")
    return table("meanings", "What the figures of the shapes mean", heads, rows)


def _state(shape: ShapeDrift, mould: MouldDrift) -> Html:
    return badge("moved" if _moved(shape, mould) else "not found to move")


def _charts(found: Drift, figures: dict[str, go.Figure]) -> Iterator[Html]:
    study = found.monitor
    yield key_words(study)
    yield el("p", WIDE, class_="quiet")
    readings = dict(ordered_readings(study))
    for at, shape in enumerate(found.shapes):
        column = study.series.names.index(shape.shape)
        state = "moved" if shape.changes else "not found to move"
        words = (state, joined(_said(found, shape)))
        yield folded_chart(study, column, readings[column], figures, words=words,
                           opened=bool(shape.changes) and at < OPENED)  # fmt: skip


def _said(found: Drift, shape: ShapeDrift) -> Iterator[Html]:
    """Return one paragraph a mould: what is known of the shape there."""
    for mould in shape.moulds:
        name = capital(f"mould {mould.mould}: ") if mould.mould else None
        act = "act" if _moved(shape, mould) else None
        text = sentences([change_words(found.plan, shape, mould.mould)])
        yield el("p", el("strong", name) if name else None, *text, class_=act)


def _causes(found: Drift) -> Iterator[Html | None]:
    rows: list[Sequence[Child | Cell]] = [
        _cause_row(found, shape) for shape in found.shapes if shape.covariates
    ]
    if not rows:
        notes = dict.fromkeys(s.covariates_note for s in found.shapes if s.covariates_note)
        yield bullets(sentences(notes or ("no covariate was recorded",)))
        return
    yield el(
        "p",
        "How much of each shape's variation goes with what was recorded beside it, each taken last "
        "after the others. What goes together is not thereby its cause: warmth, age and resin lot "
        "change with the season as moulds wear with it.",
    )
    heads = columns("shape~", *(f"{c}#" for c in causes_of(found)), "per kelvin#", "95 % range#",
                    "per tenfold age#", "95 % range#", "what is left")  # fmt: skip
    yield table("causes-table", "Share of the variance that each explains, and its chance with no "
                "effect", heads, rows)  # fmt: skip
    notes = dict.fromkeys(s.covariates_note for s in found.shapes if s.covariates_note)
    yield bullets(sentences(notes))


def _cause_row(found: Drift, shape: ShapeDrift) -> Sequence[Child | Cell]:
    by_name = {c.name: c for c in shape.covariates}
    unit = shown_unit(found, shape)
    left = badge("moved") if shape.left_changes else "quiet"
    slopes = [v for key in ("temperature", "age") for v in _slope(by_name.get(key), unit)]
    return (
        shape.shape,
        *(_explains(by_name.get(name)) for name in causes_of(found)),
        *slopes,
        left,
    )


def _explains(found: Covariate | None) -> str:
    if found is None:
        return NONE
    chance = probability(found.p)
    return f"{share(found.share, 0)} ({chance})"


def _slope(found: Covariate | None, unit: str) -> tuple[Child | Cell, Child | Cell]:
    if found is None or not np.isfinite(found.slope):
        return NONE, NONE
    ends = [length(v, unit, signed=True) for v in (found.slope_low, found.slope_high)]
    return f"{length(found.slope, unit, signed=True)} {unit}", " to ".join(ends)


def _unready(found: Drift) -> Iterator[Html]:
    if not found.unconditioned:
        yield el("p", "None is known to have been too young, too warm or too cold.")
        return
    rows = [
        (u.serial, u.batch or NONE, moment(u.measured_at), number(u.hours, 0),
         number(u.temperature_c, 1), u.why, u.until)
        for u in found.unconditioned
    ]  # fmt: skip
    heads = columns("piece", "batch", "measured (UTC)", "age, h#", "temperature, °C#", "why~",
                    "come back at, or when~")  # fmt: skip
    listed = table("unready", "The newest first", heads, rows)
    yield el(
        "p",
        f"{count(len(found.unconditioned), 'piece')} of {found.pieces} were measured before they "
        "were a day old, or more than three kelvin from room temperature: part of what they show "
        "is shrinking or warmth.",
    )
    yield fold("unready-fold", "All of them", listed)


def _computed(found: Drift) -> Iterator[Html | None]:
    study = found.monitor
    yield bullets(sentences([
        f"the deviations of {count(found.pieces, 'piece')} of "
        f"{count(found.batches, 'batch', 'batches')} were each taken apart into a rigid misfit "
        f"that the fit points left ({share(found.rigid, 0)} of the sum of squares), shapes "
        f"({share(found.explained, 0)} of the rest) and what is left at each point",
        "a slope is a straight line through the batch means by least squares, its range that of "
        "Student's t with the batches' own scatter; it promises nothing beyond them",
        *how_limits(study), *taken_for_granted(study), *found.notes,
    ]))  # fmt: skip
    if found.hidden or found.combined:
        yield el("h3", "Not seen by this plan, or only together")
        yield bullets(sentences((*found.combined, *found.hidden)))
