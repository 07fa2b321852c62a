"""What a chart takes for granted: values that do not hang together, and a normal law.

References
----------
.. [1] Box, G. E. P. and Jenkins, G. M. (1970). Time Series Analysis: Forecasting and Control.
.. [2] Moran, P. A. P. (1948). Some theorems on time series: II. Biometrika 35, 255-260.
.. [3] Wald, A. and Wolfowitz, J. (1940). On a test whether two samples are from the same
       population. Annals of Mathematical Statistics 11, 147-162.
.. [4] Stephens, M. A. in D'Agostino, R. B. and Stephens, M. A. (eds) (1986). Goodness-of-Fit
       Techniques, table 4.9.
.. [5] D'Agostino, R. B. (1970). Transformation to normality of the null distribution of g1.
       Biometrika 57, 679-681.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.sigma import mean as mean_down
from spc.charts.sigma import sample_sd
from spc.charts.tails import normal_sf

FEWEST = 8
"""Fewest values on which any of these is tested."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Check:
    """One property tested at each point.

    Parameters
    ----------
    value
        The figure itself (autocorrelation, skewness, ...), ``(points,)``.
    statistic
        What it is tested by, ``(points,)``.
    p
        Probability of one as far out if the property held, ``(points,)``; NaN where ``notes``
        says why.
    n
        Values (or pairs of neighbours) that it stands on, ``(points,)``.
    method
        Name of the test.
    notes
        One text a point, empty where there is nothing to say.
    """

    value: Floats
    statistic: Floats
    p: Floats
    n: Ints
    method: str
    notes: tuple[str, ...]


def autocorrelation(x: ArrayLike, lags: int, *, spans: ArrayLike | None = None) -> Floats:
    """Return autocorrelations at lags 0 to ``lags``, ``(lags + 1, points)`` [1]_.

    Parameters
    ----------
    x
        Values in time order, ``(runs, points)``, NaN where missing; a pair with a missing value
        is left out of the sum, which is then scaled up to the full number of pairs.
    lags
        Largest lag.
    spans
        Label of each run; no pair is taken across a change of label.
    """
    a = arrays.matrix(x)
    runs = a.shape[0]
    arrays.require(0 <= lags < max(runs, 1), "lags", lags, f"from 0 to {runs - 1}")
    ages = arrays.span_ages(spans, runs)
    present = ~np.isnan(a)
    off = np.where(present, a - mean_down(a), 0.0)
    count = present.sum(axis=0)
    out = np.full((lags + 1, a.shape[1]), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):  # no spread, no pair: NaN
        variance = (off**2).sum(axis=0) / count
        for lag in range(lags + 1):
            joined = present[lag:] & present[: runs - lag] & (ages[lag:] >= lag)[:, None]
            pairs = joined.sum(axis=0)
            total = (off[lag:] * off[: runs - lag] * joined).sum(axis=0)
            full = np.maximum(count - lag, 0)
            out[lag] = total / pairs * full / count / variance
    return out


def lag_one_test(x: ArrayLike, *, spans: ArrayLike | None = None) -> Check:
    """Test whether neighbouring values hang together, by the lag-one autocorrelation [1]_.

    Parameters
    ----------
    x, spans
        As for `autocorrelation`.

    Returns
    -------
    Check
        ``value`` is r1, ``statistic`` is r1 less its mean −1/n over its standard deviation
        (n − 2)/(n √(n − 1)) [2]_. With r1 above 0 moving
        ranges make sigma too small by √(1 − r1), and run rules suffer more than the limits.
    """
    a = arrays.matrix(x)
    ages = arrays.span_ages(spans, a.shape[0])
    joined = ~np.isnan(a[1:]) & ~np.isnan(a[:-1]) & (ages[1:] > 0)[:, None]
    n = joined.sum(axis=0)
    r = autocorrelation(a, 1, spans=spans)[1] if len(a) > 1 else np.full(a.shape[1], np.nan)
    count = np.maximum((~np.isnan(a)).sum(axis=0), 1)
    z = (r + 1 / count) * (n + 1) * np.sqrt(n) / np.maximum(n - 1, 1)
    return _check(
        r, z, 2 * normal_sf(np.abs(z)), n, "lag-one autocorrelation", "pairs of neighbours"
    )


def runs_test(x: ArrayLike) -> Check:
    """Test for too few or too many runs above and below the median [3]_.

    Parameters
    ----------
    x
        Values in time order, ``(runs, points)``; missing ones are closed up, values equal to the
        median count as above it.

    Returns
    -------
    Check
        ``value`` is the number of runs, ``statistic`` its normal score: below 0 for values that
        hang together, above 0 for values that alternate.
    """
    a = arrays.matrix(x)
    n = (~np.isnan(a)).sum(axis=0)
    count, upper = np.zeros(len(n)), np.zeros(len(n))
    for j, column in enumerate(a.T):
        seen = column[~np.isnan(column)]
        if seen.size:
            above = seen >= np.median(seen)
            count[j], upper[j] = 1 + np.count_nonzero(above[1:] != above[:-1]), above.sum()
    lower = n - upper
    with np.errstate(invalid="ignore", divide="ignore"):  # all on one side: NaN
        product = 2 * upper * lower
        expected = product / n + 1
        z = (count - expected) / np.sqrt(product * (product - n) / (n**2 * (n - 1.0)))
    return _check(count, z, 2 * normal_sf(np.abs(z)), n, "runs about the median", "values")


def normality_test(x: ArrayLike) -> Check:
    """Test the normal law by Anderson and Darling's statistic, mean and sigma estimated [4]_.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing.

    Returns
    -------
    Check
        ``value`` is A², ``statistic`` is A² (1 + 0.75/n + 2.25/n²).
    """
    a = arrays.matrix(x)
    n = (~np.isnan(a)).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):  # no spread: NaN
        z = np.sort((a - mean_down(a)) / sample_sd(a), axis=0)  # NaN last
    rank = np.arange(1, len(a) + 1)[:, None]
    mirrored = np.take_along_axis(z, np.clip(n - rank, 0, None), axis=0) if len(a) else z
    terms = (2 * rank - 1) * (log_ndtr(z) + log_ndtr(-mirrored))
    with np.errstate(invalid="ignore", divide="ignore"):  # no value: NaN
        value = -n - np.where(rank <= n, terms, 0.0).sum(axis=0) / n
        statistic = value * (1 + 0.75 / n + 2.25 / n**2)
    return _check(value, statistic, _anderson_darling_p(statistic), n, "Anderson-Darling", "values")


def skewness_test(x: ArrayLike) -> Check:
    """Test symmetry by the sample skewness [5]_.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing.

    Returns
    -------
    Check
        ``value`` is √b1 = m3 / m2^1.5, ``statistic`` its normal score. Limits at three sigma on
        skewed single values give false alarms on the long side.
    """
    a = arrays.matrix(x)
    present = ~np.isnan(a)
    n = present.sum(axis=0)
    off = np.where(present, a - mean_down(a), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):  # no spread, few values: NaN
        skew = (off**3).sum(axis=0) / n / ((off**2).sum(axis=0) / n) ** 1.5
        y = skew * np.sqrt((n + 1.0) * (n + 3) / (6 * (n - 2.0)))
        beta = 3.0 * (n**2 + 27.0 * n - 70) * (n + 1) * (n + 3)
        beta /= (n - 2.0) * (n + 5.0) * (n + 7.0) * (n + 9.0)
        w2 = np.sqrt(2 * (beta - 1)) - 1
        z = np.arcsinh(y / np.sqrt(2 / (w2 - 1))) / np.sqrt(0.5 * np.log(w2))
    return _check(skew, z, 2 * normal_sf(np.abs(z)), n, "skewness", "values")


def _anderson_darling_p(a: Floats) -> Floats:
    # beyond its lowest point the quadratic in the exponent would turn up again
    high = np.minimum(a, 5.709 / (2 * 0.0186))
    return np.select(
        [a >= 0.6, a >= 0.34, a >= 0.2, a < 0.2],
        [
            np.exp(1.2937 - 5.709 * high + 0.0186 * high**2),
            np.exp(0.9177 - 4.279 * a - 1.38 * a**2),
            -np.expm1(-8.318 + 42.796 * a - 59.938 * a**2),
            -np.expm1(-13.436 + 101.14 * a - 223.73 * a**2),
        ],
        np.nan,
    )


def _check(value: Floats, statistic: Floats, p: Floats, n: Ints, method: str, what: str) -> Check:
    tested = (n >= FEWEST) & np.isfinite(statistic)
    notes = tuple(
        ""
        if ok
        else f"{k} {what}: not tested below {FEWEST}"
        if k < FEWEST
        else "values do not vary"
        for ok, k in zip(tested, n, strict=True)
    )
    return Check(value=value, statistic=np.where(tested, statistic, np.nan),
                 p=np.where(tested, np.minimum(p, 1.0), np.nan), n=n, method=method,
                 notes=notes)  # fmt: skip
