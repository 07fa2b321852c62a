"""The state of each check point in a month: where it stands, and where it moved to."""

from dataclasses import dataclass

import numpy as np

from spc.studies.arrays import Array
from spc.studies.chart_signals import Signal
from spc.studies.history import History
from spc.studies.monitor import Monitor
from spc.studies.streams import stream_names

SIGNAL, STEADY, NO_LIMITS, OUTSIDE = "signal", "steady", "no limits", "outside tolerance"


@dataclass(frozen=True, slots=True, kw_only=True)
class PointState:
    """One check point in the month; lengths in mm.

    Parameters
    ----------
    point, group
        Its names.
    state
        ``outside tolerance`` (some piece of the month is), ``signal`` (its chart has one this
        month), ``steady``, or ``no limits``.
    n
        Pieces of the month.
    mean, smallest, largest, sd
        Of them; the standard deviation is the plain one of these readings.
    lower, upper
        Tolerance; NaN where none.
    outside
        Pieces outside it.
    moved
        Largest move of a mould's mean from the centre now in force, signed.
    moved_mould
        That mould.
    moved_sigma
        That move in standard deviations of a batch mean; NaN without limits.
    signals
        Signals of its chart in the month.
    """

    point: str
    group: str
    state: str
    n: int
    mean: float
    smallest: float
    largest: float
    sd: float
    lower: float
    upper: float
    outside: int
    moved: float
    moved_mould: str
    moved_sigma: float
    signals: int


def point_states(
    chart: Monitor, now: History, signals: tuple[Signal, ...]
) -> tuple[PointState, ...]:
    """Return the state of every check point, those that need a look first."""
    states = [
        _state(chart, now, point.id, point.group, at, signals)
        for at, point in enumerate(now.plan.points)
        if point in now.plan.check_points
    ]
    rank = {OUTSIDE: 0, SIGNAL: 1, NO_LIMITS: 2, STEADY: 3}
    return tuple(
        sorted(states, key=lambda s: (rank[s.state], -abs(np.nan_to_num(s.moved_sigma)), s.point))
    )


def _state(
    chart: Monitor, now: History, point: str, group: str, at: int, signals: tuple[Signal, ...]
) -> PointState:
    values = now.deviations[:, at]
    there = values[np.isfinite(values)]
    lower, upper = float(now.geometry.lower[at]), float(now.geometry.upper[at])
    outside = int(((there < lower) | (there > upper)).sum())
    column = chart.series.names.index(point)
    mine = sum(1 for s in signals if s.series == point)
    moved, mould, sigma = _moved(chart, now, values, column)
    state = STEADY if np.isfinite(chart.sigma[:, column]).any() else NO_LIMITS
    return PointState(
        point=point,
        group=group,
        state=OUTSIDE if outside else SIGNAL if mine else state,
        n=len(there),
        mean=float(there.mean()) if len(there) else np.nan,
        smallest=float(there.min()) if len(there) else np.nan,
        largest=float(there.max()) if len(there) else np.nan,
        sd=float(there.std(ddof=1)) if len(there) > 1 else np.nan,
        lower=lower,
        upper=upper,
        outside=outside,
        moved=moved,
        moved_mould=mould,
        moved_sigma=moved / sigma,
        signals=mine,
    )


def _moved(chart: Monitor, now: History, values: Array, column: int) -> tuple[float, str, float]:
    """Return the largest move of a mould's mean from its own centre, that mould, and its sigma."""
    moves = []
    moulds = stream_names(now.runs, set(chart.rows.moulds))
    for mould in sorted(set(moulds)):
        mine = values[(moulds == mould) & np.isfinite(values)]
        # The newest row: frozen limits may have changed over time.
        row = max(k for k, name in enumerate(chart.rows.moulds) if name == mould)
        center = float(chart.center[row, column])
        if len(mine) and np.isfinite(center):
            sigma = float(chart.sigma[row, column])
            moves.append((float(mine.mean()) - center, mould, sigma))
    return max(moves, key=lambda move: abs(move[0])) if moves else (np.nan, "", np.nan)
