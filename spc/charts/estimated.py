"""What limits estimated from few pieces really promise.

Limits from m pieces are themselves random: one shop's are too narrow, another's too wide. This
tells the false-alarm rate on average over shops and how it spreads, for single values with a
normal law.

References
----------
.. [1] Quesenberry, C. P. (1993). The effect of sample size on estimated limits for X-bar and X
       control charts. Journal of Quality Technology 25, 237-247.
.. [2] Jensen, W. A., Jones-Farmer, L. A., Champ, C. W. and Woodall, W. H. (2006). Effects of
       parameter estimation on control chart properties: a literature review. Journal of Quality
       Technology 38, 349-364.
.. [3] Fang, F. and Oosterlee, C. W. (2008). A novel pricing method for European options based on
       Fourier-cosine series expansions. SIAM Journal on Scientific Computing 31, 826-848.
"""

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import roots_hermitenorm

from spc.charts import arrays
from spc.charts.arrays import Floats
from spc.charts.constants import c4, d2, gauss_legendre
from spc.charts.sigma import (
    MOVING_RANGE,
    STANDARD_DEVIATION,
    range_df,
    relative_variance_of_mean_range,
)
from spc.charts.tails import chi2_isf, normal_sf

MANY = 150
"""Pieces from which the mean moving range is close enough to a chi."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatedLimits:
    """False alarms of limits that stand on ``m`` pieces.

    Parameters
    ----------
    m
        Pieces that the limits stand on.
    width
        Distance of the limits from the centre in the estimated sigma.
    promised
        False-alarm rate of a piece if centre and sigma were known.
    mean_rate
        Rate of a piece on average over shops.
    low_rate, median_rate, high_rate
        10 %, 50 % and 90 % points of the rate over shops.
    median_gap, short_gap
        Mean number of pieces between false alarms in the middling shop, and in the one shop in
        ten that is worst off.
    any_in
        Probability of one or more false alarms among the next ``pieces``.
    pieces
        Number of pieces that ``any_in`` looks at.
    sigma_low, sigma_high
        Where the estimated sigma lies in 95 % of shops, as a factor on the true one.
    method
        How sigma is estimated and how this was found, in words.
    """

    m: int
    width: float
    promised: float
    mean_rate: float
    low_rate: float
    median_rate: float
    high_rate: float
    median_gap: float
    short_gap: float
    any_in: float
    pieces: int
    sigma_low: float
    sigma_high: float
    method: str


@cache  # A page of many charts asks the same of each of them.
def estimated_limits(
    m: int, *, width: float = 3.0, estimator: str = MOVING_RANGE, pieces: int = 100
) -> EstimatedLimits:
    """Tell what limits of single values from ``m`` pieces promise [1]_ [2]_.

    Parameters
    ----------
    m
        Pieces in the baseline, without gaps.
    width
        Distance of the limits from the centre in the estimated sigma.
    estimator
        ``moving range`` (of two, mean / 1.128) or ``standard deviation``.
    pieces
        Number of pieces to come for which the chance of any false alarm is told.

    Notes
    -----
    Mean and sigma are independent. The mean is normal, the standard deviation a chi, and the law
    of the mean moving range is computed, not approximated by a chi, which would overstate the
    false alarms.
    """
    _checked(m, width, estimator)
    rate, weight, sigma, sigma_weight = _shops(m, width, estimator)
    low, median, high = _quantiles(rate, weight, (0.1, 0.5, 0.9))
    narrow, wide = _quantiles(sigma, sigma_weight, (0.025, 0.975))
    return EstimatedLimits(
        m=m, width=width, promised=2 * float(normal_sf(width)), mean_rate=float(weight @ rate),
        low_rate=low, median_rate=median, high_rate=high, median_gap=1 / median, short_gap=1 / high,
        any_in=float(weight @ -np.expm1(pieces * np.log1p(-rate))), pieces=pieces,
        sigma_low=narrow, sigma_high=wide, method=f"{estimator}; normal law, quadrature over shops",
    )  # fmt: skip


def width_for_rate(m: int, rate: float, *, estimator: str = MOVING_RANGE) -> float:
    """Return the width of limits from ``m`` pieces whose average false-alarm rate is ``rate``.

    Examples
    --------
    >>> round(width_for_rate(25, 0.0027), 2)
    3.57
    """
    arrays.require(0 < rate < 0.5, "rate", rate, "between 0 and 0.5")
    _checked(m, 3.0, estimator)

    def excess(width: float) -> float:
        found, weight, _, _ = _shops(m, width, estimator)
        return float(np.log(weight @ found / rate))

    high = 1.0
    while excess(high) > 0:
        high *= 1.5
    return float(brentq(excess, 0.1, high, xtol=1e-9))


def _checked(m: int, width: float, estimator: str) -> None:
    arrays.require(m >= 5, "m", m, "5 or more")
    arrays.require(width > 0, "width", width, "above 0")
    kinds = (MOVING_RANGE, STANDARD_DEVIATION)
    arrays.require(estimator in kinds, "estimator", repr(estimator), f"one of {kinds}")


def _shops(m: int, width: float, estimator: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Return false-alarm rates of shops with their weights, and estimated sigmas with theirs."""
    node, node_weight = roots_hermitenorm(31)
    center = node / np.sqrt(m)
    sigma, sigma_weight = mean_range_law(m) if estimator == MOVING_RANGE else _sd_law(m - 1.0)
    half = width * sigma[:, None]
    rate = normal_sf(half - center) + normal_sf(half + center)
    weight = sigma_weight[:, None] * (node_weight / node_weight.sum())
    return rate.ravel(), weight.ravel(), sigma, sigma_weight


def _sd_law(df: float) -> tuple[Floats, Floats]:
    """Return values of s / sigma with ``df`` degrees of freedom, and their weights: a chi."""
    unit, weight = gauss_legendre(200)
    # the square of the node crowds values where sigma is small and alarms are many
    u = ((unit + 1) / 2) ** 2
    return np.sqrt(chi2_isf(1 - u, df) / df), weight / 2 * (unit + 1)


@lru_cache(maxsize=64)
def mean_range_law(m: int) -> tuple[Floats, Floats]:
    """Return values of (mean moving range / d2) / sigma from m pieces with their weights.

    The density of the sum of ranges is summed as a cosine series of its characteristic function
    [3]_, which is an (m − 1)-fold integral over neighbouring values, taken value by value on a
    grid. From many ranges it is the chi of the same mean and variance, to two parts in a thousand
    of the rate.
    """
    ranges = m - 1
    if m > MANY:
        df = float(range_df(np.array(ranges), 2))
        sigma, mass = _sd_law(df)
        return sigma / c4(df + 1), mass
    center = ranges * d2(2)
    spread = center * float(relative_variance_of_mean_range(np.array(ranges))) ** 0.5
    top = center + 12 * spread
    terms = max(128, int(np.ceil(top / spread * 6)))
    frequency = np.arange(terms) * np.pi / top
    unit, weight = gauss_legendre(400)
    total = (unit + 1) * top / 2
    wave = np.cos(frequency * total[:, None])
    wave[:, 0] *= 0.5
    density = wave @ _range_transform(ranges, frequency) * (2 / top)
    mass = np.maximum(density, 0.0) * weight * top / 2
    return total / center, mass / mass.sum()


def _range_transform(ranges: int, frequency: Floats) -> Floats:
    """Return E cos(frequency · sum of ``ranges`` neighbouring ranges of standard normals)."""
    x, step = np.linspace(-5.5, 5.5, 61, retstep=True)
    density = np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi) * step
    distance = np.abs(x[:, None] - x)
    out = np.zeros(len(frequency))
    for k, u in enumerate(frequency):
        kernel = np.exp(1j * u * distance)
        # the trapezoidal rule at the kink of |x − y|, to fourth order in the step
        kernel[np.diag_indices(len(x))] += 1j * u * step / 6
        row = density.astype(complex)
        for _ in range(ranges):
            row = (row @ kernel) * density
        out[k] = row.sum().real
        if abs(row.sum()) < 1e-13:
            break
    return out


def _quantiles(value: Floats, weight: Floats, at: tuple[float, ...]) -> list[float]:
    order = np.argsort(value)
    heaped = np.cumsum(weight[order]) - weight[order] / 2
    return [float(v) for v in np.interp(at, heaped / weight.sum(), value[order])]
