"""Where the rows of a chart lie from left to right: at their time, or evenly in order of time."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

Moments = npt.NDArray[np.datetime64]

TIME, ORDER, AUTO = "time", "order", "auto"
#: Neighbours nearer than this share of the whole span fall on top of each other.
COLLIDE = 1 / 250
#: So large a share of colliding neighbours makes the order of measuring the better axis.
CROWDED = 0.2
#: Free space beyond the first and the last row, as a share of the whole.
MARGIN = 0.03
#: About so many dates below an axis by order.
TICKS = 7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Positions:
    """The horizontal axis.

    Parameters
    ----------
    kind
        ``time`` or ``order``.
    x
        Place of each row: a time as ISO text, or its place in the order of measuring from 0.
    start, end
        Ends of the axis, in the same form.
    ticks
        Places and texts of the dates below an axis by order; None where the axis dates itself.
    moments
        (rows,) times, sorted.
    names
        What each row is called when it is pointed at; empty where nobody asks.
    """

    kind: str
    x: tuple[Any, ...]
    start: Any
    end: Any
    ticks: tuple[tuple[float, ...], tuple[str, ...]] | None
    moments: Moments
    names: tuple[str, ...] = ()

    def at(self, when: datetime) -> Any | None:
        """Return the place of a moment, or None where it lies outside the picture."""
        moment = np.datetime64(when, "us")
        margin = MARGIN * (self.moments[-1] - self.moments[0])
        if not self.moments[0] - margin <= moment <= self.moments[-1] + margin:
            return None
        if self.kind == TIME:
            return iso(moment)
        # Between the row before and the row after, wherever between them it happened.
        return float(np.searchsorted(self.moments, moment)) - 0.5


def iso(moment: np.datetime64) -> str:
    """Return a moment to the second as a date axis reads it."""
    return str(moment.astype("datetime64[s]")).replace("T", " ")


def positions(times: Moments, spacing: str = AUTO) -> Positions:
    """Return the axis of rows measured at ``times``, (rows,), in any order."""
    moments = np.sort(times)
    kind = spacing if spacing != AUTO else ORDER if crowded(moments) else TIME
    return _by_order(times, moments) if kind == ORDER else _by_time(times, moments)


def crowded(moments: Moments) -> bool:
    """Return whether too many sorted moments would fall on top of each other.

    A single moment, or one and the same, has no scale of time to lie on.
    """
    gaps = np.diff(moments).astype(np.float64)
    if not gaps.sum() > 0:
        return True
    return bool((gaps < COLLIDE * gaps.sum()).mean() > CROWDED)


def _by_time(times: Moments, moments: Moments) -> Positions:
    span = moments[-1] - moments[0]
    margin = MARGIN * span if span > np.timedelta64(0, "us") else np.timedelta64(1, "D")
    return Positions(
        kind=TIME,
        x=tuple(iso(t) for t in times),
        start=iso(moments[0] - margin),
        end=iso(moments[-1] + margin),
        ticks=None,
        moments=moments,
    )


def _by_order(times: Moments, moments: Moments) -> Positions:
    rank = np.empty(len(times), dtype=np.int64)
    rank[np.argsort(times, kind="stable")] = np.arange(len(times))
    margin = max(1.0, MARGIN * len(times))
    return Positions(
        kind=ORDER,
        x=tuple(rank.tolist()),
        start=-margin,
        end=len(times) - 1 + margin,
        ticks=_dates(moments),
        moments=moments,
    )


def _dates(moments: Moments) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Return some places, evenly taken, at which a day's first row lies, and their days."""
    days = moments.astype("datetime64[D]")
    firsts = np.flatnonzero(np.concatenate([[True], days[1:] != days[:-1]]))
    wanted = np.linspace(0, len(moments) - 1, TICKS)
    nearest: Sequence[int] = sorted({int(firsts[np.abs(firsts - w).argmin()]) for w in wanted})
    apart = [at for before, at in zip([-np.inf, *nearest[:-1]], nearest, strict=True)
             if at - before > 0.08 * len(moments)]  # fmt: skip
    return tuple(float(at) for at in apart), tuple(str(days[at]) for at in apart)
