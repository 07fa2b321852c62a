"""The capability that a perfect gauge would show: measurement noise taken out of the spread.

An observed variance is the pieces' own plus the gauge's. Taking the gauge's out is an estimate on
top of an estimate, so it always comes with its interval, and beside the observed index, never in
its place.

References
----------
.. [1] Burdick, Borror & Montgomery (2005), Design and Analysis of Gauge R&R Studies, SIAM.
.. [2] Weerahandi (1993), Generalized confidence intervals, Journal of the American Statistical
   Association 88, 899-905.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.batch_pivots import draws, slices, sobol, spread_draws
from spc.capability.batches import Components
from spc.capability.bounds import positive
from spc.capability.indices import Capability
from spc.capability.variance_difference import variance_difference
from spc.errors import DataError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseFree:
    """Whole spread and indices without the gauge's noise; arrays of shape (points,), mm.

    Parameters
    ----------
    n
        Pieces that the observed spread stands on.
    gauge_sd, gauge_dof
        Standard deviation of one reported reading and its degrees of freedom, as given.
    gauge_share
        Gauge's share of the observed variance; above 1 where the gauge study and these pieces
        contradict each other.
    sd, sd_low, sd_high
        Pieces' own standard deviation and its interval (modified large sample); ``sd`` is NaN where
        the observed variance is no larger than the gauge's, ``sd_low`` is 0 where that cannot be
        excluded.
    pp, pp_low, pp_high
        Pp without the gauge's noise, NaN with ``sd``; the high end is infinite where ``sd_low``
        is 0.
    ppk, ppk_low, ppk_high
        Ppk without the gauge's noise and its two-sided interval.
    ppk_bound
        One-sided lower bound of Ppk.
    level
        Confidence level of all intervals.
    note
        Plain words a point, empty where there is nothing to say.
    """

    n: NDArray[np.int64]
    gauge_sd: FloatArray
    gauge_dof: FloatArray
    gauge_share: FloatArray
    sd: FloatArray
    sd_low: FloatArray
    sd_high: FloatArray
    pp: FloatArray
    pp_low: FloatArray
    pp_high: FloatArray
    ppk: FloatArray
    ppk_low: FloatArray
    ppk_high: FloatArray
    ppk_bound: FloatArray
    level: float
    note: tuple[str, ...]


def observed_index(true: ArrayLike, gauge_to_tolerance: ArrayLike) -> FloatArray:
    """Compute the Cp that is observed through a gauge of this precision-to-tolerance ratio.

    Parameters
    ----------
    true
        Cp of the pieces themselves.
    gauge_to_tolerance
        Six gauge standard deviations over the tolerance, a fraction.

    Examples
    --------
    >>> print(np.round(observed_index(4 / 3, [0.1, 0.2, 0.3, 0.5]), 2))
    [1.32 1.29 1.24 1.11]
    """
    index, ratio = positive(true), np.asarray(gauge_to_tolerance, dtype=np.float64)
    return np.asarray(1.0 / np.sqrt(1.0 / index**2 + ratio**2))


def without_gauge_noise(
    found: Capability, gauge_sd: ArrayLike, gauge_dof: ArrayLike = np.inf
) -> NoiseFree:
    """Take the gauge's noise out of the whole spread and its indices [1]_.

    Parameters
    ----------
    found
        Observed indices. Each piece is taken as read once, as the gauge study reads it; for means
        of several readings give the standard deviation of such a mean.
    gauge_sd
        Standard deviation of one reported reading, reproducibility included, shape (points,) or one
        number, mm; NaN where the point was not studied.
    gauge_dof
        Its degrees of freedom; infinite for a known one.

    Returns
    -------
    NoiseFree

    Raises
    ------
    DataError
        If a gauge's standard deviation is below zero, its degrees of freedom are not above zero, or
        a shape does not fit.

    Notes
    -----
    The spread's interval is the modified-large-sample one for a difference of variances; those of
    the indices are quantiles of generalized pivots [2]_, over batches where there are some.
    """
    points = found.n.size
    gauge, dof = _a_point(gauge_sd, points, "gauge_sd"), _a_point(gauge_dof, points, "gauge_dof")
    if (gauge < 0.0).any() or (dof <= 0.0).any():
        raise DataError("a gauge's standard deviation cannot be below 0, nor its dof 0 or below")
    whole = positive(found.sd_overall) ** 2
    left, low, high = variance_difference(whole, found.overall_dof, gauge**2, dof, found.level)
    sd = np.sqrt(positive(left))
    told = left > 0.0
    ends = np.where(told, _index_ends(found, gauge, dof), np.nan)
    ratio = np.sqrt(whole) / sd
    width = found.upper - found.lower
    return NoiseFree(
        n=found.n,
        gauge_sd=gauge,
        gauge_dof=dof,
        gauge_share=gauge**2 / whole,
        sd=sd,
        sd_low=np.sqrt(np.maximum(low, 0.0)),
        sd_high=np.sqrt(np.maximum(high, 0.0)),
        pp=found.pp * ratio,
        pp_low=np.where(told, _over(width, 6.0 * np.sqrt(np.maximum(high, 0.0))), np.nan),
        pp_high=np.where(told, _over(width, 6.0 * np.sqrt(np.maximum(low, 0.0))), np.nan),
        ppk=found.ppk * ratio,
        ppk_low=ends[0],
        ppk_high=ends[1],
        ppk_bound=ends[2],
        level=found.level,
        note=tuple(
            _note(float(gauge[j]), float(whole[j]), float(left[j]), float(low[j]))
            for j in range(points)
        ),
    )


def _a_point(value: ArrayLike, points: int, name: str) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.shape[0] not in (1, points)):
        raise DataError(f"{name} needs one number a point ({points}), not shape {array.shape}")
    return np.broadcast_to(array, (points,))


def _over(width: FloatArray, spread: FloatArray) -> FloatArray:
    """Divide; infinite over nothing, NaN where there is no width."""
    some = np.where(spread > 0.0, spread, 1.0)
    return np.where(spread == 0.0, np.where(np.isnan(width), np.nan, np.inf), width / some)


def _index_ends(found: Capability, gauge: FloatArray, dof: FloatArray) -> FloatArray:
    """Low, high and one-sided lower end of Ppk, shape (3, points)."""
    tail = 0.5 * (1.0 - found.level)
    parts = _parts(found)
    reach = 3.0 * found.ppk * found.sd_overall
    # The gauge study is independent of the pieces: a fourth coordinate, unused by the others.
    u = sobol(4)[:, 3]
    ends = []
    for at in slices(found.n.size):
        drawn = draws(parts, at, dimensions=4)
        known = np.isinf(dof[at])
        noise = np.where(
            known, gauge[at] ** 2, spread_draws(gauge[at] ** 2, np.where(known, 1.0, dof[at]), u)
        )
        left = drawn.total - noise
        ahead = reach[at] + drawn.noise
        # No spread left in a draw: the index has no bound on the side that the mean is on.
        without = np.where(np.isnan(ahead + left), np.nan, np.sign(ahead) * np.inf)
        index = np.where(left > 0.0, ahead / (3.0 * np.sqrt(positive(left))), without)
        ends.append(_quantiles(index, (tail, 1.0 - tail, 1.0 - found.level)))
    return np.concatenate(ends, axis=1)


def _quantiles(drawn: FloatArray, probabilities: tuple[float, ...]) -> FloatArray:
    """Take quantiles at a draw: between infinite ones there is nothing to interpolate."""
    return np.asarray(np.quantile(drawn, probabilities, axis=0, method="inverted_cdf"))


def _parts(found: Capability) -> Components:
    """Variation by batches; independent pieces are batches of one."""
    n, one = found.n.astype(np.float64), np.ones(found.n.size)
    alone = Components(
        pieces=found.n,
        batches=found.n,
        mean=found.mean,
        var_within=np.full(found.n.size, np.nan),
        within_dof=0.0 * one,
        var_of_means=found.sd_overall**2,
        harmonic_size=one,
        seen_size=one,
        var_between=np.full(found.n.size, np.nan),
        var_total=found.sd_overall**2,
        total_dof=n - 1.0,
        var_mean=found.sd_overall**2 / positive(n),
        share=np.full(found.n.size, np.nan),
        effective=n,
    )
    return alone if found.components is None else found.components


def _note(gauge: float, whole: float, left: float, low: float) -> str:
    if np.isnan(gauge):
        return "No gauge study of this point: its noise cannot be taken out."
    if np.isnan(whole):
        return "No observed spread: there is nothing to take the gauge's noise out of."
    if left <= 0.0:
        return (
            "The observed spread is no larger than the gauge's own noise: the pieces' spread "
            "cannot be told from none, and no index without the noise can be given."
        )
    if low <= 0.0:
        return (
            "Beside the gauge's noise the pieces' spread cannot be told from none: "
            "the index has no upper end."
        )
    return ""
