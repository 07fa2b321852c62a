"""The chart of one series: each mould's values, moving average and jumps, one below the other."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import plotly.graph_objects as go

from spc.errors import NotFoundError
from spc.pages.display import per
from spc.pages.figures import surroundings as around
from spc.pages.figures.axes import (
    BESIDE,
    BESIDE_LANES,
    frame,
    lane_axis_of,
    time_axis,
    value_axis,
)
from spc.pages.figures.panels import Panel, axis_name, panels
from spc.pages.figures.positions import AUTO, Positions, positions
from spc.pages.figures.strands import row_names, strands
from spc.pages.figures.traces import traces
from spc.pages.reading import readings
from spc.pages.units import unit_of
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART
from spc.studies.monitor import Monitor
from spc.studies.spans import Period

#: Every chart of a series; the first alone makes the short figure.
ALL_CHARTS = (VALUE_CHART, EWMA_CHART, RANGE_CHART)
SHORT = (VALUE_CHART,)


def chart_figure(
    study: Monitor,
    series: int | str,
    *,
    charts: Sequence[str] = ALL_CHARTS,
    spacing: str = AUTO,
    period: Period | None = None,
) -> go.Figure:
    """Draw one series of a study.

    Parameters
    ----------
    study
        The charts' study.
    series
        The series, by name or column.
    charts
        Which charts, from top to bottom: ``values``, ``moving average``, ``moving range``.
    spacing
        ``time``, ``order`` (evenly, in order of measuring), or ``auto``: by time unless rows would
        fall on top of each other.
    period
        A month whose beginning is marked.

    Returns
    -------
    go.Figure
        One panel a chart and mould, lengths in the plan's unit, on one horizontal axis. Each
        trace's ``meta`` has ``part`` (``values``, ``centre``, ``lower limit``, ``moving average``,
        ``jumps``, ``signal: …``), ``mould`` and ``chart``.
    """
    column = column_of(study, series)
    where = replace(positions(study.rows.times, spacing), names=row_names(study))
    events = around.events_seen(study.events, where)
    kinds = events["kind"].nunique()
    laid, lane, height = panels(strands(study, column), charts, tolerance_of(study, column), kinds)
    drawn = [t for panel in laid for t in traces(study, where, panel)]
    lane_axis = axis_name(len(laid) + 1)
    drawn += around.event_lanes(events, lane_axis, lane)
    _name_once(drawn)
    shapes, notes = _surroundings(study, column, where, laid, charts, period)
    shapes += around.event_lines(events, ((panel.strand.tools, panel.domain) for panel in laid))
    notes += around.lane_labels(events, lane_axis)
    layout = _layout(where, laid, height, bool(kinds))
    # What the page's script may do on paper: a chart of single panels can be lower.
    layout["meta"] = {"paper": 0.6 if len(charts) == 1 else 1.0}
    layout |= lane_axis_of(lane_axis, lane, kinds) if kinds else {}
    return go.Figure(data=drawn, layout={**layout, "shapes": shapes, "annotations": notes})


def column_of(study: Monitor, series: int | str) -> int:
    """Return the column of a series.

    Raises
    ------
    NotFoundError
        Where the study has no such series.
    """
    if isinstance(series, int):
        return series
    if series not in study.series.names:
        raise NotFoundError(f"no series '{series}' in these charts")
    return study.series.names.index(series)


def tolerance_of(study: Monitor, column: int) -> tuple[float, float]:
    """Return lower and upper tolerance in the plan's unit, NaN where none."""
    one = per(unit_of(study, column))
    return float(study.series.lower[column]) / one, float(study.series.upper[column]) / one


def tolerance_drawn(study: Monitor, series: int | str) -> tuple[bool, bool]:
    """Return whether the lower and the upper tolerance are near enough to be drawn."""
    column = column_of(study, series)
    laid, _, _ = panels(strands(study, column), SHORT, tolerance_of(study, column), 0)
    near = np.isfinite(np.array([panel.tolerance for panel in laid]))
    return bool(near[:, 0].any()), bool(near[:, 1].any())


def _name_once(drawn: Sequence[dict[str, Any]]) -> None:
    """Let each named trace stand once in the key, however many panels show it."""
    seen: set[str] = set()
    for one in drawn:
        name = one.get("name", "")
        one["showlegend"] = bool(name) and name not in seen
        seen.add(name)


def _surroundings(
    study: Monitor, column: int, where: Positions, laid: Sequence[Panel], charts: Sequence[str],
    period: Period | None,
) -> tuple[list[around.Part], list[around.Part]]:  # fmt: skip
    said = {reading.mould: reading for reading in readings(study, column)}
    shapes, notes = around.month_edge(where, period)
    for panel in laid:
        first = panel.chart == charts[0]
        shapes += around.baseline(where, panel)
        notes += around.headings(study, panel, said[panel.strand.mould], first=first)
        notes += around.baseline_label(where, panel, first=first)
        notes += around.line_labels(panel)
        notes += around.missing_limits(panel) if first else []
    return shapes, notes


def _layout(where: Positions, laid: Sequence[Panel], height: int, lanes: bool) -> dict[str, Any]:
    axes = {
        f"yaxis{'' if panel.number == 1 else panel.number}": value_axis(
            panel.domain, (panel.low, panel.high), few=panel.chart != VALUE_CHART
        )
        for panel in laid
    }
    whole = frame(height, left=BESIDE_LANES if lanes else BESIDE)
    return {**whole, "xaxis": time_axis(where, laid[-1].axis), **axes}
