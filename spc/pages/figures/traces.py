"""What is drawn in a chart's panels: values, limits, tolerance and the marks of signals."""

from collections.abc import Iterator, Sequence
from html import escape
from typing import Any

import numpy as np

from spc.charts.rules import RULES
from spc.pages.figures.panels import Panel
from spc.pages.figures.positions import Positions
from spc.pages.figures.strands import Floats, rows_of
from spc.pages.palette import LIGHT
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART
from spc.studies.monitor import Monitor

Trace = dict[str, Any]

#: Marks of signals: one shape a finding, the same on every page.
SHAPES = {
    "beyond limit": "diamond-open", "nine on one side": "square-open",
    "eight on one side": "square-open", "two of three far out": "cross-open",
    "four of five off centre": "x-open", "six in one direction": "star-open",
    "fourteen up and down": "bowtie-open", "fifteen near the centre": "hourglass-open",
    "eight away from the centre": "hexagon-open",
}  # fmt: skip
OF_CHART = {EWMA_CHART: "circle-open", RANGE_CHART: "triangle-up-open"}
#: The mark of anything else, so that nothing found goes unmarked.
OTHER = "pentagon-open"
#: Rows from which the dots become smaller.
MANY, VERY_MANY = 120, 600
#: Marks of one kind in a panel up to which they are large, and up to which they are middling.
FEW_MARKS, MANY_MARKS = 40, 200


def plain(text: str) -> str:
    """Return text as a figure shows it: a name's own '<' or '&' is no markup."""
    return escape(text, quote=False)


def trace(
    part: str, panel: Panel, x: Sequence[Any], y: Floats | Sequence[float], **more: Any
) -> Trace:
    """Return a trace; ``meta`` says what it is and of which mould and chart."""
    return {
        "type": "scatter",
        "meta": {"part": part, "mould": panel.strand.mould, "chart": panel.chart},
        "x": list(x),
        "y": np.asarray(y, dtype=np.float64),
        "xaxis": "x",
        "yaxis": panel.axis,
        "showlegend": False,
        **more,
    }


def traces(study: Monitor, where: Positions, panel: Panel) -> Iterator[Trace]:
    """Return what one panel draws, the hindmost first."""
    yield from _tolerance(where, panel)
    if panel.strand.has_limits:
        yield from _limits(where, panel)
    if panel.alone:
        yield from _thread(where, panel)
    yield from {VALUE_CHART: _values, EWMA_CHART: _average, RANGE_CHART: _jumps}[panel.chart](
        where, panel
    )
    yield from _signals(study, where, panel)


def _places(where: Positions, panel: Panel) -> list[Any]:
    return [where.x[at] for at in panel.strand.rows]


def _names(where: Positions, panel: Panel) -> list[str]:
    return [plain(where.names[at]) for at in panel.strand.rows]


def _across(where: Positions, panel: Panel, y: Floats) -> tuple[list[Any], Floats]:
    """Return a line through ``y``, drawn on to both edges and without repeated steps."""
    x = [where.start, *_places(where, panel), where.end]
    whole = np.concatenate([y[:1], y, y[-1:]])
    inner = (whole[1:-1] != whole[:-2]) | (whole[1:-1] != whole[2:])
    kept = np.flatnonzero(np.concatenate([[True], inner, [True]]))
    return [x[at] for at in kept], whole[kept]


def _line(role: str, width: float, dash: str = "solid", shape: str = "linear") -> Trace:
    return {"color": LIGHT[role], "width": width, "dash": dash, "shape": shape}


def _limits(where: Positions, panel: Panel) -> Iterator[Trace]:
    own = panel.strand
    if panel.chart == EWMA_CHART:
        yield from _band(where, panel)
        return
    ends: list[tuple[str, Floats]]
    if panel.chart == RANGE_CHART:
        ends = [("upper limit", own.range_upper)]
    else:
        ends = [("lower limit", own.lower), ("upper limit", own.upper)]
        x, y = _across(where, panel, own.center)
        # Lines change in steps: new limits hold from their first row on.
        line = _line("quiet", 1, shape="hv")
        yield trace("centre", panel, x, y, mode="lines", line=line, hoverinfo="skip")
    for part, limit in ends:
        x, y = _across(where, panel, limit)
        line = _line("quiet", 1.6, "dash", "hv")
        yield trace(part, panel, x, y, mode="lines", line=line, hoverinfo="skip")


def _band(where: Positions, panel: Panel) -> Iterator[Trace]:
    """Return the limits of the moving average as a shaded band between dashed edges."""
    own, x = panel.strand, _places(where, panel)
    ends = (("lower limit", own.average_lower), ("upper limit", own.average_upper))
    for part, limit in ends:
        fill = {"fill": "tonexty", "fillcolor": LIGHT["band"]} if part == "upper limit" else {}
        yield trace(
            part, panel, x, limit, mode="lines", line=_line("quiet", 1.2, "dash"),
            hoverinfo="skip", **fill,
        )  # fmt: skip
    yield trace(
        "centre", panel, x, own.center, mode="lines", line=_line("quiet", 1), hoverinfo="skip"
    )


def _size(panel: Panel) -> int:
    rows = len(panel.strand.rows)
    return 7 if rows <= MANY else 5 if rows <= VERY_MANY else 3


def signal_mark(marks: int) -> dict[str, Any]:
    """Return size and line of a signal's mark: finer where there are hundreds of them."""
    size = 12 if marks <= FEW_MARKS else 9 if marks <= MANY_MARKS else 6
    width = 2 if marks <= FEW_MARKS else 1.2
    return {"size": size, "color": LIGHT["accent"],
            "line": {"width": width, "color": LIGHT["accent"]}}  # fmt: skip


def _values(where: Positions, panel: Panel) -> Iterator[Trace]:
    yield trace(
        "values", panel, _places(where, panel), panel.strand.values,
        mode="lines+markers", line=_line("data", 1),
        marker={"color": LIGHT["data"], "size": _size(panel), "symbol": "circle"},
        text=_names(where, panel),
        hovertemplate="%{text}<br>%{y:.4~f}<extra></extra>",
    )  # fmt: skip


def _average(where: Positions, panel: Panel) -> Iterator[Trace]:
    yield trace(
        "moving average", panel, _places(where, panel), panel.strand.average,
        mode="lines+markers", line=_line("average", 1.8),
        marker={"color": LIGHT["average"], "size": max(3, _size(panel) - 2), "symbol": "square"},
        text=_names(where, panel),
        hovertemplate="%{text}<br>moving average %{y:.4~f}<extra></extra>",
    )  # fmt: skip


def _thread(where: Positions, panel: Panel) -> Iterator[Trace]:
    """Return the moving average as a line among the values, named in the key."""
    yield trace(
        "moving average", panel, _places(where, panel), panel.strand.average, mode="lines",
        line=_line("average", 1.6), hoverinfo="skip", name=EWMA_CHART,
    )  # fmt: skip


def _jumps(where: Positions, panel: Panel) -> Iterator[Trace]:
    """Return jumps as stems: a foot at zero, a head at the jump."""
    x, y = _places(where, panel), panel.strand.ranges
    stems = np.column_stack([np.zeros(len(y)), y, np.full(len(y), np.nan)]).ravel()
    yield trace(
        "stems", panel, [place for place in x for _ in range(3)], stems, mode="lines",
        line=_line("faint", 1), hoverinfo="skip",
    )  # fmt: skip
    yield trace(
        "jumps", panel, x, y, mode="markers",
        marker={"color": LIGHT["data"], "size": max(3, _size(panel) - 2), "symbol": "circle"},
        text=_names(where, panel),
        hovertemplate="%{text}<br>jump %{y:.4~f}<extra></extra>",
    )  # fmt: skip


def _tolerance(where: Positions, panel: Panel) -> Iterator[Trace]:
    """Return the ground beyond a tolerance as a hatched field with a thick edge."""
    for side, edge, rim in (
        ("lower", panel.tolerance[0], panel.low),
        ("upper", panel.tolerance[1], panel.high),
    ):
        if np.isfinite(edge):
            x = [where.start, where.end, where.end, where.start]
            yield trace(
                f"beyond {side} tolerance", panel, x, [edge, edge, rim, rim], mode="none",
                fill="toself", hoverinfo="skip",
                fillpattern={"shape": "/", "size": 7, "solidity": 0.18,
                             "fgcolor": LIGHT["tolerance"], "bgcolor": LIGHT["paper"]},
            )  # fmt: skip
            yield trace(
                f"{side} tolerance", panel, x[:2], [edge, edge], mode="lines",
                line=_line("tolerance", 3), hoverinfo="skip",
            )  # fmt: skip


def _signals(study: Monitor, where: Positions, panel: Panel) -> Iterator[Trace]:
    """Return one trace a rule: open marks round the rows that completed it."""
    own = panel.strand
    names = _names(where, panel)
    for chart, rule in signal_kinds(study):
        mine = [s for s in own.signals if (s.chart, s.rule) == (chart, rule)]
        if not mine or not (panel.alone or chart == panel.chart):
            continue
        # Where the panel stands alone a jump is marked at the value that it led to.
        drawn = own.drawn(VALUE_CHART if panel.alone and chart == RANGE_CHART else chart)
        at = np.concatenate([rows_of(study, own, signal) for signal in mine])
        yield trace(
            f"signal: {rule}", panel, [where.x[own.rows[i]] for i in at], drawn[at],
            mode="markers", name=plain(rule),
            marker={"symbol": mark_of(chart, rule), **signal_mark(len(at))},
            text=[f"{names[i]}<br>{plain(rule)}" for i in at],
            hovertemplate="%{text}<br>%{y:.4~f}<extra></extra>",
        )  # fmt: skip


def mark_of(chart: str, rule: str) -> str:
    """Return the shape that marks a finding, by its chart and its rule's words."""
    named = next((name for name, known in RULES.items() if known.text == rule), "")
    return OF_CHART.get(chart, SHAPES.get(named, OTHER))


def signal_kinds(study: Monitor) -> tuple[tuple[str, str], ...]:
    """Return every chart and rule that brought a signal, values before averages before jumps."""
    rank = (VALUE_CHART, EWMA_CHART, RANGE_CHART)
    found = {(s.chart, s.rule) for s in study.signals}
    return tuple(sorted(found, key=lambda kind: (rank.index(kind[0]), kind[1])))
