"""Charts with a memory: the exponentially weighted moving average of single values.

References
----------
.. [1] Roberts, S. W. (1959). Control chart tests based on geometric moving averages.
       Technometrics 1, 239-250.
.. [2] Lucas, J. M. and Saccucci, M. S. (1990). Exponentially weighted moving average control
       schemes. Technometrics 32, 1-12.
.. [3] ISO 7870-6:2016, Control charts: EWMA control charts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ewma:
    """An exponentially weighted moving average and its limits, ``(runs, points)``.

    Parameters
    ----------
    z
        The average after each run, in the unit of the values. At a run where the value is
        missing it stands at the last one (at the centre where there is none yet).
    lower, upper
        Exact limits for the number of values seen so far in the span; NaN where sigma is not
        known.
    beyond
        True where the average is beyond a limit; never at a missing value, which brings no
        evidence.
    n
        Number of values that the chart has seen, ``(points,)``.
    lam, width
        Weight of the newest value; distance of the limits in standard deviations of the average.
    """

    z: Floats
    lower: Floats
    upper: Floats
    beyond: Bools
    n: Ints
    lam: float
    width: float


def ewma(
    x: ArrayLike,
    center: ArrayLike,
    sigma: ArrayLike,
    *,
    lam: float = 0.2,
    width: float = 2.86,
    spans: ArrayLike | None = None,
) -> Ewma:
    """Follow slow change: z ← z + lam (x − z), from the centre, with exact limits [1]_ [2]_.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing. A missing value leaves average and limits
        as they were: the next value is weighted as the next in line, whatever time has passed.
    center, sigma
        Centre and standard deviation of a single value: a number, ``(points,)``, or one a run
        ``(runs, points)`` (for means of unequal batches), then the variance is summed as it
        comes.
    lam
        Weight of the newest value, above 0 and at most 1.
    width
        Limits in standard deviations of the average; 2.86 with 0.2 gives an in-control run
        length near 370.
    spans
        Label of each run; the average starts again from the centre at a change of label.

    Examples
    --------
    The handbook's example (NIST/SEMATECH 6.3.2.4): the third average is 50.56.

    >>> e = ewma([52.0, 47.0, 53.0], 50.0, 2.0539, lam=0.3)
    >>> [round(float(v), 2) for v in e.z[:, 0]]
    [50.6, 49.52, 50.56]
    """
    a = arrays.matrix(x)
    arrays.require(0 < lam <= 1, "lam", lam, "above 0 and at most 1")
    arrays.require(width > 0, "width", width, "above 0")
    shape = (a.shape[0], a.shape[1])
    middle = arrays.per_point(center, shape, "center")
    scale = arrays.per_point(sigma, shape, "sigma")
    scale = np.where(scale > 0, scale, np.nan)
    begins = arrays.span_ages(spans, shape[0]) == 0
    z, upper, lower = np.empty(shape), np.empty(shape), np.empty(shape)
    beyond, n = np.empty(shape, dtype=bool), np.zeros(shape[1], dtype=np.int64)
    state = _State.at_rest(shape[1], lam)
    for rows, _ in arrays.row_blocks(shape):
        mid, own = arrays.rows_of(middle, rows), arrays.rows_of(scale, rows)
        dev = np.subtract(a[rows], mid, out=z[rows])
        missing = np.isnan(dev)
        gaps = arrays.lost(missing)
        n += len(dev) - np.bincount(np.concatenate(gaps), minlength=shape[1])
        square = np.broadcast_to(own**2, dev.shape)
        half = width * state.follow(dev, missing, gaps, begins[rows], square, upper[rows])
        np.greater(np.abs(dev, out=lower[rows]), half, out=beyond[rows])
        beyond[rows] &= ~missing
        dev += mid
        np.subtract(mid, half, out=lower[rows])
        np.add(mid, half, out=upper[rows])
    return Ewma(z=z, lower=lower, upper=upper, beyond=beyond, n=n, lam=lam, width=width)


@dataclass(slots=True)
class _State:
    """The average less centre and its variance after the last run, ``(points,)`` each."""

    average: Floats
    variance: Floats
    lam: float

    @classmethod
    def at_rest(cls, points: int, lam: float) -> "_State":
        return cls(np.zeros(points), np.zeros(points), lam)

    def follow(
        self, dev: Floats, missing: Bools, gaps: list[Ints], begins: Bools, square: Floats,
        room: Floats,
    ) -> Floats:  # fmt: skip
        """Turn ``dev`` into averages in place and return their standard deviation.

        One row where it has settled; else one for each, written into ``room``.
        """
        where = (gaps, begins.tolist())
        dev *= self.lam
        np.copyto(dev, 0.0, where=missing)
        self.average = _decay(dev, self.average, 1 - self.lam, *where)
        settled = square[0] * (self.lam / (2 - self.lam))
        if square.strides[0] == 0 and not begins.any() and _equal(self.variance, settled):
            return np.asarray(np.sqrt(settled))
        np.multiply(square, self.lam**2, out=room)
        np.multiply(room, 0.0, out=room, where=missing)  # stays NaN where sigma is not known
        self.variance = _decay(room, self.variance, (1 - self.lam) ** 2, *where)
        return np.asarray(np.sqrt(room, out=room))


def _decay(
    steps: Floats, last: Floats, keep: float, gaps: list[Ints], begins: list[bool]
) -> Floats:
    """Add to each row what is kept of the row before, in place; at a gap all of it is kept."""
    kept, share = np.empty_like(last), np.full_like(last, keep)
    for row, gap, new in zip(steps, gaps, begins, strict=True):
        if not new:
            np.multiply(last, share, out=kept)
            if gap.size:
                kept[gap] = last[gap]
            np.add(row, kept, out=row)
        last = row
    return last.copy()


def _equal(variance: Floats, settled: Floats) -> bool:
    """Tell whether the variance has come to its end value, to rounding, wherever it is known."""
    return bool((np.isnan(settled) | (variance >= settled * (1 - 1e-15))).all())
