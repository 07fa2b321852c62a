"""The page of one chart, and the page of all of them."""

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go

from spc.pages.beside import NOWHERE, Place
from spc.pages.blocks import badge, bullets, figure_block, fold, section
from spc.pages.chart_tables import (
    events_fold,
    events_table,
    limits_table,
    signal_table,
    state_table,
    values_table,
)
from spc.pages.chart_words import (
    between,
    how_limits,
    key_words,
    row_word,
    said,
    taken_for_granted,
    tolerance_words,
)
from spc.pages.display import count, moment
from spc.pages.figures.chart import SHORT, chart_figure, column_of, tolerance_drawn
from spc.pages.html import Html, el, joined, slug
from spc.pages.reading import OUT, Reading, brief, foremost, readings, urgency
from spc.pages.shell import Page, page_html
from spc.pages.units import unit_of
from spc.studies.monitor import Monitor
from spc.studies.series import kind_of_series
from spc.studies.spans import Period


def chart_page(
    study: Monitor, name: str | None = None, place: Place = NOWHERE, *,
    period: Period | None = None,
) -> str:  # fmt: skip
    """Return the page of one series, or of all of them.

    Parameters
    ----------
    study
        The charts.
    name
        The series; None for the page of all of them.
    place
        Where the page lies.
    period
        A month or period whose beginning is marked on the page of one series.

    Raises
    ------
    NotFoundError
        Where the study has no series of that name.
    """
    if name is None:
        return page_html(_overview(study, place))
    return page_html(_single(study, column_of(study, name), place, period))


def kicker(study: Monitor) -> str:
    """Return part, revision and name, and up to when the charts go."""
    plan = study.plan
    newest = study.rows.times.max().astype("datetime64[us]").item()
    return f"{plan.part} {plan.revision}, {plan.name}. Measured up to {moment(newest)} UTC"


def _single(study: Monitor, column: int, place: Place, period: Period | None) -> Page:
    found = readings(study, column)
    name, spoken = study.series.names[column], study.series.spoken[column]
    figure = chart_figure(study, column, period=period)
    act = any(reading.state == OUT for reading in found)
    words = tolerance_words(study, column, tolerance_drawn(study, column))
    body = [
        el("div", *said(study, found), class_="answer act" if act else "answer"),
        section(
            "chart",
            "Chart",
            figure_block("figure", f"{study.plan.part} {name}", _caption(study, column, words),
                         figure.layout.height),
        ),
        *_below(study, column),
    ]  # fmt: skip
    return Page(
        title=spoken[:1].upper() + spoken[1:],
        kicker=kicker(study),
        body=joined(body),
        figures={"figure": figure},
        fingerprint=place.fingerprint,
        library=place.library,
        up=place.up,
        contents=[("chart", "Chart"), ("signals", "Signals"), ("limits-section", "Limits"),
                  ("values-section", "Values")],
    )  # fmt: skip


def _caption(study: Monitor, column: int, words: str) -> Html:
    fit = (
        "This is a point of the fit: its deviation is what the fit left of it, small by "
        "construction, and no measure of the part's form alone."
        if study.series.fit_point[column]
        else None
    )
    return joined([el("p", words) if words else None, el("p", fit) if fit else None,
                   key_words(study)])  # fmt: skip


def _below(study: Monitor, column: int) -> list[Html]:
    name = study.series.names[column]
    mine = [s for s in study.signals if s.series == name]
    signals = (
        signal_table("signal-list", f"{count(len(mine), 'signal')}, the newest first", study, mine)
        if mine
        else el("p", "No rule found anything in this series.")
    )
    note = study.notes[column]
    return [
        section("signals", "Signals", signals),
        section(
            "limits-section",
            "Limits and how they were computed",
            el("p", note[:1].upper() + note[1:] + ".") if note else None,
            limits_table(study, column),
            bullets((*how_limits(study, column), *taken_for_granted(study, column))),
        ),
        section(
            "values-section",
            "Values, events and remarks",
            fold("all-values", f"All values, one row a {row_word(study)}",
                 values_table(study, column)),
            events_fold(study.events),
            bullets(f"{r[:1].upper()}{r[1:]}." for r in study.remarks),
        ),
    ]  # fmt: skip


def ordered_readings(study: Monitor) -> list[tuple[int, Reading]]:
    """Return column and foremost reading of every series, what matters first."""
    first = [(at, foremost(readings(study, at))) for at in range(len(study.series.names))]
    return sorted(first, key=lambda pair: urgency(pair[1]))


def _in_order_of_reading(study: Monitor) -> list[tuple[int, Reading]]:
    """Return the same from the piece as a whole to fit points, what matters first in each."""
    points = {point.id for point in study.plan.points}
    return sorted(
        ordered_readings(study), key=lambda pair: kind_of_series(study.series, pair[0], points)
    )


def _overview(study: Monitor, place: Place) -> Page:
    ordered = _in_order_of_reading(study)
    key_of = {column: figure_key(study, column) for column, _ in ordered}
    figures = {
        f"{key_of[column]}-figure": chart_figure(study, column, charts=SHORT)
        for column, _ in ordered
    }
    events = events_table(study.events)
    body = [
        _summary(ordered),
        section("states-section", "Where each series stands", state_table(study, ordered, key_of)),
        section(
            "charts",
            "Charts",
            key_words(study),
            [folded_chart(study, column, reading, figures) for column, reading in ordered],
        ),
        section(
            "how",
            "Limits, events and remarks",
            bullets((*how_limits(study), *taken_for_granted(study))),
            bullets(f"{r[:1].upper()}{r[1:]}." for r in study.remarks),
            events,
        ),
    ]
    return Page(
        title=f"Charts of {study.plan.name}",
        kicker=kicker(study),
        body=joined(body),
        figures=figures,
        fingerprint=place.fingerprint,
        library=place.library,
        up=place.up,
        contents=[("states-section", "States"), ("charts", "Charts"), ("how", "Limits")],
    )


def figure_key(study: Monitor, column: int) -> str:
    """Return the identity on the page of a series' chart."""
    return f"chart-{slug(study.series.names[column])}"


def _summary(ordered: list[tuple[int, Reading]]) -> Html:
    out = [reading for _, reading in ordered if reading.state == OUT]
    if not out:
        text = f"None of {count(len(ordered), 'series', 'series')} is out of control."
        return el("div", el("p", text), class_="answer")
    named = ", ".join(reading.series for reading in out[:3])
    more = f" and {len(out) - 3} more" if len(out) > 3 else ""
    verb = "is" if len(out) == 1 else "are"
    text = f"{len(out)} of {len(ordered)} series {verb} out of control: {named}{more}."
    return el("div", el("p", text), class_="answer act")


def folded_chart(
    study: Monitor, column: int, reading: Reading, figures: Mapping[str, go.Figure],
    *, opened: bool = False, kind: str | None = None, words: tuple[str, Html] | None = None,
) -> Html:  # fmt: skip
    """Return one series' chart, folded under its name and state.

    ``words`` are another state and what is said above the figure, where it is not the chart that
    decides.
    """
    key = figure_key(study, column)
    name = study.series.names[column]
    if words is None:
        told = joined([*said(study, readings(study, column)), _tolerance(study, column)])
        head = [badge(reading.state), el("span", brief(study, reading), class_="plain")]
    else:
        told, head = words[1], [badge(words[0])]
    return fold(
        key,
        joined([name, *head]),
        figure_block(f"{key}-figure", f"{study.plan.part} {name}", told,
                     figures[f"{key}-figure"].layout.height),
        opened=opened, kind=kind,
    )  # fmt: skip


def _tolerance(study: Monitor, column: int) -> Html | None:
    ends = (float(study.series.lower[column]), float(study.series.upper[column]))
    if not np.isfinite(ends).any():
        return None
    drawn = any(tolerance_drawn(study, column))
    where = "hatched beyond it" if drawn else "too far away to be in the picture"
    unit = unit_of(study, column)
    return el("p", f"Tolerance {between(*ends, unit)} {unit}, {where}.",
              class_="quiet")  # fmt: skip
