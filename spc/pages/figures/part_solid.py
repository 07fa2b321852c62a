"""The part in space, to be turned: every patch at its place, its deviation as a stick."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from spc.pages.figures.part_map import MARKS, Mark, bare_layout, pointed
from spc.pages.figures.strands import Floats
from spc.pages.figures.traces import plain
from spc.pages.palette import LIGHT
from spc.plan import Plan

#: The largest deviation is drawn about as long as this share of the part.
STICK = 0.10


def part_solid(plan: Plan, marks: Sequence[Mark]) -> go.Figure:
    """Draw the part so that it can be turned, each deviation as a stick along the normal.

    Parameters
    ----------
    plan, marks
        As for `part_map`.

    Returns
    -------
    go.Figure
        The hull of the plan's points, one trace a state, and one with all sticks.
    """
    nominals = np.array([p.nominal for p in plan.points])
    drawn = [_hull(nominals), _sticks(plan, marks)]
    drawn += [
        _solid_trace(nominals, marks, state)
        for state in MARKS
        if any(mark.state == state for mark in marks)
    ]
    axis = {"visible": False}
    scene = {
        "xaxis": axis, "yaxis": axis, "zaxis": axis, "aspectmode": "data", "dragmode": "orbit",
        "camera": {"eye": {"x": 1.5, "y": -1.6, "z": 1.1}},
    }  # fmt: skip
    layout = {
        **bare_layout(),
        "height": 520,
        "margin": {"l": 0, "r": 0, "t": 0, "b": 40},
        "scene": scene,
    }
    del layout["dragmode"]
    return go.Figure(data=drawn, layout=layout)


def stick_scale(plan: Plan, marks: Sequence[Mark]) -> float:
    """Return how many times enlarged the sticks of `part_solid` are; 1 where there are none."""
    most = float(np.abs(np.nan_to_num([mark.deviation for mark in marks])).max(initial=0.0))
    size = float(np.ptp(np.array([p.nominal for p in plan.points]), axis=0).max())
    if not most > 0 or not size > 0:
        return 1.0
    # One figure: an enlargement is a round number.
    exact = STICK * size / most
    decade = 10.0 ** np.floor(np.log10(exact))
    return float(max(1.0, np.floor(exact / decade) * decade))


def _hull(nominals: Floats) -> dict[str, Any]:
    return {
        "type": "mesh3d", "meta": {"part": "hull"}, "x": nominals[:, 0], "y": nominals[:, 1],
        "z": nominals[:, 2], "alphahull": 0, "opacity": 0.16, "color": LIGHT["faint"],
        "hoverinfo": "skip", "flatshading": True, "showlegend": False,
    }  # fmt: skip


def _sticks(plan: Plan, marks: Sequence[Mark]) -> dict[str, Any]:
    foot = np.array([p.nominal for p in plan.points])
    off = np.array([mark.deviation for mark in marks])[:, None]
    head = foot + stick_scale(plan, marks) * off * np.array([p.normal for p in plan.points])
    drawn = np.isfinite(off[:, 0])
    lines = np.stack([foot, head, np.full(foot.shape, np.nan)], axis=1)[drawn].reshape(-1, 3)
    return {
        "type": "scatter3d", "mode": "lines", "meta": {"part": "sticks"}, "x": lines[:, 0],
        "y": lines[:, 1], "z": lines[:, 2], "line": {"width": 5, "color": LIGHT["average"]},
        "hoverinfo": "skip", "showlegend": False,
    }  # fmt: skip


def _solid_trace(nominals: Floats, marks: Sequence[Mark], state: str) -> dict[str, Any]:
    _, symbol, role, loud = MARKS[state]
    mine = [at for at, mark in enumerate(marks) if mark.state == state]
    return {
        "type": "scatter3d", "mode": "markers+text" if loud else "markers", "name": state,
        "meta": {"part": state}, "x": nominals[mine, 0], "y": nominals[mine, 1],
        "z": nominals[mine, 2], "text": [plain(marks[at].point) for at in mine],
        "textfont": {"size": 11, "color": LIGHT["ink"]},
        "marker": {"symbol": symbol, "size": 7 if loud else 5, "color": LIGHT[role]},
        "hovertext": [pointed(marks[at]) for at in mine],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }  # fmt: skip
