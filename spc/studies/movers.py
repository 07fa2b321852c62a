"""Which check points move fastest, mm a month, with how sure that is and where it would lead."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.trend import Meeting, Trend, meets_limit, trend
from spc.studies.monitor import Monitor
from spc.studies.spans import Period

#: Months before the end of a period over which a line is drawn, where the period is no longer.
MONTHS = 3
#: Batches that a line stands on at least: with fewer its range says nothing.
FEWEST = 4
#: So many are listed.
MOST = 5
DAYS_A_MONTH = 30.4375


@dataclass(frozen=True, slots=True, kw_only=True)
class Mover:
    """One check point of one mould; lengths in mm.

    Parameters
    ----------
    point, mould
        Which.
    batches
        Batches that the line stands on.
    slope, low, high
        Change a month, with its range at the level of `Movers`.
    p
        Chance of such a slope with none.
    shown
        True where it stands out of all the lines looked at (Holm 1979, 5 % for all together).
    limit
        The tolerance that it moves towards; NaN where there is none on that side.
    meets, meets_low, meets_high
        Months from the period's end until the line meets it, if it goes on so, with its range;
        infinite where the data promise no time, NaN where nothing is met.
    note
        What weakens it; empty where nothing does.
    """

    point: str
    mould: str
    batches: int
    slope: float
    low: float
    high: float
    p: float
    shown: bool
    limit: float
    meets: float
    meets_low: float
    meets_high: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Movers:
    """The fastest check points.

    Parameters
    ----------
    start, end
        The span that the lines go over, UTC.
    lines
        Lines looked at: check points times moulds with enough batches.
    level
        Confidence level of each range.
    movers
        Those whose range excludes no movement, the fastest first, five at most.
    more
        Further ones.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    lines: int
    level: float
    movers: tuple[Mover, ...]
    more: int


def movers(chart: Monitor, period: Period, *, level: float = 0.95) -> Movers:
    """Draw a line through the batch means of every check point and mould up to a period's end.

    Parameters
    ----------
    chart
        Charts by batch.
    period
        The period; the lines go over the three months up to its end, or all of it if longer.
    level
        Confidence level of each range.

    Notes
    -----
    A step is a slope too. Batches are taken as independent about the line; where neighbours hang
    together beyond it the range is too narrow, which the note says.
    """
    start = min(period.start, period.end - pd.DateOffset(months=MONTHS))
    columns = _check_columns(chart)
    found = [
        one
        for mould in sorted(set(chart.rows.moulds))
        for one in _of_mould(chart, columns, mould, start, period.end, level)
    ]
    shown = _holm([one.p for one in found], 1.0 - level)
    sure = [one for one in found if one.low > 0 or one.high < 0]
    sure.sort(key=lambda one: (-abs(one.slope), one.point, one.mould))
    marked = [replace(one, shown=one.p <= shown) for one in sure]
    return Movers(
        start=start, end=period.end, lines=len(found), level=level, movers=tuple(marked[:MOST]),
        more=max(len(marked) - MOST, 0),
    )  # fmt: skip


def _check_columns(chart: Monitor) -> npt.NDArray[np.int64]:
    names = {p.id for p in chart.plan.check_points}
    return np.array([k for k, n in enumerate(chart.series.names) if n in names], dtype=np.int64)


def _of_mould(
    chart: Monitor, columns: npt.NDArray[np.int64], mould: str, start: pd.Timestamp,
    end: pd.Timestamp, level: float,
) -> list[Mover]:  # fmt: skip
    times = chart.rows.times
    inside = (times >= np.datetime64(start)) & (times < np.datetime64(end))
    rows = np.flatnonzero(inside & (np.array(chart.rows.moulds, dtype=object) == mould))
    if len(rows) < FEWEST or not columns.size:
        return []
    months = (times[rows] - np.datetime64(end)) / np.timedelta64(1, "D") / DAYS_A_MONTH
    line = trend(chart.values[np.ix_(rows, columns)], months, level=level, robust=False)
    meeting = meets_limit(line, chart.series.lower[columns], chart.series.upper[columns])
    return [
        _mover(chart.series.names[column], mould, line, meeting, at)
        for at, column in enumerate(columns.tolist())
        if line.n[at] >= FEWEST and np.isfinite(line.p[at])
    ]


def _mover(point: str, mould: str, line: Trend, meeting: Meeting, at: int) -> Mover:
    # Time is counted from the period's end; a line that met its limit before then meets none.
    ahead = bool(meeting.time[at] > 0)
    times = [float(t[at]) if ahead else np.nan for t in (meeting.time, meeting.low, meeting.high)]
    return Mover(
        point=point, mould=mould, batches=int(line.n[at]), slope=float(line.slope[at]),
        low=float(line.slope_low[at]), high=float(line.slope_high[at]), p=float(line.p[at]),
        shown=False, limit=float(meeting.limit[at]), meets=times[0], meets_low=times[1],
        meets_high=times[2], note=line.notes[at],
    )  # fmt: skip


def _holm(chances: list[float], alpha: float) -> float:
    """Return the largest chance that still stands out of all by Holm's step-down rule."""
    largest = -1.0
    for passed, p in enumerate(sorted(chances)):
        if p > alpha / (len(chances) - passed):
            break
        largest = p
    return largest
