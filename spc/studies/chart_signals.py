"""Signals of charts: neighbouring points that a rule found, as one."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.rules import RULES
from spc.studies.arrays import Array
from spc.studies.drawing import Drawn
from spc.studies.lines import Lines
from spc.studies.moments import ChartRows
from spc.studies.series import SeriesSet

VALUE_CHART, EWMA_CHART, RANGE_CHART = "values", "moving average", "moving range"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Neighbouring points of one chart that a rule found.

    Parameters
    ----------
    series, mould
        The chart.
    chart
        ``values`` or ``moving average``. The moving range is drawn but raises no signal: it says
        little that the values do not, at three times their false alarms.
    rule
        What was found, in words.
    first, last
        Serial or batch at which the pattern was first and last completed.
    since, until
        Their measuring times, UTC.
    points
        How many points in a row completed it.
    value
        The value at the first of them, mm.
    center
        The centre there, mm.
    """

    series: str
    mould: str
    chart: str
    rule: str
    first: str
    last: str
    since: datetime
    until: datetime
    points: int
    value: float
    center: float

    @property
    def direction(self) -> str:
        """Return 'above' or 'below' the centre."""
        return "above" if self.value > self.center else "below"


def signals_of(
    series: SeriesSet, rows: ChartRows, lines: Lines, shown: dict[str, Array], drawn: Drawn
) -> tuple[Signal, ...]:
    """Return the signals of what was drawn, the earliest first."""
    found = [
        (VALUE_CHART, RULES[rule].text, flags, shown["values"])
        for rule, flags in drawn.found.items()
    ]
    found.append(
        (EWMA_CHART, "the moving average beyond its limit", drawn.average_beyond, shown["average"])
    )
    listed = [
        _signal(series, rows, chart, rule, first, last, column, values, shown["center"])
        for chart, rule, flags, values in found
        for first, last, column in _episodes(flags, lines.spans)
    ]
    return tuple(sorted(listed, key=lambda s: (s.since, s.series, s.chart)))


def _episodes(
    flags: npt.NDArray[np.bool_], spans: npt.NDArray[np.int64]
) -> list[tuple[int, int, int]]:
    """Return first row, last row and column of each unbroken stretch within one span."""
    edge = np.zeros((1, flags.shape[1]), dtype=bool)
    change = np.diff(spans, axis=0) != 0
    before = np.concatenate([edge, flags[:-1] & ~change])
    after = np.concatenate([flags[1:] & ~change, edge])
    starts = np.argwhere((flags & ~before).T)
    ends = np.argwhere((flags & ~after).T)
    return [(int(s[1]), int(e[1]), int(s[0])) for s, e in zip(starts, ends, strict=True)]


def _signal(
    series: SeriesSet, rows: ChartRows, chart: str, rule: str, first: int, last: int,
    column: int, values: Array, center: Array,
) -> Signal:  # fmt: skip
    return Signal(
        series=series.names[column],
        mould=rows.moulds[first],
        chart=chart,
        rule=rule,
        first=rows.labels[first],
        last=rows.labels[last],
        since=pd.Timestamp(rows.times[first]).to_pydatetime(),
        until=pd.Timestamp(rows.times[last]).to_pydatetime(),
        points=last - first + 1,
        value=float(values[first, column]),
        center=float(center[first, column]),
    )
