"""Figures that cannot be negative and lean to one side: noise estimates, largest residuals.

References
----------
.. [1] Wilson, E. B. and Hilferty, M. M. (1931). The distribution of chi-square. Proceedings of
       the National Academy of Sciences 17, 684-688.
.. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1, control of a check standard's
       precision.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Floats
from spc.charts.limits import FEWEST, IndividualsLimits, individuals_limits
from spc.charts.sigma import MOVING_RANGE
from spc.charts.tails import chi2_isf, f_isf, normal_sf

TWO_THIRDS = 2 / 3
"""Power of a standard deviation whose law is nearly normal: the cube root of a variance [1]_."""


def straighten(s: ArrayLike, power: float = TWO_THIRDS) -> Floats:
    """Return ``s``, 0 or more, to a power that makes a noise estimate nearly normal."""
    a = np.asarray(s, dtype=np.float64)
    low = a.min(initial=0.0, where=~np.isnan(a))
    arrays.require(bool(low >= 0), "s", low, "0 or more")
    return np.asarray(a**power)


def bend_back(value: ArrayLike, power: float = TWO_THIRDS) -> Floats:
    """Return what `straighten` came from; below 0 it is 0."""
    return np.asarray(np.maximum(np.asarray(value, dtype=np.float64), 0.0) ** (1 / power))


def wilson_hilferty(sigma: ArrayLike, df: ArrayLike) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of the two-thirds power of s [1]_; ``df`` are those of s.

    Examples
    --------
    >>> mean, sd = wilson_hilferty(1.0, 3)
    >>> round(float(mean), 4), round(float(sd), 4)
    (0.9259, 0.2722)
    """
    f = np.asarray(df, dtype=np.float64)
    unit = np.asarray(sigma, dtype=np.float64) ** TWO_THIRDS
    return np.asarray(unit * (1 - 2 / (9 * f))), np.asarray(unit * np.sqrt(2 / (9 * f)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PowerLimits:
    """Limits of a figure that leans to one side, set where its power is nearly normal.

    Parameters
    ----------
    center, lower, upper
        In the unit of the figure, ``(points,)``; the centre is near the median.
    power
        The power.
    inner
        The limits of the power itself, with counts and notes.
    """

    center: Floats
    lower: Floats
    upper: Floats
    power: float
    inner: IndividualsLimits


def power_limits(
    s: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    power: float = TWO_THIRDS,
    spans: ArrayLike | None = None,
    estimator: str = MOVING_RANGE,
    width: float = 3.0,
    fewest: int = FEWEST,
) -> PowerLimits:
    """Set limits for a noise estimate or a largest residual from its own history.

    Parameters
    ----------
    s
        Figures, 0 or more, ``(runs, points)``, NaN where missing.
    baseline, spans, estimator, width, fewest
        As for `spc.charts.limits.individuals_limits`, applied to the power.
    power
        2/3 suits a standard deviation: with three degrees of freedom limits at three sigma are
        passed by 0.13 % instead of 0.27 %, with more of them the closer to it. 1 leaves all as it
        is.
    """
    arrays.require(0 < power <= 1, "power", power, "above 0 and at most 1")
    inner = individuals_limits(straighten(s, power), baseline, spans=spans, estimator=estimator,
                               width=width, fewest=fewest)  # fmt: skip
    center, lower, upper = (bend_back(v, power) for v in (inner.center, inner.lower, inner.upper))
    return PowerLimits(center=center, lower=lower, upper=upper, power=power, inner=inner)


def chi_limits(
    sigma: ArrayLike, df: ArrayLike, *, alpha: float | None = None
) -> tuple[Floats, Floats]:
    """Return exact limits of s with ``df`` degrees of freedom where sigma is known.

    Parameters
    ----------
    sigma
        Known standard deviation, any shape.
    df
        Degrees of freedom of each s, broadcast against ``sigma``.
    alpha
        Probability beyond the two limits together, half on each side; None means that of 3 sigma.

    Examples
    --------
    >>> [round(float(v), 2) for v in chi_limits(1.0, 18)]
    [0.53, 1.52]
    """
    tail = float(normal_sf(3.0)) if alpha is None else alpha / 2
    arrays.require(0 < tail < 0.5, "alpha", alpha, "between 0 and 1")
    f, unit = np.asarray(df, dtype=np.float64), np.asarray(sigma, dtype=np.float64)
    low, high = chi2_isf(1 - tail, f), chi2_isf(tail, f)
    return np.asarray(unit * np.sqrt(low / f)), np.asarray(unit * np.sqrt(high / f))


def upper_limit_from_pooled(
    pooled: ArrayLike, pooled_df: ArrayLike, df: ArrayLike, *, alpha: float = 0.05
) -> Floats:
    """Return the upper limit of a new s against a pooled one: ``pooled · sqrt(F)`` [2]_.

    Parameters
    ----------
    pooled, pooled_df
        Pooled standard deviation of the history and its degrees of freedom.
    df
        Degrees of freedom of the new s.
    alpha
        False-alarm probability.
    """
    arrays.require(0 < alpha < 1, "alpha", alpha, "between 0 and 1")
    ratio = np.sqrt(f_isf(alpha, df, pooled_df))
    return np.asarray(np.asarray(pooled, dtype=np.float64) * ratio)
