"""What stands round a chart's panels: headings, labels on lines, baseline, events and notes."""

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from spc.pages.display import decimals
from spc.pages.figures.panels import Panel
from spc.pages.figures.positions import Positions
from spc.pages.figures.strands import last
from spc.pages.figures.traces import plain
from spc.pages.palette import LIGHT
from spc.pages.reading import OUT, Reading
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART
from spc.studies.moments import PIECE
from spc.studies.monitor import Monitor
from spc.studies.spans import Period

Part = dict[str, Any]

#: The page's script moves these into the panels on a narrow screen.
RIGHT, RIGHT_BELOW, LEFT = "at the right", "at the right, below", "at the left"
#: A kind of event seen more often than this is marked in its lane, without a line through the
#: panels: routine is not a cause.
ROUTINE = 5
#: Labels nearer than this, in pixels, would overlap.
APART = 13


def note(text: str, *, size: int = 12, role: str = "ink", **place: Any) -> Part:
    """Return an annotation without an arrow."""
    font = {"size": size, "color": LIGHT[role]}
    return {"text": text, "showarrow": False, "font": font, "xref": "paper", **place}


def figures(value: float, unit: str) -> str:
    """Return a length that is already in ``unit``, signed."""
    text = f"{value:+.{decimals(unit)}f}"
    return text if float(text) else text[1:]


def headings(study: Monitor, panel: Panel, reading: Reading, *, first: bool) -> Iterator[Part]:
    """Return a panel's heading, and at its right the state where it needs action."""
    unit = panel.strand.unit
    above: Part = {"y": panel.domain[1], "yref": "paper", "yanchor": "bottom", "yshift": 3}
    what = "pieces" if study.rows.by == PIECE else "batch means"
    before = "the piece before" if study.rows.by == PIECE else "the batch before"
    scale = "in the charted scale" if panel.strand.scaled else unit
    text = {
        VALUE_CHART: f"{what}, {unit}",
        EWMA_CHART: f"moving average, {unit}",
        RANGE_CHART: f"jump from {before}, {scale}",
    }[panel.chart]
    if first:
        mould = plain(shortened(panel.strand.mould))
        text = f"<b>{f'Mould {mould}' if mould else 'Mould not recorded'}</b>   {text}"
    yield note(text, name="heading", x=0, xanchor="left", **above)
    if first and reading.state == OUT:
        since = f"◆ <b>out since {plain(shortened(reading.since))}</b>"
        yield note(since, role="accent", name="state", x=1, xanchor="right", **above)


def shortened(name: str, most: int = 24) -> str:
    """Return a name as it fits into a heading."""
    return name if len(name) <= most else name[: most - 1] + "…"


def line_labels(panel: Panel) -> Iterator[Part]:
    """Return labels at the right ends of limits and centre, and one on each tolerance."""
    own, unit = panel.strand, panel.strand.unit
    if own.has_limits and panel.chart == VALUE_CHART:
        upper, center, lower = last(own.upper), last(own.center), last(own.lower)
        yield _at_right(panel, upper, f"upper limit {figures(upper, unit)}")
        yield _at_right(panel, lower, f"lower limit {figures(lower, unit)}", below=True)
        if min(upper - center, center - lower) * panel.height > APART * (panel.high - panel.low):
            yield _at_right(panel, center, f"centre {figures(center, unit)}")
    if own.has_limits and panel.chart == EWMA_CHART:
        yield _at_right(panel, last(own.average_upper), "its limits")
    if own.has_limits and panel.chart == RANGE_CHART:
        upper = last(own.range_upper)
        text = f"{upper:.3g}" if own.scaled else figures(upper, unit)[1:]
        yield _at_right(panel, upper, f"limit {text}")
    for edge, side, anchor in zip(panel.tolerance, ("below", "above"), ("top", "bottom"),
                                  strict=True):  # fmt: skip
        if np.isfinite(edge):
            text = f"{side} {figures(edge, unit)}: outside tolerance"
            yield note(
                text, size=11, role="tolerance", x=0.01, xanchor="left", y=edge, yref=panel.axis,
                yanchor=anchor, bgcolor=LIGHT["paper"],
            )  # fmt: skip


def _at_right(panel: Panel, y: float, text: str, *, below: bool = False) -> Part:
    return note(
        text, size=11, role="quiet", name=RIGHT_BELOW if below else RIGHT, x=1, xanchor="left",
        xshift=5, y=float(y), yref=panel.axis, yanchor="middle",
    )  # fmt: skip


def missing_limits(panel: Panel) -> Iterator[Part]:
    """Return the reason where there are no limits."""
    if not np.isfinite(panel.strand.upper[-1]) and panel.strand.note:
        yield note(
            plain(panel.strand.note), size=12, role="quiet", x=0.5, xanchor="center",
            y=panel.domain[0], yref="paper", yanchor="bottom", yshift=4, bgcolor=LIGHT["paper"],
        )  # fmt: skip


def baseline(where: Positions, panel: Panel) -> Iterator[Part]:
    """Return the shaded span that the limits stand on."""
    rows = panel.strand.rows[panel.strand.baseline]
    if not rows.size:
        return
    begin, end = where.x[int(rows[0])], where.x[int(rows[-1])]
    if isinstance(begin, int):
        begin, end = begin - 0.5, end + 0.5
    yield {
        "type": "rect", "name": "baseline", "x0": begin, "x1": end, "xref": "x",
        "y0": panel.domain[0], "y1": panel.domain[1], "yref": "paper", "layer": "below",
        "fillcolor": LIGHT["baseline"], "line": {"width": 0},
    }  # fmt: skip


def baseline_label(where: Positions, panel: Panel, *, first: bool) -> Iterator[Part]:
    """Return the words in the first panel's baseline, away from the tolerance."""
    rows = panel.strand.rows[panel.strand.baseline]
    if first and rows.size:
        low = bool(np.isfinite(panel.tolerance[1]))
        yield {
            **note("baseline", size=11, role="data", x=where.x[int(rows[0])], xanchor="left",
                   y=panel.domain[0 if low else 1], yref="paper",
                   yanchor="bottom" if low else "top"),
            "xref": "x",
        }  # fmt: skip


def month_edge(where: Positions, period: Period | None) -> tuple[list[Part], list[Part]]:
    """Return the line where the month begins, and its name."""
    place = where.at(period.start.to_pydatetime()) if period is not None else None
    if period is None or place is None:
        return [], []
    line = {
        "type": "line", "name": "month", "x0": place, "x1": place, "xref": "x", "y0": 0, "y1": 1,
        "yref": "paper", "line": {"color": LIGHT["ink"], "width": 1.2, "dash": "dashdot"},
    }  # fmt: skip
    text = note(plain(period.name), size=11, x=place, xanchor="center", y=0, yref="paper",
                yanchor="top", yshift=-20)  # fmt: skip
    return [line], [{**text, "xref": "x"}]


def events_seen(events: pd.DataFrame, where: Positions) -> pd.DataFrame:
    """Return the events that lie in the picture, with their ``place``."""
    places = [where.at(when.to_pydatetime()) for when in events["happened_at"]]
    seen = np.array([place is not None for place in places], dtype=bool)
    return events[seen].assign(place=[place for place in places if place is not None])


def event_lanes(events: pd.DataFrame, axis: str, lane: tuple[float, float]) -> tuple[Part, ...]:
    """Return the marks of the events, one lane a kind."""
    kinds = list(dict.fromkeys(events["kind"]))
    if not kinds:
        return ()
    words = [
        plain(": ".join(t for t in (f"{row['happened_at']:%Y-%m-%d} {row['kind']}",
                                    f"mould {row['mould']}" if row["mould"] else "",
                                    row["note"]) if t))
        for row in events.to_dict("records")
    ]  # fmt: skip
    marks = {
        "type": "scatter", "meta": {"part": "events"}, "mode": "markers", "showlegend": False,
        "x": list(events["place"]), "y": [kinds.index(kind) for kind in events["kind"]],
        "xaxis": "x", "yaxis": axis, "text": words, "hovertemplate": "%{text}<extra></extra>",
        "marker": {"symbol": "triangle-down", "size": 9, "color": LIGHT["ink"]},
        "cliponaxis": False,
    }  # fmt: skip
    return (marks,)


def lane_labels(events: pd.DataFrame, axis: str) -> Iterator[Part]:
    """Return the names of the lanes."""
    for at, kind in enumerate(dict.fromkeys(events["kind"])):
        yield note(
            plain(shortened(kind, 18)), size=11, role="quiet", name=LEFT, x=0, xanchor="right",
            xshift=-6, y=at, yref=axis, yanchor="middle",
        )  # fmt: skip


#: Moulds whose pieces a panel shows, and its bottom and top as shares of the figure.
Reach = tuple[frozenset[str], tuple[float, float]]


def event_lines(events: pd.DataFrame, panels: Iterable[Reach]) -> Iterator[Part]:
    """Return thin lines at events that are no routine, through the panels that they concern."""
    reached = list(panels)
    seen = Counter(events["kind"])
    for row in events.to_dict("records"):
        if seen[row["kind"]] > ROUTINE:
            continue
        for tools, domain in reached:
            if row["mould"] in {"", *tools}:
                yield _event_line(row["place"], domain)


def _event_line(place: Any, domain: tuple[float, float]) -> Part:
    return {
        "type": "line", "name": "event", "x0": place, "x1": place, "xref": "x",
        "y0": domain[0], "y1": domain[1], "yref": "paper", "layer": "below",
        "line": {"color": LIGHT["faint"], "width": 1, "dash": "dot"},
    }  # fmt: skip
