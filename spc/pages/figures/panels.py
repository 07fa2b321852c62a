"""The panels of a chart, one above the other: their heights, places and vertical ranges."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spc.pages.figures.strands import Floats, Strand
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART

#: Height of a panel in pixels, of one lane of events, and of the gap that holds a panel's heading,
#: and of the further gap between moulds.
HEIGHTS = {VALUE_CHART: 190, EWMA_CHART: 110, RANGE_CHART: 80}
LANE, GAP, BETWEEN = 17, 30, 26
TOP, BOTTOM = 8, 64
#: A tolerance is drawn where it lies within this share of the picture's height of it.
NEAR = 0.5
#: Free space above and below what is drawn, as a share of it.
ROOM = 0.10
#: Moulds share one scale, but none is drawn smaller than this share of its own picture.
SMALLEST = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One panel.

    Parameters
    ----------
    strand
        The series and mould drawn in it.
    chart
        ``values``, ``moving average`` or ``moving range``.
    number
        Its vertical axis, from 1.
    low, high
        Its vertical range, in the plan's unit.
    domain
        Bottom and top, as shares of the plot's height.
    height
        Pixels.
    tolerance
        Lower and upper tolerance where they are near enough to be drawn, else NaN.
    alone
        True for the only panel of its mould: it then shows what the others would have shown.
    """

    strand: Strand
    chart: str
    number: int
    low: float
    high: float
    domain: tuple[float, float]
    height: int
    tolerance: tuple[float, float]
    alone: bool

    @property
    def axis(self) -> str:
        """Return the name by which traces refer to the vertical axis."""
        return axis_name(self.number)


def axis_name(number: int) -> str:
    """Return 'y', 'y2', 'y3' ..."""
    return "y" if number == 1 else f"y{number}"


def panels(
    found: Sequence[Strand],
    charts: Sequence[str],
    tolerance: tuple[float, float],
    lanes: int,
) -> tuple[tuple[Panel, ...], tuple[float, float], int]:
    """Lay out the panels of a figure.

    Parameters
    ----------
    found
        The strands, one a mould.
    charts
        The charts of each, from top to bottom.
    tolerance
        Lower and upper tolerance in the plan's unit, NaN where none.
    lanes
        Lanes of events at the top.

    Returns
    -------
    panels
        From top to bottom.
    lane
        Bottom and top of the events' lanes, as shares.
    height
        Of the whole figure with its margins, pixels.
    """
    asked = [(strand, chart) for strand in found for chart in charts]
    between = BETWEEN if len(charts) > 1 else 0
    inner = lanes * LANE + sum(HEIGHTS[chart] + GAP for _, chart in asked)
    inner += between * (len(found) - 1)
    ranges = {chart: _ranges(found, chart, tolerance) for chart in charts}
    top = inner - lanes * LANE
    made: list[Panel] = []
    for number, (strand, chart) in enumerate(asked, start=1):
        top -= GAP + (between if made and chart == charts[0] else 0)
        low, high, near = ranges[chart][strand.mould]
        made.append(
            Panel(
                strand=strand,
                chart=chart,
                number=number,
                low=low,
                high=high,
                tolerance=near,
                alone=len(charts) == 1,
                domain=((top - HEIGHTS[chart]) / inner, top / inner),
                height=HEIGHTS[chart],
            )
        )
        top -= HEIGHTS[chart]
    return tuple(made), (1 - lanes * LANE / inner, 1.0), inner + TOP + BOTTOM


def _ranges(
    found: Sequence[Strand], chart: str, tolerance: tuple[float, float]
) -> dict[str, tuple[float, float, tuple[float, float]]]:
    """Return each mould's range: each round its own middle, in scales that can be compared."""
    if chart == RANGE_CHART:
        most = max(_finite(s.ranges, s.range_upper).max() for s in found)
        return {s.mould: (0.0, most * (1 + 2 * ROOM) or 1.0, (np.nan, np.nan)) for s in found}
    ends = {}
    for strand in found:
        low, high = _reach(strand, chart)
        near = _near(low, high, tolerance) if chart == VALUE_CHART else (np.nan, np.nan)
        drawn = _finite(np.array([low, high, *near]), [])
        ends[strand.mould] = (float(drawn.min()), float(drawn.max()), near)
    most = max(high - low for low, high, _ in ends.values())
    return {mould: (*_spread(low, high, most), near) for mould, (low, high, near) in ends.items()}


def _spread(low: float, high: float, most: float) -> tuple[float, float]:
    """Return a range about the middle: the largest of all, unless this one would vanish in it."""
    drawn = high - low
    half = (min(most, drawn / SMALLEST) if drawn > 0 else most) * (0.5 + ROOM) or 0.5
    return (low + high) / 2 - half, (low + high) / 2 + half


def _reach(strand: Strand, chart: str) -> tuple[float, float]:
    if chart == EWMA_CHART:
        drawn = _finite(strand.average, strand.average_lower, strand.average_upper)
    else:
        drawn = _finite(strand.values, strand.lower, strand.upper, strand.center)
    return float(drawn.min()), float(drawn.max())


def _near(low: float, high: float, tolerance: tuple[float, float]) -> tuple[float, float]:
    room = NEAR * (high - low)
    lower, upper = tolerance
    return (
        lower if lower >= low - room else np.nan,
        upper if upper <= high + room else np.nan,
    )


def _finite(*arrays: Floats | Sequence[float]) -> Floats:
    """Return the finite values of all arrays; a single zero where there are none."""
    whole = np.concatenate([np.asarray(a, dtype=np.float64).ravel() for a in arrays])
    kept = whole[np.isfinite(whole)]
    return kept if kept.size else np.zeros(1)
