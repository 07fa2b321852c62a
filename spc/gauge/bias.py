"""Bias against a reference and how it changes over the size range.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sections 2.4.5.1 (bias) and 2.4.5.2
   (linearity).
.. [2] AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter III section B (bias, linearity).
.. [3] JCGM 100:2008 (GUM), annex G.4 (effective degrees of freedom).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, IntArray, level_of, measurements
from spc.gauge.band import Band


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bias:
    """Mean difference from a reference at each point.

    Parameters
    ----------
    bias
        Mean less reference with its t interval, mm.
    sd
        Standard deviation of the values, (points,), mm.
    n
        Values used, (points,).
    dof
        Effective degrees of freedom of the interval, (points,).
    t, p
        Bias over its standard uncertainty and the two-sided probability of so large a one by
        chance, (points,).
    """

    bias: Band
    sd: FloatArray
    n: IntArray
    dof: FloatArray
    t: FloatArray
    p: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Linearity:
    """Straight line of bias over the reference value at each point.

    Parameters
    ----------
    slope
        Change of bias over change of reference (mm a mm) with its t interval.
    middle
        Bias at the mean of the references, mm, with its t interval.
    slope_p, middle_p
        Two-sided probabilities of so large values by chance, (points,).
    at
        The different references, (references,), mm.
    line, line_low, line_high
        Bias on the line at each of them and its interval, (references, points), mm.
    residual_sd
        Standard deviation about the line, (points,), mm.
    n
        Values used, (points,).
    bend_f, bend_p
        F of the references' means about the line against the scatter inside references and its
        upper tail, (points,); NaN without repeats or with fewer than three references.
    note
        What the reader must know.
    """

    slope: Band
    middle: Band
    slope_p: FloatArray
    middle_p: FloatArray
    at: FloatArray
    line: FloatArray
    line_low: FloatArray
    line_high: FloatArray
    residual_sd: FloatArray
    n: IntArray
    bend_f: FloatArray
    bend_p: FloatArray
    note: str


def bias(
    y: ArrayLike, reference: ArrayLike = 0.0, *, reference_u: float = 0.0, level: float = 0.95
) -> Bias:
    """Return the mean difference from a reference with its interval [1]_.

    Parameters
    ----------
    y
        Repeated values in mm, (values, points) or (values,); NaN where missing. Differences of
        pairs may be given with the reference left at zero.
    reference
        Reference value, one number or (points,), mm.
    reference_u
        Standard uncertainty of the reference, mm, taken as known (infinite degrees of freedom); it
        widens the interval by Welch and Satterthwaite [3]_.
    level
        Confidence level as a fraction.

    Returns
    -------
    Bias
        NaN at points with fewer than two values.
    """
    array, level = measurements(y), level_of(level)
    if reference_u < 0:
        raise DataError(f"the reference's uncertainty must not be below zero, not {reference_u}")
    n, mean, variance = moments(array)
    value = mean - np.asarray(reference, dtype=np.float64)
    own = variance / np.maximum(n, 1)
    error = own + reference_u**2
    with np.errstate(divide="ignore", invalid="ignore"):  # nothing varies, or too few values
        dof = np.where(own > 0, (n - 1) * (error / own) ** 2, np.maximum(n - 1.0, 1.0))
        t = value / np.sqrt(error)
    half = special.stdtrit(np.maximum(dof, 1.0), (1.0 + level) / 2.0) * np.sqrt(error)
    few = "fewer than two values at this point" if (n < 2).any() else ""
    band = Band(
        value=np.where(n < 2, np.nan, value),
        low=value - half,
        high=value + half,
        level=level,
        method="t interval",
        note=few,
    )
    return Bias(bias=band, sd=np.sqrt(variance), n=n, dof=dof, t=t, p=two_sided(t, dof))


def linearity(y: ArrayLike, reference: ArrayLike, *, level: float = 0.95) -> Linearity:
    """Return the straight line of bias over reference with its intervals [1]_, [2]_.

    Parameters
    ----------
    y
        Values in mm, (values, points) or (values,); NaN where missing.
    reference
        Reference of each value, (values,), mm. For an arm these are lengths, or places in its
        volume put on one axis.
    level
        Confidence level as a fraction.

    Returns
    -------
    Linearity

    Raises
    ------
    DataError
        With fewer than two different references, or fewer than three values at some point.
    """
    array, level = measurements(y), level_of(level)
    x = np.asarray(reference, dtype=np.float64)
    if x.shape != (array.shape[0],) or not np.isfinite(x).all():
        raise DataError(f"reference must be one finite value a row, shape ({array.shape[0]},)")
    at, group = np.unique(x, return_inverse=True)
    have = ~np.isnan(array)
    n = have.sum(axis=0)
    if at.size < 2 or (n < 3).any():
        raise DataError(f"a line needs 2 references and 3 values, not {at.size} and {n.min()}")
    d = np.where(have, array - x[:, None], 0.0)
    centre = (have * x[:, None]).sum(axis=0) / n
    u = np.where(have, x[:, None] - centre, 0.0)
    width = np.square(u).sum(axis=0)
    if (width <= 0).any():
        raise DataError("a point has values at one reference only: no line")
    middle = d.sum(axis=0) / n
    slope = (u * d).sum(axis=0) / width
    left = np.where(have, d - middle - slope * u, 0.0)
    dof = n - 2.0
    sd = np.sqrt(np.square(left).sum(axis=0) / dof)
    quantile = special.stdtrit(dof, (1.0 + level) / 2.0)
    reach = np.sqrt(1.0 / n + (at[:, None] - centre) ** 2 / width) * sd * quantile
    line = middle + slope * (at[:, None] - centre)
    bend_f, bend_p = _bend(left, have, group, dof)
    slope_band, slope_p = _t_band(slope, sd / np.sqrt(width), dof, level)
    middle_band, middle_p = _t_band(middle, sd / np.sqrt(n), dof, level)
    return Linearity(
        slope=slope_band,
        middle=middle_band,
        slope_p=slope_p,
        middle_p=middle_p,
        at=at,
        line=line,
        line_low=line - reach,
        line_high=line + reach,
        residual_sd=sd,
        n=n.astype(np.int64),
        bend_f=bend_f,
        bend_p=bend_p,
        note="" if at.size >= 5 else f"{at.size} references: five or more are usual",
    )


def moments(y: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return number, mean and variance of each column without its missing values.

    Variances are NaN for fewer than two values; equal values have exactly none.
    """
    have = ~np.isnan(y)
    n = have.sum(axis=0)
    first = np.take_along_axis(y, have.argmax(axis=0)[None], axis=0)
    moved = np.where(have, y - first, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # empty columns
        shift = moved.sum(axis=0) / n
        left = np.where(have, moved - shift, 0.0)
        variance = np.where(n > 1, np.square(left).sum(axis=0) / (n - 1.0), np.nan)
    return n.astype(np.int64), first[0] + shift, variance


def two_sided(t: FloatArray, dof: FloatArray) -> FloatArray:
    """Return the two-sided tail probability of t."""
    tail = special.stdtr(np.maximum(dof, 1.0), -np.abs(t))
    return np.asarray(np.where(np.isinf(t), 0.0, 2.0 * tail), dtype=np.float64)


def _t_band(
    value: FloatArray, error: FloatArray, dof: FloatArray, level: float
) -> tuple[Band, FloatArray]:
    half = special.stdtrit(dof, (1.0 + level) / 2.0) * error
    band = Band(value=value, low=value - half, high=value + half, level=level, method="t interval")
    with np.errstate(divide="ignore", invalid="ignore"):  # no scatter at all
        return band, two_sided(value / error, dof)


def _bend(
    left: FloatArray, have: FloatArray, group: IntArray, dof: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return F of the means of references about the line, and its upper tail."""
    levels = int(group.max()) + 1
    member = (group[:, None] == np.arange(levels)).astype(np.float64)
    number, total = member.T @ have, member.T @ left
    with np.errstate(divide="ignore", invalid="ignore"):  # no repeats, or two references only
        about = np.where(number > 0, total**2 / number, 0.0).sum(axis=0)
        about_dof = (number > 0).sum(axis=0) - 2.0
        inside_dof = dof - about_dof
        inside = np.square(left).sum(axis=0) - about
        f = np.where(about_dof > 0, (about / about_dof) / (inside / inside_dof), np.nan)
        f = np.where(inside_dof > 0, f, np.nan)
    p = special.fdtrc(np.maximum(about_dof, 1.0), np.maximum(inside_dof, 1.0), f)
    return f, np.asarray(np.where(np.isposinf(f), 0.0, p), dtype=np.float64)
