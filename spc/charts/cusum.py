"""The tabular cumulative sum, two sides, with a head start where it is wanted.

References
----------
.. [1] Page, E. S. (1954). Continuous inspection schemes. Biometrika 41, 100-115.
.. [2] Lucas, J. M. and Crosier, R. B. (1982). Fast initial response for CUSUM quality-control
       schemes. Technometrics 24, 199-205.
.. [3] ISO 7870-4:2021, Control charts: Cumulative sum charts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cusum:
    """Upper and lower cumulative sums, ``(runs, points)`` throughout, counted in sigma.

    Parameters
    ----------
    upper, lower
        Sums for a rise and for a fall, both 0 or more, in sigma. At a missing value they stand
        still.
    rise, fall
        True where ``upper`` or ``lower`` is beyond ``h``; never at a missing value.
    k, h, head_start
        Allowance, decision limit and start value, in sigma.
    """

    upper: Floats
    lower: Floats
    rise: Bools
    fall: Bools
    k: float
    h: float
    head_start: float

    @property
    def beyond(self) -> Bools:
        """True where either side is beyond the decision limit."""
        return self.rise | self.fall


def cusum(
    x: ArrayLike,
    center: ArrayLike,
    sigma: ArrayLike,
    *,
    k: float = 0.5,
    h: float = 4.774,
    head_start: float = 0.0,
    spans: ArrayLike | None = None,
) -> Cusum:
    """Sum what lies beyond the allowance: C⁺ ← max(0, C⁺ + z − k), C⁻ ← max(0, C⁻ − z − k) [1]_.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing: the sums then stand still.
    center, sigma
        Target and standard deviation, a number, ``(points,)`` or ``(runs, points)``; where sigma
        is NaN or not above 0 the sums are NaN.
    k
        Allowance in sigma: half the shift that should be found soonest.
    h
        Decision limit in sigma; 4.774 with 0.5 gives an in-control run length of 370.
    head_start
        Value in sigma at which both sums start in each span; ``h/2`` finds a process that starts
        off target sooner [2]_.
    spans
        Label of each run; the sums start again at a change of label. They do not start again by
        themselves after a signal: what was done about it is for the caller to say, by a new span.
    """
    a = arrays.matrix(x)
    arrays.require(k >= 0, "k", k, "0 or more")
    arrays.require(h > 0, "h", h, "above 0")
    arrays.require(0 <= head_start <= h, "head_start", head_start, f"from 0 to h ({h})")
    shape = (a.shape[0], a.shape[1])
    scale = arrays.per_point(sigma, shape, "sigma")
    scale = np.where(scale > 0, scale, np.nan)
    middle = arrays.per_point(center, shape, "center")
    begins = arrays.span_ages(spans, shape[0]) == 0
    # both sides of a run lie side by side, so that one step takes them together
    sums = np.empty((shape[0], 2, shape[1]))
    beyond = np.empty(sums.shape, dtype=bool)
    last = start = np.full(sums.shape[1:], head_start)
    for rows, _ in arrays.row_blocks(shape):
        own = arrays.rows_of(scale, rows)
        z = (a[rows] - arrays.rows_of(middle, rows)) / own
        missing, present = np.isnan(a[rows]) & ~np.isnan(own), ~np.isnan(z)
        np.subtract(z, k, out=sums[rows, 0])
        np.subtract(-k, z, out=sums[rows, 1])
        np.copyto(sums[rows], 0.0, where=missing[:, None])
        last = _accumulate(sums[rows], begins[rows], last, start)
        np.greater(sums[rows], h, out=beyond[rows])
        beyond[rows] &= present[:, None]
    return Cusum(
        upper=sums[:, 0], lower=sums[:, 1], rise=beyond[:, 0], fall=beyond[:, 1],
        k=k, h=h, head_start=head_start,
    )  # fmt: skip


def _accumulate(steps: Floats, begins: Bools, previous: Floats, start: Floats) -> Floats:
    """Turn steps into sums down the runs, in place, a run at a time; return the last."""
    zero = np.zeros_like(start)
    for row, new in zip(steps, begins.tolist(), strict=True):
        np.add(row, start if new else previous, out=row)
        np.maximum(row, zero, out=row)
        previous = row
    return previous


def onset(sums: Floats, spans: ArrayLike | None = None) -> Ints:
    """Return for each run the run at which its sum last left 0, ``(runs, points)``.

    At a signal this is the usual rough answer to "since when": the first run after the sum last
    stood at 0 (the first of the span where it never did). Where the sum is 0 it is the next run.
    """
    index = np.arange(sums.shape[0])[:, None]
    ages = arrays.span_ages(spans, sums.shape[0])[:, None]
    last_zero = np.maximum.accumulate(np.where(sums == 0, index, -1), axis=0)
    return np.asarray(np.maximum(last_zero + 1, index - ages))
