"""The frame and the axes of a series in time, the same in every figure of that kind."""

from typing import Any

import numpy as np

from spc.pages.figures.panels import BOTTOM, TOP
from spc.pages.figures.positions import Positions
from spc.pages.palette import FONT, LIGHT

#: The key begins so far below the lowest panel, pixels: the dates stand between.
KEY = 36
#: Room left of the panels, pixels: for the figures on an axis, and for the names of event lanes.
BESIDE, BESIDE_LANES = 60, 118
#: Up to so long a history is dated to the minute.
DAYS = np.timedelta64(10, "D")


def frame(height: int, *, left: int) -> dict[str, Any]:
    """Return what is round a figure of panels: margins, ground, type and key."""
    return {
        "template": {},
        "height": height,
        "margin": {"l": left, "r": 128, "t": TOP, "b": BOTTOM},
        "paper_bgcolor": LIGHT["paper"],
        "plot_bgcolor": LIGHT["paper"],
        "font": {"family": FONT, "size": 12, "color": LIGHT["ink"]},
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": LIGHT["wash"], "bordercolor": LIGHT["quiet"],
                       "font": {"color": LIGHT["ink"], "family": FONT}, "align": "left"},
        # Left of and below the plot, by a hair, the key may be wider than the plot.
        "legend": {"orientation": "h", "x": -0.001, "xanchor": "left", "yanchor": "top",
                   "y": -KEY / (height - TOP - BOTTOM), "traceorder": "normal",
                   "font": {"size": 11}, "itemclick": False, "itemdoubleclick": False},
    }  # fmt: skip


def value_axis(
    domain: tuple[float, float], ends: tuple[float, float], *, few: bool
) -> dict[str, Any]:
    """Return a panel's vertical axis, with ``few`` figures on it where the panel is low."""
    return {
        "domain": list(domain),
        "range": list(ends),
        "anchor": "x",
        "showgrid": True,
        "gridcolor": LIGHT["rule"],
        "gridwidth": 0.5,
        "zeroline": False,
        "linecolor": LIGHT["quiet"],
        "showline": True,
        "nticks": 4 if few else 6,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": LIGHT["quiet"],
        "tickfont": {"size": 11, "color": LIGHT["quiet"]},
    }


def time_axis(where: Positions, lowest: str) -> dict[str, Any]:
    """Return the horizontal axis, below the panel whose vertical axis is ``lowest``."""
    axis = {
        "range": [where.start, where.end],
        "anchor": lowest,
        "showgrid": False,
        "zeroline": False,
        "showline": True,
        "linecolor": LIGHT["quiet"],
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": LIGHT["quiet"],
        "tickangle": 0,
        "tickfont": {"size": 11, "color": LIGHT["quiet"]},
    }
    if where.ticks is not None:
        return axis | {
            "type": "linear", "tickmode": "array", "tickvals": list(where.ticks[0]),
            "ticktext": list(where.ticks[1]),
        }  # fmt: skip
    # A few days need the hour, or one date would stand there twice.
    clock = "" if where.moments[-1] - where.moments[0] > DAYS else "<br>%H:%M"
    return axis | {"type": "date", "tickformat": f"%Y-%m-%d{clock}", "nticks": 8}


def lane_axis_of(name: str, lane: tuple[float, float], kinds: int) -> dict[str, Any]:
    """Return the axis of the lanes of events, one lane a kind; ``lane`` is its bottom and top."""
    return {
        f"yaxis{name[1:]}": {
            "domain": list(lane),
            "range": [kinds - 0.5, -0.5],
            "anchor": "x",
            "showgrid": False,
            "zeroline": False,
            "showticklabels": False,
            "fixedrange": True,
        }
    }
