"""An estimate with its interval at every point at once."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.gauge.arrays import FloatArray, IntArray
from spc.interval import Estimate, Interval


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """Estimates and confidence intervals of one quantity, one a point.

    Parameters
    ----------
    value
        Estimate at each point, (points,); NaN where the data cannot support one.
    low, high
        Ends of the interval at each point, (points,); infinite where open.
    level
        Confidence level as a fraction.
    method
        How the interval was computed, in words that a page can print.
    note
        Why a value is missing, or what limits it; empty where there is nothing to say.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray
    level: float
    method: str
    note: str = ""

    def at(self, point: int, n: int = 0) -> Estimate:
        """Return the estimate of one point as a scalar, standing on ``n`` data."""
        value, low, high = (float(a[point]) for a in (self.value, self.low, self.high))
        if np.isnan(value):
            return Estimate(value=value, n=n, note=self.note or "the data support no estimate here")
        interval = None
        if not (np.isnan(low) or np.isnan(high)):
            interval = Interval(low=low, high=high, level=self.level, method=self.method)
        return Estimate(value=value, interval=interval, n=n, note=self.note)

    def rising(self, change: Callable[[FloatArray], FloatArray]) -> "Band":
        """Return the band of a rising function of the quantity."""
        return replace(self, value=change(self.value), low=change(self.low), high=change(self.high))

    def falling(self, change: Callable[[FloatArray], FloatArray]) -> "Band":
        """Return the band of a falling function of the quantity."""
        return replace(self, value=change(self.value), low=change(self.high), high=change(self.low))

    def root(self) -> "Band":
        """Return the band of the square root: a standard deviation from a variance."""
        return self.rising(lambda v: np.sqrt(np.maximum(v, 0.0)))


def around(
    value: FloatArray,
    low: FloatArray,
    high: FloatArray,
    level: float,
    method: str,
    note: str = "",
) -> Band:
    """Return a band with ends not below zero and wide enough to hold its estimate."""
    low = np.minimum(np.maximum(low, 0.0), value)
    return Band(
        value=value, low=low, high=np.maximum(high, value), level=level, method=method, note=note
    )


def joined(bands: Sequence[tuple[IntArray, Band]], points: int) -> Band:
    """Return one band of all points from bands of some of them each.

    Parameters
    ----------
    bands
        Which points a band is of, (own,), and the band.
    points
        Number of points in all.
    """
    value, low, high = (np.full(points, np.nan) for _ in range(3))
    for at, band in bands:
        value[at], low[at], high[at] = band.value, band.low, band.high
    told = [band for at, band in bands if at.size]
    return Band(
        value=value,
        low=low,
        high=high,
        level=told[0].level,
        method="; ".join(dict.fromkeys(b.method for b in told if b.method != "none")) or "none",
        note="; ".join(dict.fromkeys(b.note for b in told if b.note)),
    )


def missing(points: int, level: float, note: str) -> Band:
    """Return a band that holds nothing, and why."""
    nothing = np.full(points, np.nan)
    return Band(value=nothing, low=nothing, high=nothing, level=level, method="none", note=note)
