"""Limits from a budget of false alarms over all the charts of a part."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.charts.budget import ALONE, budget
from spc.errors import InputError
from spc.studies.arrays import Array
from spc.studies.moments import ChartRows
from spc.studies.series import SeriesSet

DAYS_A_MONTH = 30.4375


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Allowed:
    """What a budget allows.

    Parameters
    ----------
    width
        (series,), half width of the limits in sigma, wider where fewer values stand behind them.
    rules
        Rules that go with it: the limits alone.
    words
        The budget in words.
    """

    width: Array
    rules: tuple[str, ...]
    words: str


def allowance(rows: ChartRows, series: SeriesSet, months: float) -> Allowed:
    """Return limits that raise one false alarm in ``months`` over all charts together.

    Values and moving averages share the budget equally. The limits of values allow for the few
    they stand on; fit points are charted but not counted, since the modes say the same.

    Raises
    ------
    InputError
        Where the budget or the history is too short.
    """
    if not months > 0:
        raise InputError(f"a budget of {months:g} months", do="use more than 0")
    span = (rows.times.max() - rows.times.min()) / np.timedelta64(1, "D")
    if len(rows.labels) < 2 or span <= 0:
        raise InputError(
            "a history too short to say how many points a month brings",
            do="chart without --budget",
        )
    moulds = len(set(rows.moulds))
    charts = max(1, int((~series.fit_point).sum())) * moulds
    pieces = len(rows.labels) / moulds / (float(span) / DAYS_A_MONTH)
    stand_on = np.isfinite(rows.values[rows.baseline]).sum(axis=0)
    by_n = {int(n): _width(charts, pieces, months, int(n)) for n in pd.unique(stand_on)}
    width = np.array([by_n[int(n)] for n in stand_on])
    return Allowed(
        width=width,
        rules=ALONE,
        words=f"limits for one false alarm in {months:g} months over {charts} charts of about "
        f"{pieces:.1f} points a month: {width.min():.2f} to {width.max():.2f} sigma from the "
        "centre, wide since few values stand behind them",
    )


def _width(charts: int, pieces: float, months: float, n: int) -> float:
    """Return the width for half the budget, from so many values."""
    return float(budget(charts, pieces, months=months, alarms=0.5, m=max(n, 2)).width)
