"""How far each of several groups lies from the others, for all points at once.

Groups that come from the same batches (the cavities of a mould, filled by the same shot) are
compared within them, so that what a batch does to all of them does not count [1]_; groups with
batches of their own by two samples of unlike spread [2]_.

References
----------
.. [1] Student (1908). The probable error of a mean. Biometrika 6, 1-25: the paired comparison.
.. [2] Welch, B. L. (1947). The generalization of Student's problem when several different
       population variances are involved. Biometrika 34, 28-35.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints
from spc.charts.tails import t_isf, t_sf

FEWEST = 4
"""Fewest batches of a group for a comparison (common practice, no published source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Offsets:
    """Level of each group less that of the others, ``(groups, points)``.

    Parameters
    ----------
    offset
        The difference; NaN where too few batches hold the group or the others.
    low, high
        Ends of its interval, for one group and point alone.
    p
        Probability of a difference at least as large if the levels were alike, two-sided.
    df
        Degrees of freedom.
    n
        Batches that it rests on: pairs where paired, the group's own otherwise.
    paired
        True where it was found within batches.
    level
        Confidence level of the interval.
    """

    offset: Floats
    low: Floats
    high: Floats
    p: Floats
    df: Floats
    n: Ints
    paired: Bools
    level: float


def group_offsets(
    x: ArrayLike, groups: ArrayLike, batches: ArrayLike, *, level: float = 0.95
) -> Offsets:
    """Compare each group with the mean of the others.

    Parameters
    ----------
    x
        One value a group and batch, such as the mean of its pieces, ``(rows, points)``, NaN where
        missing.
    groups, batches
        Number of each row's group from 0, and of its batch, ``(rows,)``.
    level
        Confidence level of the intervals.

    Notes
    -----
    Paired where `FEWEST` or more batches hold both the group and another; else by Welch's two
    samples, which takes the group's rows and all the others as independent.

    Examples
    --------
    Sleep gained with two drugs by the same ten people [1]_: 1.58 hours more with the second,
    t = 4.06.

    >>> first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    >>> second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    >>> found = group_offsets(first + second, [0] * 10 + [1] * 10, [*range(10)] * 2)
    >>> [round(float(v[1, 0]), 4) for v in (found.offset, found.low, found.high, found.p)]
    [1.58, 0.7001, 2.4599, 0.0028]
    """
    a = arrays.matrix(x)
    arrays.require(0 < level < 1, "level", level, "between 0 and 1")
    cube = _cube(a, np.asarray(groups, dtype=np.int64), np.asarray(batches, dtype=np.int64))
    both = _paired(cube)
    alone = _two_samples(cube)
    paired = both[2] >= FEWEST
    offset, se, n, df = (np.where(paired, p, w) for p, w in zip(both, alone, strict=True))
    known = np.isfinite(offset) & (se > 0) & (df > 0)
    safe = np.where(known, se, 1.0)
    freedom = np.where(known, df, 1.0)
    half = np.where(known, t_isf((1 - level) / 2, freedom) * safe, np.nan)
    p = np.where(known, 2 * t_sf(np.abs(np.where(known, offset, 0.0)) / safe, freedom), np.nan)
    return Offsets(
        offset=offset, low=offset - half, high=offset + half, p=np.minimum(p, 1.0),
        df=np.where(known, df, np.nan), n=n.astype(np.int64), paired=paired, level=level,
    )  # fmt: skip


def _cube(a: Floats, groups: Ints, batches: Ints) -> Floats:
    """Return (batches, groups, points), NaN where a batch holds nothing of a group."""
    shape = (int(batches.max(initial=-1)) + 1, int(groups.max(initial=-1)) + 1, a.shape[1])
    cube = np.full(shape, np.nan)
    cube[batches, groups] = a
    return cube


def _paired(cube: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the mean difference within batches, its standard error, pairs, and their freedom."""
    there = np.isfinite(cube)
    filled = np.where(there, cube, 0.0)
    rest = there.sum(axis=1, keepdims=True) - there
    with np.errstate(divide="ignore", invalid="ignore"):  # no other group in the batch: NaN
        others = (filled.sum(axis=1, keepdims=True) - filled) / rest
    return _mean_and_error(cube - others)


def _mean_and_error(d: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return mean, its standard error, number, and degrees of freedom down the first axis."""
    there = np.isfinite(d)
    n = there.sum(axis=0).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # nothing there: NaN
        mean = np.where(there, d, 0.0).sum(axis=0) / n
        error = np.sqrt((np.where(there, d - mean, 0.0) ** 2).sum(axis=0) / (n - 1) / n)
    few = n < 2
    return np.where(n > 0, mean, np.nan), np.where(few, np.nan, error), n, n - 1


def _two_samples(cube: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the same from each group's rows against all rows of the others (Welch)."""
    batches, groups, points = cube.shape
    out = tuple(np.full((groups, points), np.nan) for _ in range(4))
    for g in range(groups):
        mine, own_error, n, own_df = _mean_and_error(cube[:, g])
        rest = np.delete(cube, g, axis=1).reshape(batches * (groups - 1), points)
        theirs, rest_error, m, rest_df = _mean_and_error(rest)
        enough = (n >= FEWEST) & (m >= FEWEST)
        with np.errstate(divide="ignore", invalid="ignore"):  # too few: NaN below
            total = own_error**2 + rest_error**2
            df = total**2 / (own_error**4 / own_df + rest_error**4 / rest_df)
        for into, value in zip(out, (mine - theirs, np.sqrt(total), n, df), strict=True):
            into[g] = np.where(enough, value, np.nan)
        out[2][g] = n
    return out[0], out[1], out[2], out[3]
