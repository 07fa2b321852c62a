"""Tests of equal spread and equal mean among groups, for all points at once.

A test that finds nothing does not show that the groups are alike; small groups carry a note.

References
----------
.. [1] Bartlett, M. S. (1937). Properties of sufficiency and statistical tests. Proceedings of the
       Royal Society A 160, 268-282.
.. [2] Levene, H. (1960) in Olkin, I. (ed.) Contributions to Probability and Statistics, 278-292;
       with the median: Brown, M. B. and Forsythe, A. B. (1974). Journal of the American Statistical
       Association 69, 364-367.
.. [3] Fisher, R. A. (1925). Statistical Methods for Research Workers; Welch, B. L. (1951). On the
       comparison of several mean values. Biometrika 38, 330-336.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc

from spc.charts.arrays import Floats, Ints
from spc.charts.subgroups import gather, sizes_and_means


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EqualityTest:
    """A test of equality among groups at each point.

    Parameters
    ----------
    statistic
        The test's statistic, ``(points,)``; NaN where ``notes`` says why there is none.
    df1, df2
        Degrees of freedom, ``(points,)``; ``df2`` is infinite for a chi-square statistic.
    p
        Probability of a statistic at least as large if the groups were alike, ``(points,)``.
    groups
        Groups with two or more values, ``(points,)``.
    n
        Values in those groups, ``(points,)``.
    method
        Name of the test.
    notes
        One text a point, empty where there is nothing to say.
    """

    statistic: Floats
    df1: Floats
    df2: Floats
    p: Floats
    groups: Ints
    n: Ints
    method: str
    notes: tuple[str, ...]


def equal_spread(x: ArrayLike, labels: ArrayLike) -> EqualityTest:
    """Test equal spread by Levene's test about the medians, which bears non-normal values [2]_.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing.
    labels
        Group of each run, ``(runs,)``; groups with fewer than two values are left out.
    """
    groups = _groups(x, labels)
    off = np.abs(groups - _medians(groups)[:, None, :])
    return _one_way(off, "Levene's test about the medians")


def equal_spread_normal(x: ArrayLike, labels: ArrayLike) -> EqualityTest:
    """Test equal spread by Bartlett's test: sharper for normal values, misled by others [1]_.

    Parameters
    ----------
    x, labels
        As for `equal_spread`.
    """
    groups = _groups(x, labels)
    n, means = sizes_and_means(groups)
    used = n >= 2
    f = np.where(used, n - 1, 0).astype(np.float64)
    squares = np.where(np.isnan(groups), 0.0, groups - means[:, None, :])
    squares = np.where(used, (squares**2).sum(axis=1), 0.0)
    k, total = used.sum(axis=0), f.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread, one group: NaN, told in notes
        logs = np.where(used, f * np.log(squares / np.where(used, f, 1.0)), 0.0).sum(axis=0)
        raw = total * np.log(squares.sum(axis=0) / total) - logs
        shrink = 1 + (np.where(used, 1 / f, 0.0).sum(axis=0) - 1 / total) / (3 * (k - 1))
        statistic = raw / shrink
    return _result(statistic, k - 1.0, np.full(len(k), np.inf), groups, "Bartlett's test")


def equal_means(x: ArrayLike, labels: ArrayLike) -> EqualityTest:
    """Test equal means, spread taken as equal (one-way analysis of variance) [3]_.

    Parameters
    ----------
    x, labels
        As for `equal_spread`.
    """
    return _one_way(_groups(x, labels), "one-way analysis of variance")


def equal_means_unequal_spread(x: ArrayLike, labels: ArrayLike) -> EqualityTest:
    """Test equal means where the groups' spread may differ (Welch's test) [3]_.

    Parameters
    ----------
    x, labels
        As for `equal_spread`.
    """
    groups = _groups(x, labels)
    n, means = sizes_and_means(groups)
    used = n >= 2
    off = np.where(np.isnan(groups), 0.0, groups - means[:, None, :])
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread, one group: NaN, told in notes
        weight = np.where(used, n * (n - 1) / (off**2).sum(axis=1), 0.0)
        k, total = used.sum(axis=0), weight.sum(axis=0)
        grand = np.where(used, weight * means, 0.0).sum(axis=0) / total
        between = np.where(used, weight * (means - grand) ** 2, 0.0).sum(axis=0) / (k - 1)
        loss = np.where(used, (1 - weight / total) ** 2 / (n - 1), 0.0).sum(axis=0)
        statistic = between / (1 + 2 * (k - 2) / (k**2 - 1) * loss)
        df2 = (k**2 - 1) / (3 * loss)
    return _result(statistic, k - 1.0, df2, groups, "Welch's test of equal means")


def _groups(x: ArrayLike, labels: ArrayLike) -> Floats:
    groups = gather(x, labels)[0]
    few = (~np.isnan(groups)).sum(axis=1) < 2
    return np.where(few[:, None, :], np.nan, groups)


def _medians(groups: Floats) -> Floats:
    out = np.full((groups.shape[0], groups.shape[2]), np.nan)
    some = ~np.isnan(groups).all(axis=1)
    ordered = np.sort(groups, axis=1)  # NaN last
    n = (~np.isnan(groups)).sum(axis=1)
    low, high = np.maximum((n - 1) // 2, 0), n // 2
    high = np.minimum(high, max(groups.shape[1] - 1, 0))
    if groups.shape[1]:
        middle = np.take_along_axis(ordered, low[:, None, :], 1)[:, 0]
        middle = (middle + np.take_along_axis(ordered, high[:, None, :], 1)[:, 0]) / 2
        out[some] = middle[some]
    return out


def _one_way(groups: Floats, method: str) -> EqualityTest:
    n, means = sizes_and_means(groups)
    used = n >= 2
    k, total = used.sum(axis=0), np.where(used, n, 0).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread, one group: NaN, told in notes
        grand = np.where(used, n * means, 0.0).sum(axis=0) / total
        between = np.where(used, n * (means - grand) ** 2, 0.0).sum(axis=0)
        within = np.where(np.isnan(groups), 0.0, groups - means[:, None, :]) ** 2
        statistic = (between / (k - 1)) / (within.sum(axis=(0, 1)) / (total - k))
    return _result(statistic, k - 1.0, (total - k).astype(np.float64), groups, method)


def _result(
    statistic: Floats, df1: Floats, df2: Floats, groups: Floats, method: str
) -> EqualityTest:
    size = (~np.isnan(groups)).sum(axis=1)
    k, n = (size >= 2).sum(axis=0), size.sum(axis=0)
    known = (k >= 2) & np.isfinite(statistic) & (df2 > 0)
    value = np.where(known, statistic, np.nan)
    safe = np.where(known, statistic, 1.0)
    one, two = np.where(known, df1, 1.0), np.where(known, df2, 1.0)
    chi = np.isinf(two)
    tail = np.where(chi, chdtrc(one, safe), fdtrc(one, np.where(chi, 1.0, two), safe))
    p = np.where(known, tail, np.nan)
    notes = tuple(map(_note, k, n, value))
    return EqualityTest(statistic=value, df1=df1, df2=df2, p=p, groups=k, n=n,
                        method=method, notes=notes)  # fmt: skip


def _note(groups: int, n: int, statistic: float) -> str:
    if groups < 2:
        return f"{groups} group{'s' * int(groups != 1)} with two or more values: nothing to compare"
    if np.isnan(statistic):
        return "no answer: the values within a group do not vary"
    if n < 10 * groups:
        return f"{n} values in {groups} groups: only large differences would be found"
    return ""
