"""A check standard measured over weeks: level, precision and drift.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sections 2.2.2 and 2.6.2: control of bias
   and long-term variability, and of short-term precision, with a check standard.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import BoolArray, FloatArray, IntArray, level_of, measurements
from spc.gauge.band import Band, missing
from spc.gauge.bias import linearity, moments

#: Sessions that a baseline should stand on (common practice, no published source).
USUAL_SESSIONS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stability:
    """What a check standard says about a gauge at each point.

    Parameters
    ----------
    centre
        Mean over sessions, (points,), mm.
    session_sd
        Standard deviation of sessions' values, (points,), mm.
    lower, upper
        Limits for one session's value, centre ± ``width`` session_sd, (points,), mm.
    outside
        Sessions beyond them, (sessions, points).
    n
        Sessions used, (points,).
    short_sd, short_dof
        Pooled standard deviation inside sessions and its degrees of freedom, (points,); NaN and 0
        without repeats.
    short_upper
        Limit for one session's own standard deviation, (sessions, points), mm.
    imprecise
        Sessions above it, (sessions, points).
    drift
        Change a unit of time with its t interval; missing where no times were given.
    drift_p
        Two-sided probability of so large a drift by chance, (points,).
    note
        What the reader must know.
    """

    centre: FloatArray
    session_sd: FloatArray
    lower: FloatArray
    upper: FloatArray
    outside: BoolArray
    n: IntArray
    short_sd: FloatArray
    short_dof: FloatArray
    short_upper: FloatArray
    imprecise: BoolArray
    drift: Band
    drift_p: FloatArray
    note: str


def check_standard(
    values: ArrayLike,
    *,
    short_sds: ArrayLike | None = None,
    short_dofs: ArrayLike | None = None,
    times: ArrayLike | None = None,
    width: float = 3.0,
    alarm: float = 0.05,
    level: float = 0.95,
) -> Stability:
    """Return level, precision and drift of a check standard over sessions [1]_.

    Parameters
    ----------
    values
        Value of each session (a mean where it was repeated), (sessions, points), mm; NaN where
        missing.
    short_sds, short_dofs
        Standard deviation of the repeats in each session and its degrees of freedom, (sessions,
        points) or one column; or None.
    times
        Time of each session in any unit, (sessions,), for the drift; or None.
    width
        Standard deviations from centre to limit.
    alarm
        Probability that a session's own standard deviation exceeds its limit by chance.
    level
        Confidence level of the drift's interval.

    Returns
    -------
    Stability
    """
    y, level = measurements(values, name="values"), level_of(level)
    if not 0.0 < alarm < 1.0 or width <= 0:
        raise DataError(f"width must be above 0 and alarm in 0 to 1, not {width} and {alarm}")
    n, centre, variance = moments(y)
    sd = np.sqrt(variance)
    lower, upper = centre - width * sd, centre + width * sd
    short, dof, limit, over = _precision(y, short_sds, short_dofs, alarm)
    drift, drift_p = _drift(y, times, level)
    with np.errstate(invalid="ignore"):  # a missing session is outside nothing
        outside = (y < lower) | (y > upper)
    few = n.min() < USUAL_SESSIONS
    return Stability(
        centre=centre,
        session_sd=sd,
        lower=lower,
        upper=upper,
        outside=outside,
        n=n,
        short_sd=short,
        short_dof=dof,
        short_upper=limit,
        imprecise=over,
        drift=drift,
        drift_p=drift_p,
        note=f"{n.min()} sessions: limits are loose before {USUAL_SESSIONS} or so" if few else "",
    )


def _precision(
    y: FloatArray, sds: ArrayLike | None, dofs: ArrayLike | None, alarm: float
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    if sds is None or dofs is None:
        nothing = np.full(y.shape, np.nan)
        none = np.zeros(y.shape[1])
        return np.full(y.shape[1], np.nan), none, nothing, np.zeros(y.shape, dtype=np.bool_)
    s = np.broadcast_to(measurements(sds, name="short_sds"), y.shape)
    v = np.broadcast_to(measurements(dofs, name="short_dofs"), y.shape)
    use = ~np.isnan(s) & (v > 0)
    total = np.where(use, v, 0.0).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # a point without repeats
        pooled = np.sqrt(np.where(use, v * s**2, 0.0).sum(axis=0) / total)
    # Upper point of F by its reciprocal, so that small probabilities keep their digits.
    f = 1.0 / special.fdtri(np.maximum(total, 1.0), np.where(use, v, 1.0), alarm)
    limit = np.where(use, pooled * np.sqrt(f), np.nan)
    with np.errstate(invalid="ignore"):  # a session without repeats exceeds nothing
        return pooled, total, limit, np.asarray(s > limit, dtype=np.bool_)


def _drift(y: FloatArray, times: ArrayLike | None, level: float) -> tuple[Band, FloatArray]:
    points = y.shape[1]
    if times is None:
        return missing(points, level, "no times were given"), np.full(points, np.nan)
    t = np.asarray(times, dtype=np.float64)
    if t.shape != (y.shape[0],):
        raise DataError(f"times must have one entry a session, shape ({y.shape[0]},)")
    line = linearity(y + t[:, None], t, level=level)
    return line.slope, line.slope_p
