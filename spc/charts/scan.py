"""A single change of level in a history that has no baseline: a new mould, a first month.

References
----------
.. [1] Hawkins, D. M., Qiu, P. and Kang, C. W. (2003). The changepoint model for statistical process
       control. Journal of Quality Technology 35, 355-366.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints
from spc.charts.changepoint import likelihood_drop
from spc.charts.tails import t_isf, t_sf

FEWEST = 8
"""Fewest values in which a change is sought (common practice, no published source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """The most likely single step in each point's history.

    Parameters
    ----------
    first
        Index of the first run after the most likely step, ``(points,)``; −1 where not sought.
    statistic
        Largest two-sample t over all splits, without sign, ``(points,)``; NaN where not sought.
    p
        Probability of one so large if nothing changed, ``(points,)``.
    before, after
        Means before and after, ``(points,)``.
    shift, shift_low, shift_high
        ``after − before`` and the ends of its interval, the split taken as known, ``(points,)``.
    candidates
        True for the runs that may have been the first after the step, ``(runs, points)``.
    n
        Values at each point, ``(points,)``.
    level
        Confidence level.
    method
        How ``p`` was found, in words.
    notes
        One text a point, empty where there is nothing to say.
    """

    first: Ints
    statistic: Floats
    p: Floats
    before: Floats
    after: Floats
    shift: Floats
    shift_low: Floats
    shift_high: Floats
    candidates: Bools
    n: Ints
    level: float
    method: str
    notes: tuple[str, ...]


def scan_for_change(
    x: ArrayLike,
    *,
    level: float = 0.95,
    simulations: int = 0,
    rng: np.random.Generator | None = None,
) -> Scan:
    """Scan a history for one step, mean and sigma unknown before and after [1]_.

    Parameters
    ----------
    x
        Values (or batch means), ``(runs, points)``, NaN where missing.
    level
        Confidence level of the interval and of the set of candidates.
    simulations, rng
        Number of simulated histories and their generator for ``p``; with none, ``p`` is
        Bonferroni's bound over all splits, which is too large but never too small.

    Notes
    -----
    Values are taken as independent and normal with one sigma; autocorrelation makes ``p`` too
    small.
    """
    given = arrays.matrix(x)
    a = given if len(given) else np.full((1, given.shape[1]), np.nan)
    arrays.require(0 < level < 1, "level", level, "between 0 and 1")
    arrays.require(simulations == 0 or rng is not None, "rng", None, "given for simulations")
    n = (~np.isnan(a)).sum(axis=0)
    t, lower, upper, pooled = _splits(a)
    sought = (n >= FEWEST) & ~np.isnan(t).all(axis=0)
    size = np.where(np.isnan(t), -1.0, np.abs(t))
    first = np.where(sought, size.argmax(axis=0), -1)
    pick = (np.maximum(first, 0), np.arange(a.shape[1]))
    statistic = np.where(sought, size[pick], np.nan)
    before, after = (np.where(sought, part[pick], np.nan) for part in (lower, upper))
    finite = np.where(np.isinf(statistic), np.nan, statistic)
    p, method = _bound(finite, n), "Bonferroni's bound over all splits"
    if simulations and rng is not None:
        p, method = _simulated(finite, n, simulations, rng), f"{simulations} simulated histories"
    half = _half_width(before, after, finite, n, level)
    return Scan(
        first=first, statistic=statistic, p=p, before=before, after=after, shift=after - before,
        shift_low=after - before - half, shift_high=after - before + half,
        candidates=_candidates(pooled, n, sought, level)[: len(given)], n=n, level=level,
        method=method, notes=tuple(map(_note, n, statistic, p)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GivenStep:
    """A step at a place that other data gave.

    Parameters
    ----------
    first
        Index of the first run after it: of the places given, the one where it stands out most; −1
        where none could be looked at.
    p
        Probability of a step so large at one of these places if nothing changed, for all points
        together (Bonferroni), ``(points,)``; NaN where not sought.
    n
        Values at each point, ``(points,)``.
    """

    first: int
    p: Floats
    n: Ints


def step_at(x: ArrayLike, places: Sequence[int]) -> GivenStep:
    """Test whether the level changed before one of a few given runs.

    A change sought at every run must be large to stand out; one whose place is known from
    elsewhere (the same material in another mould) need not.

    Parameters
    ----------
    x
        Values (or batch means), ``(runs, points)``, NaN where missing.
    places
        Indices of runs; those with fewer than two runs on either side are passed over.

    Notes
    -----
    The two-sample t with one sigma, two-sided, times the number of places and of points.
    """
    a = arrays.matrix(x)
    n = (~np.isnan(a)).sum(axis=0)
    inside = [k for k in places if 2 <= k <= len(a) - 2]
    if not inside or not a.shape[1]:
        return GivenStep(first=-1, p=np.full(a.shape[1], np.nan), n=n)
    t = np.abs(_splits(a)[0][inside])
    p = np.minimum(2 * t_sf(t, np.maximum(n - 2, 1)) * len(inside) * a.shape[1], 1.0)
    p = np.where(n < FEWEST, np.nan, p)
    if np.isnan(p).all():
        return GivenStep(first=-1, p=np.full(a.shape[1], np.nan), n=n)
    best = int(np.unravel_index(np.nanargmin(p), p.shape)[0])
    return GivenStep(first=inside[best], p=p[best], n=n)


def _splits(a: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return t, the two means and the residual sum of squares of a split before each run."""
    present = ~np.isnan(a)
    n = present.sum(axis=0)
    with np.errstate(invalid="ignore"):  # an empty point: 0/0 is NaN
        middle = np.where(present, a, 0.0).sum(axis=0) / n
    off = np.where(present, a - middle, 0.0)
    earlier, total = present.cumsum(axis=0) - present, off.cumsum(axis=0) - off
    later = n - earlier
    here = present & (earlier >= 1)
    with np.errstate(invalid="ignore", divide="ignore"):  # not a split: NaN below
        low, high = total / earlier, -total / later
        residual = (off**2).sum(axis=0) - total**2 * n / (earlier * later)
        residual = np.where(here, np.maximum(residual, 0.0), np.nan)
        gap = (high - low) * np.sqrt(earlier * later / n)
        t = np.where(here, gap / np.sqrt(residual / (n - 2)), np.nan)
    return t, low + middle, high + middle, residual


def _half_width(before: Floats, after: Floats, t: Floats, n: Ints, level: float) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):  # not sought: NaN
        error = np.abs(after - before) / t
    return error * t_isf((1 - level) / 2, np.maximum(n - 2, 1))


def _candidates(residual: Floats, n: Ints, sought: Bools, level: float) -> Bools:
    with np.errstate(divide="ignore", invalid="ignore"):  # a perfect split: minus infinity
        fit = -0.5 * n * np.log(residual)
    fit = np.where(np.isnan(fit), -np.inf, fit)
    best = fit.max(axis=0)
    near = np.where(np.isinf(best), fit == best, fit >= best - likelihood_drop(level))
    return np.asarray(near & (fit > -np.inf) & sought)


def _simulated(statistic: Floats, n: Ints, count: int, rng: np.random.Generator) -> Floats:
    p = np.full(len(n), np.nan)
    for size in np.unique(n[~np.isnan(statistic)]):
        largest = np.abs(_splits(rng.normal(size=(int(size), count)))[0][1:]).max(axis=0)
        same = (n == size) & ~np.isnan(statistic)
        p[same] = (1 + (largest[:, None] >= statistic[same]).sum(axis=0)) / (count + 1)
    return p


def _bound(statistic: Floats, n: Ints) -> Floats:
    return np.minimum(1.0, 2 * (n - 1) * t_sf(statistic, np.maximum(n - 2, 1)))


def _note(n: int, statistic: float, p: float) -> str:
    if n < FEWEST:
        return f"{n} values: no change is sought in fewer than {FEWEST}"
    if np.isnan(statistic):
        return "the values do not vary"
    if np.isinf(statistic):
        return "a step without any spread about it: recorded too coarsely for a probability"
    return "" if p < 0.05 else "no change of level stands out"
