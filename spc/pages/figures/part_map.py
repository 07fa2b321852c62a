"""The part opened flat, with every patch at its place."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from spc.pages.display import count, length
from spc.pages.figures.labels import LETTER, LINE, Label, placed
from spc.pages.figures.net import Net, net
from spc.pages.figures.strands import Floats
from spc.pages.figures.traces import plain
from spc.pages.palette import FONT, LIGHT
from spc.plan import FIT, Plan
from spc.studies.point_state import NO_LIMITS, OUTSIDE, SIGNAL, STEADY, PointState

#: States of points that a month does not judge.
HOLDS, UNMEASURED = "holds the alignment", "not measured"
#: States of points that a gauge study judges.
SORTS, UNSURE, SORTS_NOT = (
    "fit to sort", "cannot be told from this study", "not fit to sort",
)  # fmt: skip
#: States of points of a single run.
INSIDE, LEFT, AGAIN, OMITTED = "inside tolerance", "left by the fit", "probe again", "left out"
#: Each state's mark (flat, turnable), colour, and whether its figures stand beside it.
MARKS = {
    SORTS_NOT: ("square", "square", "accent", True),
    AGAIN: ("diamond", "diamond", "accent", True),
    OUTSIDE: ("square", "square", "accent", True),
    SIGNAL: ("diamond", "diamond", "accent", True),
    STEADY: ("circle", "circle", "data", False),
    INSIDE: ("circle", "circle", "data", False),
    SORTS: ("circle", "circle", "data", False),
    UNSURE: ("circle-open", "circle-open", "data", False),
    NO_LIMITS: ("circle-open", "circle-open", "data", False),
    LEFT: ("triangle-up-open", "diamond-open", "data", False),
    OMITTED: ("cross-thin-open", "cross", "quiet", False),
    UNMEASURED: ("x-thin-open", "x", "quiet", False),
    HOLDS: ("triangle-up-open", "diamond-open", "quiet", False),
}
#: Sizes of the smallest and the largest mark, pixels.
SMALL, LARGE = 8, 20
#: Labels are placed for a picture so wide, pixels: about a sheet of paper. Wider ones have room.
REFERENCE = 680


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What the map says of one point; lengths in mm.

    Parameters
    ----------
    point
        Its name, as the plan has it.
    state
        One of the keys of `MARKS`.
    deviation
        Signed deviation that the mark's size shows; NaN where there is none.
    beside
        Words beside the mark where its state asks for a look.
    pointed
        Further lines shown when the mark is pointed at.
    """

    point: str
    state: str
    deviation: float
    beside: str = ""
    pointed: tuple[str, ...] = ()


def marks_of(plan: Plan, states: Sequence[PointState]) -> tuple[Mark, ...]:
    """Return a mark for every point of the plan, in its order, from a month's states."""
    by_name = {state.point: state for state in states}
    return tuple(
        Mark(point=p.id, state=HOLDS, deviation=np.nan)
        if p.role == FIT or p.id not in by_name
        else _mark(by_name[p.id], plan.unit)
        for p in plan.points
    )


def _mark(state: PointState, unit: str) -> Mark:
    if not state.n:
        return Mark(point=state.point, state=UNMEASURED, deviation=np.nan)
    mean, moved = (length(v, unit, signed=True) for v in (state.mean, state.moved))
    ends = [length(v, unit, signed=True) for v in (state.smallest, state.largest)]
    mould = f" on mould {state.moved_mould}" if state.moved_mould else ""
    move = (f"moved {moved} {unit}{mould}",) if np.isfinite(state.moved) else ()
    out = (f"{state.outside} of {state.n} outside tolerance",) if state.outside else ()
    return Mark(
        point=state.point,
        state=state.state,
        deviation=state.mean,
        beside=mean,
        pointed=(f"mean {mean} {unit}, {ends[0]} to {ends[1]}", *move, *out),
    )


def part_map(plan: Plan, marks: Sequence[Mark]) -> go.Figure:
    """Draw the part opened flat, every patch on the side that it looks out of.

    Parameters
    ----------
    plan
        The plan: nominal and normal of every point.
    marks
        One a point, in the plan's order.

    Returns
    -------
    go.Figure
        One trace a state (``meta['part']`` is the state), its area growing with the deviation.
        ``layout.meta['aspect']`` is height over width, ``layout.meta['unnamed']`` how many points
        have no name beside them because there was no room for it.
    """
    flat = net(plan)
    sizes = _sizes(marks)
    span = np.array([[*side.low, *side.high] for side in flat.sides])
    low, high = span[:, :2].min(axis=0), span[:, 2:].max(axis=0)
    places = _places(flat, marks, sizes, low, high)
    unnamed = sum(not place for place in places)
    drawn = [
        _flat_trace(flat, marks, sizes, places, state)
        for state in MARKS
        if any(mark.state == state for mark in marks)
    ]
    aspect = float((high[1] - low[1]) / (high[0] - low[0]))
    layout = {
        **bare_layout(),
        "meta": {"aspect": min(max(aspect, 0.3), 1.3) + 0.06, "unnamed": unnamed},
        "height": round(1000 * (min(max(aspect, 0.3), 1.3) + 0.06)),
        "margin": {"l": 4, "r": 4, "t": 4, "b": 44},
        "xaxis": _bare(low[0], high[0]),
        "yaxis": {**_bare(low[1], high[1]), "scaleanchor": "x"},
        "shapes": [_outline(side) for side in flat.sides],
        "annotations": [_side_name(side) for side in flat.sides],
    }
    return go.Figure(data=drawn, layout=layout)


def unnamed_words(figure: go.Figure) -> str:
    """Return what to say of points whose names had no room; nothing where there are none."""
    number = int(figure.layout.meta["unnamed"])
    if not number:
        return ""
    names = count(number, "name has", "names have")
    return f" {names} no room; point at a mark to see it, or look into the table."


def _sizes(marks: Sequence[Mark]) -> Floats:
    """Return pixels: the mark's area grows with the deviation, a point without one is small."""
    off = np.abs(np.nan_to_num([mark.deviation for mark in marks]))
    most = off.max() if len(off) else 0.0
    share = np.sqrt(off / most) if most > 0 else np.zeros(len(off))
    return np.asarray(SMALL + (LARGE - SMALL) * share, dtype=np.float64)


def _flat_trace(
    flat: Net, marks: Sequence[Mark], sizes: Floats, places: Sequence[str], state: str
) -> dict[str, Any]:
    symbol, _, role, loud = MARKS[state]
    mine = [at for at, mark in enumerate(marks) if mark.state == state]
    return {
        "type": "scatter", "mode": "markers+text", "name": state, "meta": {"part": state},
        "x": flat.at[mine, 0], "y": flat.at[mine, 1],
        "marker": {"symbol": symbol, "size": sizes[mine], "color": LIGHT[role],
                   "opacity": 1.0, "line": {"width": 1.6, "color": LIGHT[role]}},
        "text": [_label(marks[at], loud) if places[at] else "" for at in mine],
        "textposition": [places[at] or "middle right" for at in mine],
        "textfont": {"size": 11 if loud else 10, "color": LIGHT["ink" if loud else "quiet"]},
        "hovertext": [pointed(marks[at]) for at in mine],
        "hovertemplate": "%{hovertext}<extra></extra>",
        "cliponaxis": False,
    }  # fmt: skip


def _lines(mark: Mark, loud: bool) -> tuple[str, ...]:
    name = mark.point if len(mark.point) <= 22 else mark.point[:21] + "…"
    return (name, mark.beside) if loud else (name,)


def _label(mark: Mark, loud: bool) -> str:
    name, *beside = (plain(line) for line in _lines(mark, loud))
    return "<br>".join([f"<b>{name}</b>" if loud else name, *beside])


def pointed(mark: Mark) -> str:
    """Return what is shown when a mark is pointed at."""
    return "<br>".join(plain(line) for line in (mark.point, mark.state, *mark.pointed))


def _places(
    flat: Net, marks: Sequence[Mark], sizes: Floats, low: Floats, high: Floats
) -> list[str]:
    """Return where each label goes; those that need a look choose first."""
    scale = REFERENCE / float(high[0] - low[0])
    order = sorted(range(len(marks)), key=lambda at: not MARKS[marks[at].state][3])
    x, y = (flat.at * scale).T
    labels = [
        Label(x=float(x[at]), y=float(y[at]), radius=float(sizes[at]) / 2,
              lines=_lines(marks[at], MARKS[marks[at].state][3]),
              quiet=not MARKS[marks[at].state][3])
        for at in order
    ]  # fmt: skip
    # The name of each side stands in its upper left corner.
    names = [
        (float(s.low[0]) * scale, float(s.high[1]) * scale - LINE,
         float(s.low[0]) * scale + LETTER * len(f"facing {s.name}"), float(s.high[1]) * scale)
        for s in flat.sides
    ]  # fmt: skip
    found = placed(labels, (*(low * scale).tolist(), *(high * scale).tolist()), names)
    return [name for _, name in sorted(zip(order, found, strict=True))]


def _outline(side: Any) -> dict[str, Any]:
    return {
        "type": "rect", "x0": side.low[0], "y0": side.low[1], "x1": side.high[0],
        "y1": side.high[1], "layer": "below", "fillcolor": LIGHT["face"],
        "line": {"color": LIGHT["rule"], "width": 1},
    }  # fmt: skip


def _side_name(side: Any) -> dict[str, Any]:
    return {
        "text": f"facing {side.name}", "showarrow": False, "x": side.low[0], "y": side.high[1],
        "xanchor": "left", "yanchor": "top", "font": {"size": 10, "color": LIGHT["faint"]},
    }  # fmt: skip


def _bare(low: float, high: float) -> dict[str, Any]:
    return {"visible": False, "range": [float(low), float(high)], "fixedrange": True}


def bare_layout() -> dict[str, Any]:
    """Return what both figures of the part have in common."""
    return {
        "template": {},
        "paper_bgcolor": LIGHT["paper"],
        "plot_bgcolor": LIGHT["paper"],
        "font": {"family": FONT, "size": 12, "color": LIGHT["ink"]},
        "hoverlabel": {"bgcolor": LIGHT["wash"], "bordercolor": LIGHT["quiet"], "align": "left",
                       "font": {"color": LIGHT["ink"], "family": FONT}},
        "legend": {"orientation": "h", "x": 0, "xanchor": "left", "y": 0, "yref": "container",
                   "yanchor": "bottom", "itemsizing": "constant", "itemclick": False,
                   "itemdoubleclick": False},
        "dragmode": False,
    }  # fmt: skip
