"""Was a stretch steady? Its own charts, with limits that chance passes at a stated rate.

Limits from the very values that they judge, at the usual widths, are passed by 4 % of steady
stretches of 12 values and by 21 % of those of 60: the longer a stretch, the surer it is to be
called unsteady. Here the limits of the values and of their moving average are set so that both
together are passed by a steady stretch of this very length, make-up and gaps at the rate asked for,
found by simulation of normal values [1]_.

References
----------
.. [1] Jones-Farmer, L. A., Woodall, W. H., Steiner, S. H. and Champ, C. W. (2014). An overview of
       Phase I analysis for process improvement and monitoring. Journal of Quality Technology 46,
       265-280: an overall rate for the whole stretch (from memory).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints
from spc.charts.memory import ewma
from spc.charts.sigma import individuals_sigma

LAMBDA = 0.2
#: Simulated stretches: at 5 % their number leaves a standard error of a quarter of a per cent.
SIMULATED, FEWEST_SIMULATED, MOST_VALUES = 8000, 2000, 800_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steadiness:
    """What the charts of a stretch show.

    Parameters
    ----------
    values_beyond, average_beyond
        Values, and values of the moving average, beyond their limits, ``(runs, points)``.
    width, average_width
        Half width of the limits in sigma, and of the average's in its own standard deviations,
        ``(points,)``; NaN where the values do not vary, or are too few.
    n
        Values, ``(points,)``.
    rate
        Share of steady stretches that show anything.
    """

    values_beyond: Bools
    average_beyond: Bools
    width: Floats
    average_width: Floats
    n: Ints
    rate: float


def steadiness(
    x: ArrayLike, *, spans: ArrayLike | None = None, rate: float = 0.05
) -> Steadiness:  # fmt: skip
    """Judge whether each point of a stretch was steady.

    Parameters
    ----------
    x
        Values (or batch means) in time order, ``(runs, points)``, NaN where missing.
    spans
        Label of each run: each span is judged about its own mean, with one sigma from all the
        moving ranges within spans. Runs of a span lie together.
    rate
        Share of steady stretches that show anything, at each point.
    """
    a = arrays.matrix(x)
    arrays.require(0 < rate < 1, "rate", rate, "between 0 and 1")
    labels = (
        np.zeros(len(a), np.int64) if spans is None else np.unique(spans, return_inverse=True)[1]
    )
    off, average = _charted(a, labels)
    present = ~np.isnan(a)
    widths = np.full((2, a.shape[1]), np.nan)
    patterns, which = np.unique(present, axis=1, return_inverse=True)
    for k, pattern in enumerate(patterns.T):
        at = np.flatnonzero(which.ravel() == k)
        known = at[np.isfinite(off[:, at]).any(axis=0)]
        if known.size:
            widths[:, known] = np.array(_widths(labels.tobytes(), pattern.tobytes(), rate))[:, None]
    with np.errstate(invalid="ignore"):  # missing, or without limits: not beyond
        return Steadiness(
            values_beyond=np.abs(off) > widths[0], average_beyond=np.abs(average) > widths[1],
            width=widths[0], average_width=widths[1], n=present.sum(axis=0), rate=rate,
        )  # fmt: skip


def _charted(a: Floats, labels: Ints) -> tuple[Floats, Floats]:
    """Return values off their span's mean in sigma, and moving averages in their own sigma."""
    if not len(a):
        return a, a
    center = np.full(a.shape, np.nan)
    for label in np.unique(labels):
        mine = labels == label
        there = ~np.isnan(a[mine])
        count = there.sum(axis=0)
        total = np.where(there, a[mine], 0.0).sum(axis=0)
        center[mine] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    sigma = individuals_sigma(a, spans=labels).sigma
    usable = np.where(sigma > 0, sigma, np.nan)
    filled = np.where(np.isnan(center), 0.0, center)
    found = ewma(a, filled, np.where(np.isnan(usable), 1.0, usable), lam=LAMBDA, width=1.0,
                 spans=labels)  # fmt: skip
    lost = np.isnan(a) | np.isnan(usable)
    # Before the first value the average rests on its centre and has no width yet.
    average = np.divide(found.z - filled, found.upper - filled, where=~lost,
                        out=np.full(a.shape, np.nan))  # fmt: skip
    return (a - center) / usable, average


@lru_cache(maxsize=256)
def _widths(labels: bytes, pattern: bytes, rate: float) -> tuple[float, float]:
    """Return widths of equal tails that both together are passed at this rate."""
    spans, present = np.frombuffer(labels, np.int64), np.frombuffer(pattern, np.bool_)
    many = int(np.clip(MOST_VALUES // max(1, len(spans)), FEWEST_SIMULATED, SIMULATED))
    drawn = np.random.default_rng(20140701).normal(size=(len(spans), many))
    drawn[~present] = np.nan
    with np.errstate(invalid="ignore"):  # missing values
        largest = [np.nanmax(np.abs(part)[present], axis=0) for part in _charted(drawn, spans)]
    low, high = 0.0, rate
    for _ in range(30):
        tail = 0.5 * (low + high)
        widths = [float(np.quantile(part, 1.0 - tail)) for part in largest]
        any_beyond = (largest[0] > widths[0]) | (largest[1] > widths[1])
        low, high = (tail, high) if any_beyond.mean() < rate else (low, tail)
    return widths[0], widths[1]
