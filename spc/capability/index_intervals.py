"""The intervals of every index at once: closed forms for independent pieces, pivots for batches.

References
----------
.. [1] Boyles (1991), The Taguchi capability index, Journal of Quality Technology 23, 17-26.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.capability.batch_bounds import batched_bounds
from spc.capability.bounds import (
    centred_interval,
    one_sided_bound,
    positive,
    potential_interval,
    spread_interval,
)
from spc.capability.point_indices import PointIndices
from spc.capability.spread import Spread

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IndexIntervals:
    """Ends of the intervals, a row an end.

    Parameters
    ----------
    sd, cp, pp, cpm
        Of the whole standard deviation (mm), Cp, Pp and Cpm, shape (2, points): low and high.
    cpk, ppk
        Of Cpk and Ppk, shape (4, points): low and high of the two-sided interval, then the lower
        and the upper bound, each of these two by itself at the level or more. With two limits
        the upper bound halves its tail, for either side may be the nearer one (Bonferroni).
    """

    sd: FloatArray
    cp: FloatArray
    pp: FloatArray
    cpm: FloatArray
    cpk: FloatArray
    ppk: FloatArray


def index_intervals(
    spread: Spread,
    long: PointIndices,
    short: PointIndices,
    target: tuple[FloatArray, FloatArray, FloatArray],
    short_term: tuple[FloatArray, FloatArray],
    level: float,
) -> IndexIntervals:
    """Compute the ends for every point.

    Parameters
    ----------
    spread
        Mean and spread of every point.
    long, short
        Indices with the whole and with the short-term spread.
    target
        Cpm, its degrees of freedom, and the distance of the mean from the target, mm.
    short_term
        Short-term standard deviation, mm, and its degrees of freedom.
    level
        Confidence level, a fraction.
    """
    nu, n = short_term[1], spread.n.astype(np.float64)
    two = np.isfinite(long.potential) | np.isfinite(short.potential)
    short_n = np.where(spread.batches > 0, short_term[0] ** 2 / positive(spread.var_mean), n)
    found = IndexIntervals(
        sd=np.stack(spread_interval(np.sqrt(positive(spread.var)), spread.dof, level)),
        cp=np.stack(potential_interval(short.potential, nu, level)),
        pp=np.stack(potential_interval(long.potential, spread.dof, level)),
        cpm=np.stack(potential_interval(target[0], target[1], level)),
        cpk=_four(short.nearer, short_n, nu, level, two),
        ppk=_four(long.nearer, n, spread.dof, level, two),
    )
    return _with_batches(found, spread, long, target, short_term, level, two)


def _four(
    index: FloatArray, n: FloatArray, dof: FloatArray, level: float, two: BoolArray
) -> FloatArray:
    tail = 1.0 - level
    lower, upper, upper_of_two = (
        one_sided_bound(index, n, dof, p) for p in (level, tail, 0.5 * tail)
    )
    ends = centred_interval(index, n, dof, level)
    return np.stack([*ends, lower, np.where(two, upper_of_two, upper)])


def _with_batches(
    alone: IndexIntervals,
    spread: Spread,
    long: PointIndices,
    target: tuple[FloatArray, FloatArray, FloatArray],
    short_term: tuple[FloatArray, FloatArray],
    level: float,
    two: BoolArray,
) -> IndexIntervals:
    """Put the pivots' ends where a point has two batches or more."""
    if spread.components is None:
        return alone
    sd, tail = np.sqrt(positive(spread.var)), 0.5 * (1.0 - level)
    found = batched_bounds(
        spread.components,
        3.0 * sd * long.nearer,
        target[2],
        short_term,
        (tail, 1.0 - tail, 1.0 - level, level),
    )
    several = spread.batches > 1
    cpk, ppk = (np.stack([*e[:3], np.where(two, e[1], e[3])]) for e in (found.cpk, found.ppk))
    # About the target the spread is never below that about the mean, whatever the draws say.
    ends = np.maximum(found.about_target, found.spread)[1::-1]
    about = np.sqrt(_square_about(spread, target[2])) / positive(ends)
    return IndexIntervals(
        sd=np.where(several, found.spread[:2], alone.sd),
        cp=alone.cp,
        pp=np.where(several, long.potential * sd / positive(found.spread[1::-1]), alone.pp),
        cpm=np.where(several, target[0] * about, alone.cpm),
        cpk=np.where(several, cpk, alone.cpk),
        ppk=np.where(several, ppk, alone.ppk),
    )


def index_on_target(
    spread: Spread, lower: FloatArray, upper: FloatArray, aim: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Cpm about the target and its degrees of freedom by matching two moments [1]_.

    The square about the target is estimated without bias: the mean's own noise is taken off. For
    independent pieces this is Boyles's mean square about the target and his degrees of freedom.
    """
    var, away = positive(spread.var), (spread.mean - aim) ** 2
    square = _square_about(spread, spread.mean - aim)
    rest = square - away
    cut = rest / var  # Boyles puts the variance over n, not n - 1, into the noise
    noise = 2.0 * cut**2 * (rest**2 / spread.dof + spread.var_mean**2)
    noise = noise + 4.0 * cut * away * spread.var_mean
    cpm = np.minimum(upper - aim, aim - lower) / (3.0 * np.sqrt(positive(square)))
    return cpm, 2.0 * square**2 / positive(noise)


def _square_about(spread: Spread, away: FloatArray) -> FloatArray:
    return np.maximum(positive(spread.var) - spread.var_mean, 0.0) + away**2
