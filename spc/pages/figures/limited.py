"""Charts of values with limits of their own, one below the other on one horizontal axis."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import plotly.graph_objects as go

from spc.pages.figures.axes import (
    BESIDE,
    BESIDE_LANES,
    frame,
    lane_axis_of,
    time_axis,
    value_axis,
)
from spc.pages.figures.panels import BOTTOM, GAP, LANE, ROOM, TOP, axis_name
from spc.pages.figures.positions import Positions
from spc.pages.figures.surroundings import (
    APART,
    RIGHT,
    RIGHT_BELOW,
    Part,
    event_lanes,
    event_lines,
    events_seen,
    lane_labels,
    note,
    shortened,
)
from spc.pages.figures.traces import SHAPES, Trace, plain, signal_mark
from spc.pages.palette import LIGHT

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

#: Height of a group's first panel and of the others, pixels, and the further gap between groups.
FIRST, OTHER, BETWEEN = 190, 130, 26


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limited:
    """One panel; arrays are (n,), NaN where there is nothing.

    Parameters
    ----------
    group
        Whose it is, such as ``Mould K1``: in bold above the first of its panels.
    heading
        What it shows, with its unit.
    tools
        Moulds whose pieces it shows; an event of another mould is no matter of it.
    rows
        The places of its values on the horizontal axis.
    values, center, lower, upper
        What is drawn.
    baseline
        True for the values that the limits stand on.
    decimals
        Of the figures on its lines.
    """

    group: str
    heading: str
    tools: frozenset[str]
    rows: Rows
    values: Floats
    center: Floats
    lower: Floats
    upper: Floats
    baseline: npt.NDArray[np.bool_]
    decimals: int

    @property
    def beyond(self) -> Rows:
        """Return which of its values lie beyond a limit."""
        return np.flatnonzero((self.values > self.upper) | (self.values < self.lower))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """A panel with its place in the figure."""

    panel: Limited
    axis: str
    domain: tuple[float, float]
    low: float
    high: float
    height: int
    first: bool


def limited_figure(panels: Sequence[Limited], where: Positions, events: pd.DataFrame) -> go.Figure:
    """Draw the panels from top to bottom, the events above them.

    Parameters
    ----------
    panels
        What is drawn.
    where
        Places and names of all rows.
    events
        What happened to mould, material and arm, with ``happened_at``, ``kind``, ``mould`` and
        ``note``; those outside the picture are left out.
    """
    seen = events_seen(events, where)
    kinds = seen["kind"].nunique()
    placed, lane, height = _placed(panels, kinds)
    lane_axis = axis_name(len(placed) + 1)
    drawn = [t for one in placed for t in _traces(one, where)]
    drawn += event_lanes(seen, lane_axis, lane)
    named = False
    for part in drawn:
        part["showlegend"] = "name" in part and not named
        named = named or "name" in part
    layout = frame(height, left=BESIDE_LANES if kinds else BESIDE) | {
        "xaxis": time_axis(where, placed[-1].axis)
    }
    for one in placed:
        layout[f"yaxis{one.axis[1:]}"] = value_axis(
            one.domain, (one.low, one.high), few=not one.first
        )
    layout |= lane_axis_of(lane_axis, lane, kinds) if kinds else {}
    layout["meta"] = {"paper": 1.0}
    shapes = [shape for one in placed for shape in _ground(one, where)]
    shapes += event_lines(seen, ((one.panel.tools, one.domain) for one in placed))
    notes = [text for one in placed for text in (*_words(one), *_baseline_word(one, where))]
    notes += lane_labels(seen, lane_axis)
    return go.Figure(data=drawn, layout={**layout, "shapes": shapes, "annotations": notes})


def _placed(
    panels: Sequence[Limited], lanes: int
) -> tuple[list[_Placed], tuple[float, float], int]:
    """Return the panels, bottom and top of the events' lanes as shares, and the height."""
    first = [k == 0 or panels[k - 1].group != one.group for k, one in enumerate(panels)]
    heights = [FIRST if f else OTHER for f in first]
    gaps = [GAP + (BETWEEN if f and k else 0) for k, f in enumerate(first)]
    inner = lanes * LANE + sum(heights) + sum(gaps)
    out, top = [], inner - lanes * LANE
    for k, panel in enumerate(panels):
        top -= gaps[k]
        low, high = _range(panel)
        out.append(_Placed(
            panel=panel, axis=axis_name(k + 1), domain=((top - heights[k]) / inner, top / inner),
            low=low, high=high, height=heights[k], first=first[k],
        ))  # fmt: skip
        top -= heights[k]
    return out, (1 - lanes * LANE / inner, 1.0), inner + TOP + BOTTOM


def _range(panel: Limited) -> tuple[float, float]:
    whole = np.concatenate([panel.values, panel.lower, panel.upper, panel.center])
    known = whole[np.isfinite(whole)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = ROOM * (high - low) or 0.5
    # What cannot be below nothing stands near its ground, with room for a dot.
    return low - (room / 3 if low >= 0.0 else room), high + room


def _traces(one: _Placed, where: Positions) -> Iterator[Trace]:
    panel = one.panel
    x = [where.x[at] for at in panel.rows]
    names = [plain(where.names[at]) for at in panel.rows]
    lines = (("centre", panel.center, 1.0, "solid"), ("lower limit", panel.lower, 1.6, "dash"),
             ("upper limit", panel.upper, 1.6, "dash"))  # fmt: skip
    for part, y, width, dash in lines:
        if np.isfinite(y).any():
            ends = np.concatenate([y[:1], y, y[-1:]])
            line = {"color": LIGHT["quiet"], "width": width, "dash": dash, "shape": "hvh"}
            yield _trace(one, part, [where.start, *x, where.end], ends, mode="lines", line=line,
                         hoverinfo="skip")  # fmt: skip
    told = f"%{{y:.{panel.decimals}f}}<extra></extra>"
    yield _trace(
        one, "values", x, panel.values, mode="lines+markers", text=names,
        line={"color": LIGHT["data"], "width": 1},
        marker={"color": LIGHT["data"], "size": 7 if len(x) <= 120 else 4, "symbol": "circle"},
        hovertemplate=f"%{{text}}<br>{told}",
    )  # fmt: skip
    if len(panel.beyond):
        yield _trace(
            one, "signal", [x[at] for at in panel.beyond], panel.values[panel.beyond],
            mode="markers", text=[names[at] for at in panel.beyond], name="beyond a limit",
            marker={"symbol": SHAPES["beyond limit"], **signal_mark(len(panel.beyond))},
            hovertemplate=f"%{{text}}<br>beyond a limit<br>{told}",
        )  # fmt: skip


def _trace(one: _Placed, part: str, x: Sequence[Any], y: Floats, **more: Any) -> Trace:
    return {
        "type": "scatter", "meta": {"part": part, "group": one.panel.group}, "x": list(x), "y": y,
        "xaxis": "x", "yaxis": one.axis, **more,
    }  # fmt: skip


def _ground(one: _Placed, where: Positions) -> Iterator[Part]:
    rows = one.panel.rows[one.panel.baseline]
    if rows.size:
        begin, end = where.x[int(rows[0])], where.x[int(rows[-1])]
        if isinstance(begin, int):
            begin, end = begin - 0.5, end + 0.5
        yield {
            "type": "rect", "name": "baseline", "x0": begin, "x1": end, "xref": "x",
            "y0": one.domain[0], "y1": one.domain[1], "yref": "paper", "layer": "below",
            "fillcolor": LIGHT["baseline"], "line": {"width": 0},
        }  # fmt: skip


def _words(one: _Placed) -> Iterator[Part]:
    panel = one.panel
    group = f"<b>{plain(shortened(panel.group))}</b>   " if one.first and panel.group else ""
    yield note(f"{group}{plain(panel.heading)}", name="heading", x=0, xanchor="left",
               y=one.domain[1], yref="paper", yanchor="bottom", yshift=3)  # fmt: skip
    if not np.isfinite(panel.upper).any():
        yield note("no limits", role="quiet", x=0.5, xanchor="center", y=one.domain[0],
                   yref="paper", yanchor="bottom", yshift=4, bgcolor=LIGHT["paper"])  # fmt: skip
        return
    yield from _line_labels(one)


def _baseline_word(one: _Placed, where: Positions) -> Iterator[Part]:
    """Return the word in the shaded ground, of a group's first panel."""
    rows = one.panel.rows[one.panel.baseline]
    if one.first and rows.size:
        word = note("baseline", size=11, role="data", x=where.x[int(rows[0])], xanchor="left",
                    y=one.domain[1], yref="paper", yanchor="top")  # fmt: skip
        yield {**word, "xref": "x"}


def _line_labels(one: _Placed) -> Iterator[Part]:
    """Return the newest limits and centre at the right ends of their lines."""
    panel, apart = one.panel, APART * (one.high - one.low) / one.height
    upper, center, lower = (
        _newest(line) for line in (panel.upper, panel.center, panel.lower)
    )  # fmt: skip
    yield _at_right(one, upper, "upper limit" if np.isfinite(lower) else "limit")
    if np.isfinite(lower):
        yield _at_right(one, lower, "lower limit", below=True)
    if min(upper - center, center - lower if np.isfinite(lower) else np.inf) > apart:
        yield _at_right(one, center, "centre")


def _newest(line: Floats) -> float:
    known = line[np.isfinite(line)]
    return float(known[-1]) if known.size else float("nan")


def _at_right(one: _Placed, y: float, text: str, *, below: bool = False) -> Part:
    figure = f"{y:.{one.panel.decimals}f}"
    return note(
        f"{text} {figure if float(figure) else figure.removeprefix('-')}", size=11, role="quiet",
        name=RIGHT_BELOW if below else RIGHT, x=1, xanchor="left", xshift=5, y=y, yref=one.axis,
        yanchor="middle",
    )  # fmt: skip
