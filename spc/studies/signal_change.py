"""The change behind a signal: when it came, how large it is, and what is logged near it."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.changepoint import ChangePoint, change_before
from spc.studies.chart_signals import Signal
from spc.studies.monitor import Monitor

#: An event counts as near where it lies within so many days before the change.
NEAR_DAYS = 21


def change_of(chart: Monitor, signal: Signal) -> dict[str, Any]:
    """Return when the change behind a signal came, and its size."""
    found, at = _change(chart, signal)
    skewed = bool(chart.series.skewed[chart.series.names.index(signal.series)])
    size = (np.nan,) * 3 if skewed else (found.shift, found.shift_low, found.shift_high)
    return {
        "changed_first": chart.rows.labels[at[int(found.candidates.min())]],
        "changed_last": chart.rows.labels[at[int(found.candidates.max())]],
        "shift": size[0], "shift_low": size[1], "shift_high": size[2],
    }  # fmt: skip


def _change(chart: Monitor, signal: Signal) -> tuple[ChangePoint, npt.NDArray[np.int64]]:
    """Return the change behind a signal, and the rows that its places are counted in."""
    column = chart.series.names.index(signal.series)
    rows = chart.rows
    mine = np.array([m == signal.mould for m in rows.moulds]) & np.isfinite(chart.values[:, column])
    at = np.flatnonzero(mine)
    # What came since the signal belongs to the change too: it is sought up to its last point, and
    # never back into another mould's time or that of other limits.
    last = [rows.labels[k] for k in at].index(signal.last)
    center, sigma = _known_at(chart, int(at[last]), column)
    return change_before(
        rows.values[at, column], center, sigma, last, spans=chart.spans[at, column]
    ), at


def _known_at(chart: Monitor, row: int, column: int) -> tuple[float, float]:
    """Return centre and sigma that a row was judged by, in the charted scale."""
    center, upper = float(chart.center[row, column]), float(chart.upper[row, column])
    if chart.series.skewed[column]:
        center, upper = float(np.cbrt(center**2)), float(np.cbrt(upper**2))
    return center, (upper - center) / float(chart.width[row, column])


def nearest_event(chart: Monitor, signal: Signal) -> tuple[str, float]:
    """Return the event nearest to the change behind a signal, and how many days before it."""
    found, at = _change(chart, signal)
    first, likeliest, last = (
        pd.Timestamp(chart.rows.times[at[int(k)]])
        for k in (found.candidates.min(), found.first, found.candidates.max())
    )
    tools = chart.rows.tools_of(signal.mould)
    mine = chart.events[
        chart.events["mould"].isin(["", *tools]) & (chart.events["kind"] != "arm check")
    ]
    when = mine["happened_at"]
    mine = mine[(when <= last) & (when >= first - pd.Timedelta(days=NEAR_DAYS))]
    if mine.empty:
        return "", np.nan
    days = (likeliest - mine["happened_at"]).dt.total_seconds().to_numpy() / 86400
    # Of two that are as near, the later one before the change.
    nearest = int(np.lexsort((-np.arange(len(days)), days < 0, np.abs(days)))[0])
    row = mine.iloc[nearest]
    return f"{row['kind']}: {row['note']}".rstrip(": "), float(days[nearest])
