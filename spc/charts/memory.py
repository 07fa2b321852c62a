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
    """An exponentially weighted moving average and its limits, ``(runs, points)`` throughout.

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
        Number of values seen so far in the span.
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
    ages = arrays.span_ages(spans, shape[0])
    dev = a - middle
    missing = np.isnan(dev)
    state = np.where(missing, 0.0, dev)
    seen = _seen(missing, ages)
    _average(state, missing, ages, lam)
    if scale.ndim == 2 and scale.shape[0] > 1:
        variance = np.where(missing, np.nan, np.broadcast_to(scale, shape)) ** 2
        half = width * np.sqrt(_variance(variance, missing, ages, lam))
    else:
        half = scale * (width * _growth(seen, lam))
    beyond = (np.abs(state) > half) & ~missing
    half = np.broadcast_to(half, shape)
    return Ewma(z=state + middle, lower=middle - half, upper=middle + half, beyond=beyond,
                n=np.broadcast_to(seen, shape), lam=lam, width=width)  # fmt: skip


def _seen(missing: Bools, ages: Ints) -> Ints:
    """Count the values of the span up to each run, ``(runs, 1)`` where none is missing."""
    if not missing.any():
        return ages[:, None] + 1
    total = np.cumsum(~missing, axis=0)
    first = np.arange(len(ages)) - ages
    before = np.concatenate([np.zeros((1, missing.shape[1]), dtype=total.dtype), total])[first]
    return np.asarray(total - before)


def _growth(seen: Ints, lam: float) -> Floats:
    """Return the standard deviation of the average of ``seen`` values, for sigma 1."""
    top = int(seen.max(initial=0))
    done = -np.expm1(2 * np.arange(top + 1) * np.log1p(-lam)) if lam < 1 else np.ones(top + 1)
    return np.asarray(np.sqrt(lam / (2 - lam) * done)[seen])


def _average(state: Floats, missing: Bools, ages: Ints, lam: float) -> None:
    """Run the recursion down the runs in place; one row of points at a time."""
    gaps = np.asarray(missing.any(axis=1))
    previous = np.zeros(state.shape[1])
    for row, gap, age, lost in zip(state, gaps, ages, missing, strict=True):
        if age == 0:
            previous = np.zeros(state.shape[1])
        row *= lam
        row += np.where(lost, previous, (1 - lam) * previous) if gap else (1 - lam) * previous
        previous = row


def _variance(variance: Floats, missing: Bools, ages: Ints, lam: float) -> Floats:
    previous = np.zeros(variance.shape[1])
    for row, lost, age in zip(variance, missing, ages, strict=True):
        if age == 0:
            previous = np.zeros(variance.shape[1])
        row[:] = np.where(lost, previous, (1 - lam) ** 2 * previous + lam**2 * row)
        previous = row
    return variance
