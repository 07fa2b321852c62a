"""Fits of the families at every point, each vectorised over points and their resamples.

Readings have shape (pieces, points), NaN for missing. A family that cannot hold the readings (a
lognormal of readings at or below zero, a fit without spread) gives NaN parameters.

References
----------
.. [1] Griffiths (1980), Interval estimation for the three-parameter lognormal distribution, Applied
   Statistics 29, 58-68, and Royston (1992), Estimation, reference ranges and goodness of fit for
   the three-parameter lognormal distribution, Statistics in Medicine 11, 897-912: the origin at
   which the logs have no skewness, where maximum likelihood has no finite answer.
.. [2] Storer, Swain, Venkatraman & Wilson (1988), Comparison of methods for fitting data using
   Johnson translation distributions, Winter Simulation Conference, 476-481: given origin and
   scale, gamma and delta follow from the mean and deviation of the transformed readings.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spc.capability.families import (
    FOLDED_NORMAL,
    JOHNSON_BOUNDED,
    JOHNSON_UNBOUNDED,
    LOGNORMAL,
    NORMAL,
    SHIFTED_LOGNORMAL,
    WEIBULL,
    Family,
)
from spc.capability.pattern_search import search

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_BISECTIONS = 40


def fit(family: Family, x: FloatArray, near: FloatArray | None = None) -> FloatArray:
    """Fit a family at every point.

    Parameters
    ----------
    family
        One of the families of `spc.capability.families`.
    x
        Readings, shape (pieces, points), NaN for missing.
    near
        Parameters to start from where the fit is a search, shape (parameters, points).

    Returns
    -------
    ndarray
        Parameters, shape (parameters, points); NaN where the family cannot hold the readings.
    """
    x = np.where(-_least(-x) > _least(x), x, np.nan)  # readings all alike have no shape
    if family in (JOHNSON_UNBOUNDED, JOHNSON_BOUNDED):
        return _johnson(family, x, near)
    plain: dict[str, Callable[[FloatArray], FloatArray]] = {
        NORMAL.name: _normal,
        LOGNORMAL.name: _lognormal,
        SHIFTED_LOGNORMAL.name: _shifted_lognormal,
        WEIBULL.name: _weibull,
        FOLDED_NORMAL.name: _folded,
    }
    return plain[family.name](x)


def moments(x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return number, mean and standard deviation (over n - 1) of every point."""
    seen = ~np.isnan(x)
    n = seen.sum(axis=0).astype(np.float64)
    some = np.maximum(n, 1.0)
    mean = np.where(seen, x, 0.0).sum(axis=0) / some
    square = (np.where(seen, x - mean, 0.0) ** 2).sum(axis=0)
    sd = np.sqrt(square / np.maximum(n - 1.0, 1.0))
    return n, np.where(n > 0, mean, np.nan), np.where(n > 1, sd, np.nan)


def _mean(x: FloatArray) -> FloatArray:
    seen = ~np.isnan(x)
    return np.asarray(np.where(seen, x, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1))


def _least(x: FloatArray) -> FloatArray:
    found = np.min(np.where(np.isnan(x), np.inf, x), axis=0, initial=np.inf)
    return np.where(np.isfinite(found), found, np.nan)


def _only(good: NDArray[np.bool_], parameters: list[FloatArray]) -> FloatArray:
    return np.where(good, np.stack(parameters), np.nan)


def _normal(x: FloatArray) -> FloatArray:
    _, mean, sd = moments(x)
    return _only(sd > 0.0, [mean, sd])


def _logs(x: FloatArray) -> FloatArray:
    """Take logs of readings above zero; NaN elsewhere."""
    above = x > 0.0
    return np.log(x, where=above, out=np.full_like(x, np.nan))


def _lognormal(x: FloatArray) -> FloatArray:
    _, mean, sd = moments(_logs(x))
    good = (_least(x) > 0.0) & (sd > 0.0)
    return _only(good, [np.ones_like(mean), np.zeros_like(mean), mean, sd])


def _skewness(x: FloatArray) -> FloatArray:
    away = x - _mean(x)
    spread = _mean(away**2)
    return _mean(away**3) / np.where(spread > 0.0, spread, np.nan) ** 1.5


def _shifted_lognormal(x: FloatArray) -> FloatArray:
    """Bisect for the origin at which the logs have no skewness [1]_."""
    side = np.where(_skewness(x) < 0.0, -1.0, 1.0)
    y = side * x
    least, (_, _, sd) = _least(y), moments(y)
    # The distance from the origin to the least reading, in log of standard deviations.
    low, high = np.full_like(sd, np.log(1e-6)), np.full_like(sd, np.log(1e4))
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        skewed = _skewness(_logs(y - least + sd * np.exp(middle))) < 0.0
        low, high = np.where(skewed, middle, low), np.where(skewed, high, middle)
    origin = least - sd * np.exp(0.5 * (low + high))
    _, mu, sigma = moments(_logs(y - origin))
    return _only(sigma > 0.0, [side, side * origin, mu, sigma])


def _weibull(x: FloatArray) -> FloatArray:
    """Bisect the likelihood equation of the shape; the scale follows."""
    good = _least(x) > 0.0
    logs = _logs(np.where(good, x, 1.0))
    middle = _mean(logs)
    logs = logs - middle
    largest = -_least(-logs)
    low, high = np.full_like(largest, np.log(0.02)), np.full_like(largest, np.log(500.0))
    for _ in range(_BISECTIONS):
        shape = np.exp(0.5 * (low + high))
        weight = np.exp(shape * (logs - largest))
        flat = _mean(weight * logs) / _mean(weight) < 1.0 / shape
        low, high = np.where(flat, np.log(shape), low), np.where(flat, high, np.log(shape))
    shape = np.exp(0.5 * (low + high))
    weight = np.exp(shape * (logs - largest))
    return _only(good, [np.exp(middle + largest + np.log(_mean(weight)) / shape), shape])


def _folded(x: FloatArray) -> FloatArray:
    """Bisect the likelihood equation of the distance; 0 unless the likelihood gains by more.

    At a distance of zero the likelihood has no slope, and half of all fits would stray from it; it
    is left only for a gain above half the log of n, Schwarz's price of one parameter.
    """
    square = _mean(x**2)
    n, _, spread = moments(x)
    good = (_least(x) >= 0.0) & (spread > 0.0)
    root = np.where(good, np.sqrt(square), 1.0)
    y = np.where(good, x / root, np.nan)

    def low_enough(away: FloatArray) -> NDArray[np.bool_]:
        return _mean(y * np.tanh(away * y / np.maximum(1.0 - away**2, 1e-12))) > away

    low, high = np.full_like(root, 1e-4), np.ones_like(root)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        more = low_enough(middle)
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    away = 0.5 * (low + high)
    sd = np.sqrt(np.maximum(1.0 - away**2, 1e-12))
    half = _mean(FOLDED_NORMAL.log_density(y, np.stack([np.zeros_like(root), np.ones_like(root)])))
    full = _mean(FOLDED_NORMAL.log_density(y, np.stack([away, sd])))
    folded = n * (full - half) > 0.5 * np.log(np.maximum(n, 1.0))
    parameters = [np.where(folded, away, 0.0) * root, np.where(folded, sd, 1.0) * root]
    return _only(good, parameters)


def _johnson(family: Family, x: FloatArray, near: FloatArray | None) -> FloatArray:
    """Search origin and scale for the largest likelihood, the other two profiled out [2]_."""
    _, mean, sd = moments(x)
    good = sd > 0.0
    centre, unit = np.where(good, mean, 0.0), np.where(good, sd, 1.0)
    y = np.where(good, (x - centre) / unit, np.nan)
    bounded = family is JOHNSON_BOUNDED
    ends = (_least(y), -_least(-y)) if bounded else None

    def profile(a: FloatArray, b: FloatArray, at: IntArray) -> FloatArray:
        some = None if ends is None else (ends[0][at], ends[1][at])
        return _profile(y[:, at], *_place(a, b, some), bounded=bounded)

    start = None
    if near is not None:
        start = _start((near[2] - centre) / unit, near[3] / unit, ends)
    # In standard deviations: ends no nearer than 1/100 to a reading, for the likelihood has no
    # maximum there, and none farther than 30, where the shape is a lognormal or a normal already.
    box = ((-4.6, 3.4), (-4.6, 3.4)) if bounded else ((-8.0, 8.0), (-2.5, 3.0))
    xi, lam = _place(*search(profile, box, mean.size, start), ends)
    _, middle, spread = moments(_transform((y - xi) / lam, bounded=bounded))
    spread = np.where(spread > 0.0, spread, np.nan)
    return _only(good, [-middle / spread, 1.0 / spread, centre + unit * xi, unit * lam])


def _place(
    a: FloatArray, b: FloatArray, ends: tuple[FloatArray, FloatArray] | None
) -> tuple[FloatArray, FloatArray]:
    """Turn searched numbers (origin and log scale, or logs of end distances) into origin, scale."""
    if ends is None:
        return a, np.exp(b)
    xi = ends[0] - np.exp(a)
    return xi, ends[1] + np.exp(b) - xi


def _start(
    xi: FloatArray, lam: FloatArray, ends: tuple[FloatArray, FloatArray] | None
) -> tuple[FloatArray, FloatArray]:
    """Find the searched numbers at an origin and scale (`_place` backwards); NaN is 0 and 1."""
    xi, lam = np.nan_to_num(xi), np.nan_to_num(lam, nan=1.0)
    if ends is None:
        return xi, np.log(lam)
    return (
        np.log(np.maximum(ends[0] - xi, 1e-3)),
        np.log(np.maximum(xi + lam - ends[1], 1e-3)),
    )


def _transform(u: FloatArray, *, bounded: bool) -> FloatArray:
    return np.log(u) - np.log1p(-u) if bounded else np.arcsinh(u)


def _profile(y: FloatArray, xi: FloatArray, lam: FloatArray, *, bounded: bool) -> FloatArray:
    """Log likelihood a reading, up to a constant, at the best gamma and delta."""
    u = (y - xi) / lam
    f = _transform(u, bounded=bounded)
    slope = -np.log(u) - np.log1p(-u) if bounded else -0.5 * np.log1p(u**2)
    away = f - _mean(f)
    spread = _mean(away**2)
    return np.asarray(
        _mean(slope) - np.log(lam) - 0.5 * np.log(np.where(spread > 0.0, spread, np.nan))
    )
