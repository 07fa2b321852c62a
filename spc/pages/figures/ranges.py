"""Estimates with their ranges, one row each: a dot, a bar, and the bound that they are held to."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from spc.pages.figures.traces import plain
from spc.pages.palette import FONT, LIGHT

#: How a row is marked: symbol and colour.
PLAIN, OPEN, ACT = "plain", "open", "act"
STYLES = {PLAIN: ("circle", "data"), OPEN: ("circle", "data"), ACT: ("square", "accent")}
#: Height of a row in pixels: few rows have room, many stand close.
ROW, CLOSE, MANY = 28, 20, 18
TOP, BOTTOM = 26, 66
#: Room for names: pixels a letter, and letters at most.
LETTER, LONGEST = 6.7, 34
#: Letters kept of a long name's end.
ENDING = 12
#: No axis reaches farther than so many times the farthest dot or bound; longer bars are cut.
FARTHEST = 2.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """One row; figures in the axis's unit.

    Parameters
    ----------
    name
        What stands at its left.
    value
        The dot; NaN for none.
    low, high
        Ends of its bar; NaN for none, infinite where open.
    style
        ``plain``, ``open`` or ``act``.
    pointed
        Shown when the row is pointed at.
    edges
        Lower and upper tolerance, drawn as thin posts; NaN for none.
    """

    name: str
    value: float
    low: float
    high: float
    style: str = PLAIN
    pointed: str = ""
    edges: tuple[float, float] = (float("nan"), float("nan"))


def ranges_figure(
    rows: Sequence[Range],
    axis: str,
    *,
    named: dict[str, str],
    bound: tuple[float, str] | None = None,
    signed: bool = False,
) -> go.Figure:
    """Draw rows from top to bottom.

    Parameters
    ----------
    rows
        The rows.
    axis
        What the horizontal axis is, with its unit.
    named
        What each style in use means, for the key.
    bound
        An upright that values are held to, and its words.
    signed
        True where values lie on both sides of zero, which is then drawn.

    Returns
    -------
    go.Figure
        Traces with ``meta['part']``: ``bars``, ``dots``, ``cut`` (bars that go on), ``edges``.
    """
    low, high = _reach(rows, bound, signed)
    drawn = [*_edges(rows), *_bars(rows, low, high), *_dots(rows, named)]
    height = TOP + BOTTOM + len(rows) * (ROW if len(rows) <= MANY else CLOSE)
    layout = {
        "template": {}, "height": height, "paper_bgcolor": LIGHT["paper"],
        "plot_bgcolor": LIGHT["paper"], "font": {"family": FONT, "size": 12, "color": LIGHT["ink"]},
        "margin": {"l": _room(rows), "r": 24, "t": TOP, "b": BOTTOM}, "hovermode": "closest",
        "hoverlabel": {"bgcolor": LIGHT["wash"], "bordercolor": LIGHT["quiet"], "align": "left",
                       "font": {"color": LIGHT["ink"], "family": FONT}},
        "legend": {"orientation": "h", "x": 0, "xanchor": "left", "yanchor": "bottom", "y": 0,
                   "yref": "container", "font": {"size": 11}, "itemclick": False,
                   "itemdoubleclick": False},
        "xaxis": _value_axis(axis, low, high), "yaxis": _name_axis(rows),
        **_uprights(bound, signed),
    }  # fmt: skip
    return go.Figure(data=drawn, layout=layout)


def _reach(
    rows: Sequence[Range], bound: tuple[float, str] | None, signed: bool
) -> tuple[float, float]:
    """Return the ends of the axis: all dots, posts and the bound, and bars as far as sensible."""
    fixed = np.array([0.0, *(v for r in rows for v in (r.value, *r.edges))])
    fixed = np.append(fixed[np.isfinite(fixed)], [bound[0]] if bound else [])
    far = FARTHEST * float(np.abs(fixed).max()) or 1.0
    bars = np.array([v for r in rows for v in (r.low, r.high) if not np.isnan(v)])
    shown = np.concatenate([fixed, np.clip(bars, -far, far)])
    low, high = float(shown.min()), float(shown.max())
    room = 0.04 * (high - low) or 1.0
    return (low - room if signed else 0.0), high + room


def _bars(rows: Sequence[Range], low: float, high: float) -> list[dict[str, Any]]:
    mine = [(at, r) for at, r in enumerate(rows) if not np.isnan(r.low)]
    bars = {
        "type": "scatter", "mode": "lines", "meta": {"part": "bars"},
        "x": [v for _, r in mine for v in (max(r.low, low), min(r.high, high), None)],
        "y": [v for at, _ in mine for v in (at, at, None)],
        "line": {"color": LIGHT["data"], "width": 3}, "opacity": 0.45, "hoverinfo": "skip",
        "showlegend": False,
    }  # fmt: skip
    return [bars, *_cut(rows, low, high)]


def _cut(rows: Sequence[Range], low: float, high: float) -> list[dict[str, Any]]:
    """Return arrow heads where a bar goes on beyond the picture."""
    ends = [(high, at, "triangle-right") for at, r in enumerate(rows) if r.high > high]
    ends += [(low, at, "triangle-left") for at, r in enumerate(rows) if r.low < low]
    if not ends:
        return []
    return [{
        "type": "scatter", "mode": "markers", "meta": {"part": "cut"}, "x": [e[0] for e in ends],
        "y": [e[1] for e in ends], "hoverinfo": "skip", "showlegend": False, "cliponaxis": False,
        "marker": {"symbol": [e[2] for e in ends], "size": 9, "color": LIGHT["quiet"]},
    }]  # fmt: skip


def _edges(rows: Sequence[Range]) -> list[dict[str, Any]]:
    posts = [(at, e) for at, r in enumerate(rows) for e in r.edges if np.isfinite(e)]
    if not posts:
        return []
    return [{
        "type": "scatter", "mode": "markers", "meta": {"part": "edges"}, "name": "tolerance",
        "x": [e for _, e in posts], "y": [at for at, _ in posts], "hoverinfo": "skip",
        "marker": {"symbol": "line-ns-open", "size": 13, "color": LIGHT["tolerance"],
                   "line": {"width": 3, "color": LIGHT["tolerance"]}},
    }]  # fmt: skip


def _dots(rows: Sequence[Range], named: dict[str, str]) -> list[dict[str, Any]]:
    drawn = []
    for style, (symbol, role) in STYLES.items():
        mine = [(at, r) for at, r in enumerate(rows) if r.style == style]
        if not mine:
            continue
        drawn.append({
            "type": "scatter", "mode": "markers", "meta": {"part": "dots"},
            "name": plain(named.get(style, "")), "showlegend": style in named,
            "x": [r.value for _, r in mine], "y": [at for at, _ in mine],
            # An open mark is filled with the ground: its bar must not be seen through it.
            "marker": {"symbol": symbol, "size": 10,
                       "color": LIGHT["paper" if style == OPEN else role],
                       "line": {"width": 2, "color": LIGHT[role]}},
            "text": [f"{plain(r.name)}<br>{r.pointed}" for _, r in mine],
            "hovertemplate": "%{text}<extra></extra>",
        })  # fmt: skip
    return drawn


def _uprights(bound: tuple[float, str] | None, signed: bool) -> dict[str, Any]:
    shapes, notes = [], []
    if signed:
        shapes.append(_upright(0.0, "solid", 1))
    if bound is not None:
        shapes.append(_upright(bound[0], "dash", 2))
        notes.append({
            "text": plain(bound[1]), "showarrow": False, "x": bound[0], "xref": "x", "y": 1,
            "yref": "paper", "yanchor": "bottom", "xanchor": "left", "xshift": -4,
            "font": {"size": 11, "color": LIGHT["ink"]},
        })  # fmt: skip
    return {"shapes": shapes, "annotations": notes}


def _upright(at: float, dash: str, width: float) -> dict[str, Any]:
    return {
        "type": "line", "x0": at, "x1": at, "xref": "x", "y0": 0, "y1": 1, "yref": "paper",
        "layer": "below", "line": {"color": LIGHT["quiet"], "width": width, "dash": dash},
    }  # fmt: skip


def _room(rows: Sequence[Range]) -> int:
    return round(18 + LETTER * min(LONGEST, max((len(r.name) for r in rows), default=0)))


def _short(name: str) -> str:
    """Cut a long name in its middle: the end often tells rows apart, as a mould does."""
    if len(name) <= LONGEST:
        return name
    return f"{name[: LONGEST - ENDING - 1]}…{name[-ENDING:]}"


def _value_axis(title: str, low: float, high: float) -> dict[str, Any]:
    return {
        "range": [low, high], "title": {"text": plain(title), "font": {"size": 11}, "standoff": 4},
        "showgrid": True, "gridcolor": LIGHT["rule"], "gridwidth": 0.5, "zeroline": False,
        "showline": True, "linecolor": LIGHT["quiet"], "ticks": "outside", "ticklen": 4,
        "tickcolor": LIGHT["quiet"], "tickfont": {"size": 11, "color": LIGHT["quiet"]},
        "nticks": 8, "fixedrange": True,
    }  # fmt: skip


def _name_axis(rows: Sequence[Range]) -> dict[str, Any]:
    names = [_short(r.name) for r in rows]
    return {
        "range": [len(rows) - 0.5, -0.5], "tickmode": "array", "tickvals": list(range(len(rows))),
        "ticktext": [plain(name) for name in names], "tickfont": {"size": 11}, "ticks": "",
        "showgrid": True, "gridcolor": LIGHT["rule"], "gridwidth": 0.5, "zeroline": False,
        "fixedrange": True,
    }  # fmt: skip
