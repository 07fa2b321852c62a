"""Analysis of variance of nested sources: closed form where balanced, one-way where not.

References
----------
.. [1] G. W. Snedecor, W. G. Cochran, Statistical Methods, 6th ed. 1967, section 10.16.
.. [2] ISO 5725-2:1994, clause 7.4: repeatability and reproducibility with unequal replication.
.. [3] JCGM 100:2008 (GUM), annex H.5.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import BoolArray, FloatArray, IntArray, codes, measurements
from spc.gauge.separable import HIT, nested, numbered


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NestedStudy:
    """Table and components of a balanced nested study at each point, outermost source first.

    Parameters
    ----------
    terms
        Sources, outermost first, the last one ``hit``.
    mean_squares
        (terms, points), mm²; NaN for ``hit`` where each innermost level has one row.
    dof
        Degrees of freedom, (terms,).
    f, p
        F against the source inside and its upper tail, (terms, points); NaN for the innermost.
    raw
        Components as estimated, which may be below zero, (terms, points), mm². The innermost
        source with a mean square holds what lies inside it too.
    variance
        Components with those below zero taken as zero, (terms, points).
    negative
        Where ``raw`` is below zero, (terms, points).
    mean
        Mean of all rows, (points,), mm.
    """

    terms: tuple[str, ...]
    mean_squares: FloatArray
    dof: FloatArray
    f: FloatArray
    p: FloatArray
    raw: FloatArray
    variance: FloatArray
    negative: BoolArray
    mean: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneWay:
    """Groups and what varies inside them, at each point; any group sizes.

    Parameters
    ----------
    mean
        Mean of all values, (points,), mm.
    within, between
        Mean squares, (points,), mm².
    within_dof, between_dof
        Degrees of freedom, (points,).
    size
        Effective group size n0, (points,): the common size where groups are equal.
    f, p
        F of the groups and its upper tail, (points,).
    raw_group
        Variance of groups as estimated, which may be below zero, (points,), mm².
    group
        The same taken as zero where below, (points,).
    reproducibility
        ``within`` + ``group``, (points,): the variance of one value of any group (ISO 5725-2 s_R²,
        ``within`` being s_r²).
    """

    mean: FloatArray
    within: FloatArray
    between: FloatArray
    within_dof: FloatArray
    between_dof: FloatArray
    size: FloatArray
    f: FloatArray
    p: FloatArray
    raw_group: FloatArray
    group: FloatArray
    reproducibility: FloatArray


def nested_study(y: ArrayLike, factors: Mapping[str, ArrayLike]) -> NestedStudy:
    """Return the analysis of variance of factors each nested in the one before [1]_.

    Parameters
    ----------
    y
        Measurements in mm, (rows, points) or (rows,), without missing values.
    factors
        Codes (rows,), outermost first; a level's code need only be unique in the level around it.

    Returns
    -------
    NestedStudy

    Raises
    ------
    DataError
        Where levels hold unequal numbers, a value is missing, or shapes do not fit.
    """
    array = measurements(y)
    if np.isnan(array).any():
        raise DataError("a value is missing: use restricted maximum likelihood")
    table = numbered(factors)
    rows = array.shape[0]
    levels, outer = [np.zeros(rows, dtype=np.int64)], list[IntArray]()
    for name, code in table.items():
        if code.size != rows:
            raise DataError(f"{name} must have one code a row, {rows} rows")
        outer.append(code)
        levels.append(nested(outer[-1], *outer[:-1]))
    levels.append(np.arange(rows))
    counts = [int(level.max()) + 1 for level in levels]
    for level, name in zip(levels[1:], table, strict=False):
        _refuse_unequal(level, name)
    means = _level_means(array, levels)
    sizes = [rows // count for count in counts]
    squares = np.stack(
        [
            sizes[k] * np.square(means[k] - means[k - 1][_parents(levels, k)]).sum(axis=0)
            for k in range(1, len(levels))
        ]
    )
    dof = np.diff(np.array(counts, dtype=np.float64))
    return _nested_table((*table, HIT), squares, dof, sizes[1:], array)


def _nested_table(
    terms: tuple[str, ...], squares: FloatArray, dof: FloatArray, sizes: list[int], y: FloatArray
) -> NestedStudy:
    floor = y.shape[0] * (4.0 * np.finfo(np.float64).eps * np.abs(y).max(axis=0)) ** 2
    squares = np.where(squares > floor, squares, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # no dof: no mean square; 0/0: no test
        table = np.where(dof[:, None] > 0, squares / dof[:, None], np.nan)
        f = np.concatenate([table[:-1] / table[1:], np.full((1, table.shape[1]), np.nan)])
    p = special.fdtrc(np.maximum(dof, 1)[:-1, None], np.maximum(dof, 1)[1:, None], f[:-1])
    tail = np.asarray(np.where(np.isposinf(f[:-1]), 0.0, p), dtype=np.float64)
    inside = np.concatenate([np.nan_to_num(table[1:]), np.zeros((1, table.shape[1]))])
    raw = (table - inside) / np.array(sizes, dtype=np.float64)[:, None]
    return NestedStudy(
        terms=terms,
        mean_squares=table,
        dof=dof,
        f=f,
        p=np.concatenate([tail, f[-1:]]),
        raw=raw,
        variance=np.where(np.isnan(raw), np.nan, np.fmax(raw, 0.0)),
        negative=raw < 0,
        mean=y.mean(axis=0),
    )


def one_way(y: ArrayLike, group: ArrayLike) -> OneWay:
    """Return repeatability inside groups and the spread of groups, any group sizes [2]_.

    Parameters
    ----------
    y
        Measurements in mm, (rows, points) or (rows,); NaN where missing.
    group
        Whole-number codes, (rows,).

    Returns
    -------
    OneWay
        NaN at points with fewer than two groups, or with no group of two values.
    """
    array = measurements(y)
    code = codes(group, array.shape[0], name="group")
    have = ~np.isnan(array)
    first = np.take_along_axis(array, have.argmax(axis=0)[None], axis=0)
    moved = np.where(have, array - first, 0.0)  # so that equal leading digits cost none
    number = _sums(code, have.astype(np.float64))
    sums = _sums(code, moved)
    means = sums / np.maximum(number, 1.0)
    left = np.where(have, moved - means[code], 0.0)
    within = _sums(code, left**2) - _sums(code, left) ** 2 / np.maximum(number, 1.0)
    return _one_way(first[0], means, within, number)


def one_way_from_summary(means: ArrayLike, variances: ArrayLike, counts: ArrayLike) -> OneWay:
    """Return the same from each group's mean, variance and number of values [3]_.

    Parameters
    ----------
    means, variances
        Of each group, (groups,) or (groups, points), mm and mm².
    counts
        Values in each group, (groups,) or (groups, points).

    Examples
    --------
    The voltage standard of the guide's annex H.5 [3]_, ten days of five readings, in microvolts
    above 10 V; it prints s_a 128, s_b 85 and a spread of days of 43.

    >>> means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    >>> sds = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    >>> days = one_way_from_summary(means, np.square(sds), [5] * 10)
    >>> print(*(round(float(v[0]) ** 0.5) for v in (days.between, days.within, days.group)))
    128 85 43
    """
    mean, variance = measurements(means, name="means"), measurements(variances, name="variances")
    number = np.asarray(counts, dtype=np.float64)
    number = np.broadcast_to(number[:, None] if number.ndim == 1 else number, mean.shape)
    if variance.shape != mean.shape:
        raise DataError(f"variances must have shape {mean.shape}, not {variance.shape}")
    if (number < 1).any() or (variance < 0).any():
        raise DataError("counts must be 1 or more and variances not below zero")
    first = mean[:1]
    return _one_way(first[0], mean - first, variance * (number - 1), number)


def _one_way(
    origin: FloatArray, means: FloatArray, within: FloatArray, number: FloatArray
) -> OneWay:
    """Return the table from group means about an origin and squares within groups."""
    groups, total = (number > 0).sum(axis=0).astype(np.float64), number.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # too few groups or values: NaN
        mean = (number * means).sum(axis=0) / total
        between_dof, within_dof = groups - 1.0, total - groups
        size = (total - np.square(number).sum(axis=0) / total) / between_dof
        between = (number * np.square(means - mean)).sum(axis=0) / between_dof
        inside = within.sum(axis=0) / within_dof
        f = between / inside
        raw = (between - inside) / size
    p = special.fdtrc(np.maximum(between_dof, 1.0), np.maximum(within_dof, 1.0), f)
    group = np.where(np.isnan(raw), np.nan, np.fmax(raw, 0.0))
    return OneWay(
        mean=origin + mean,
        within=inside,
        between=between,
        within_dof=within_dof,
        between_dof=between_dof,
        size=size,
        f=f,
        p=np.where(np.isposinf(f), 0.0, p),
        raw_group=raw,
        group=group,
        reproducibility=inside + group,
    )


def _sums(code: IntArray, y: FloatArray) -> FloatArray:
    out = np.zeros((int(code.max()) + 1, y.shape[1]))
    np.add.at(out, code, y)
    return out


def _level_means(y: FloatArray, levels: list[IntArray]) -> list[FloatArray]:
    """Return the means of each level's groups about the first row, grand mean first."""
    moved = y - y[:1]
    moved = moved - moved.mean(axis=0)
    return [_sums(level, moved) / np.bincount(level)[:, None] for level in levels]


def _parents(levels: list[IntArray], k: int) -> IntArray:
    """Return which group of the level around each group of level ``k`` lies in."""
    first = np.unique(levels[k], return_index=True)[1]
    return levels[k - 1][first]


def _refuse_unequal(level: IntArray, name: str) -> None:
    sizes = np.bincount(level)
    if (sizes != sizes[0]).any():
        raise DataError(
            f"levels of {name} hold {sizes.min()} to {sizes.max()} rows: the closed form needs "
            "equal numbers; use restricted maximum likelihood"
        )
