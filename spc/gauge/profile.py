"""Intervals from the profile of a restricted likelihood: of a variance, a sum, or a ratio.

The interval holds the values that the likelihood ratio does not reject. Its χ²(1) limit is raised
by the exact mean of that ratio for one variance with the same degrees of freedom (Bartlett's
correction), without which an interval from two operators would be too short.

References
----------
.. [1] M. S. Bartlett, Properties of sufficiency and statistical tests, Proc. R. Soc. A 160 (1937)
   268-282.
.. [2] A. C. Davison, Statistical Models, Cambridge 2003, sections 4.5 and 7.2.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import special

from spc.gauge.arrays import BoolArray, FloatArray, IntArray
from spc.gauge.crossproducts import Problem
from spc.gauge.scoring import FLOOR, Condition, Maximum, maximise

#: Where a search gives up: a variance (share of the total) or a ratio of variances.
_SMALL, _LARGE = 1e-7, 1e7
_WIDENINGS, _SECANTS = 20, 40
_ENOUGH, _LAST = 1e-5, 1e-3
#: A bound is found where the root of the drop is this near to the root of the cut (near 1.4).
_CLOSE = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wanted:
    """Quantities whose bounds are wanted, one a trial: Σ top variances over Σ bottom variances.

    Parameters
    ----------
    points
        Which point's data each trial uses, (trials,).
    top
        Weights above the line, (trials, sources), not below zero.
    bottom
        Weights below the line, (trials, sources); all zero for a plain sum.
    estimate
        The quantity at the maximum, (trials,).
    dof
        Degrees of freedom that it stands on, (trials,), for Bartlett's correction.
    levels
        Levels less one of each source, (sources,).
    above
        True for a trial whose bound above is sought, (trials,); empty before both are laid out.
    """

    points: IntArray
    top: FloatArray
    bottom: FloatArray
    estimate: FloatArray
    dof: FloatArray
    levels: FloatArray
    above: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))

    def held(
        self, x: FloatArray, near: FloatArray, which: IntArray
    ) -> tuple[Condition, FloatArray]:
        """Return the condition that holds quantities at ``x``, and variances that meet it."""
        top, bottom = self.top[which], self.bottom[which]
        start = near.copy()
        start[:, 0] = np.maximum(start[:, 0], FLOOR)
        plain = (bottom == 0).all(axis=1)
        wanted = x * np.where(plain, 1.0, (start * bottom).sum(axis=1))
        have = (start * top).sum(axis=1)
        scaled = start * (wanted / np.maximum(have, 1e-300))[:, None]
        even = (wanted / top.sum(axis=1))[:, None]
        new = np.where((have > 1e-12)[:, None], scaled, even)
        return Condition(weights=top - x[:, None] * bottom), np.where(top > 0, new, start)

    def both_sides(self) -> "Wanted":
        """Return every trial twice, for the bound above and the bound below."""
        parts = (self.points, self.top, self.bottom, self.estimate, self.dof)
        points, top, bottom, estimate, dof = (np.concatenate([p, p]) for p in parts)
        above = np.arange(dof.size) < self.dof.size
        return Wanted(
            points=points, top=top, bottom=bottom, estimate=estimate, dof=dof, levels=self.levels,
            above=above,
        )  # fmt: skip

    def raised(self, start: FloatArray, x: FloatArray, which: IntArray) -> FloatArray:
        """Return variances that meet the condition by the source with the fewest levels alone.

        Above a sum that is a source of its top, below a ratio one of its bottom. A source at zero
        may be where the likelihood has its second peak: a gauge is large because of its operators,
        though they agree at the estimate. NaN where this source cannot meet it alone.
        """
        top, bottom = self.top[which], self.bottom[which]
        plain = (bottom == 0).all(axis=1)
        side = np.where(plain[:, None], top, bottom)
        loose = np.where(side > 0, self.levels, np.inf).argmin(axis=1)
        row = np.arange(len(which))
        new = start.copy()
        new[row, loose] = 0.0
        short = np.where(plain, x - (new * top).sum(axis=1),
                         (new * top).sum(axis=1) / x - (new * bottom).sum(axis=1))  # fmt: skip
        can = (plain == self.above[which]) & (short > 0) & (loose > 0)
        new[row, loose] = short / side[row, loose]
        return np.where(can[:, None], new, np.nan)


def profile_bounds(
    study: Problem, best: Maximum, wanted: Wanted, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of each wanted quantity.

    Parameters
    ----------
    study
        Cross-products.
    best
        Maximum of each point.
    wanted
        The quantities.
    level
        Confidence level as a fraction.

    Returns
    -------
    tuple of arrays (trials,)
        0 and infinity where the data set no bound.
    """
    both = wanted.both_sides()
    tail = (1.0 - level) / 2.0
    v, none = np.clip(both.dof, 1.0, 1e6), both.estimate <= _SMALL
    above = both.above
    step = np.log(v / special.chdtri(v, np.where(above, 1.0 - tail, tail)))
    step = np.where(none & above, np.log(4.0), step)
    search = _Search(study, best, both, level)
    ends = _bound(search, np.where(none, 1e-3, both.estimate), step, ~none | above)
    return ends[~above], ends[above]


def bartlett(dof: FloatArray) -> FloatArray:
    """Return the mean of the likelihood ratio of one variance, ν (ln(ν/2) - ψ(ν/2)), at least 1."""
    v = np.clip(dof, 1.0, 1e6)
    return np.maximum(v * (np.log(v / 2.0) - special.digamma(v / 2.0)), 1.0)


class _Search:
    """The root of how far the profile lies below the maximum, less that of the cut.

    The root is nearly a straight line in the logarithm of the quantity, so that few steps find
    where it crosses zero. Each fit starts from the last one.
    """

    def __init__(self, study: Problem, best: Maximum, wanted: Wanted, level: float) -> None:
        cut = special.chdtri(1.0, 1.0 - level) * bartlett(wanted.dof) / 2.0
        self.study, self.wanted, self.start = study, wanted, -np.sqrt(cut)
        self.top = best.value[wanted.points]
        self.near = best.variances[wanted.points]
        self.origin = np.maximum(self.near, np.eye(1, self.near.shape[1])[0] * FLOOR)

    def drop(self, x: FloatArray, which: IntArray) -> FloatArray:
        condition, start = self.wanted.held(np.exp(x), self.near[which], which)
        points = self.wanted.points[which]
        fit = maximise(self.study, points, start, condition, enough=_ENOUGH, last=_LAST)
        value, variances = fit.value.copy(), fit.variances.copy()
        other = self.wanted.raised(self.origin[which], np.exp(x), which)
        at = np.flatnonzero(~np.isnan(other[:, 0]))
        if at.size:
            second = maximise(self.study, points[at], other[at], Condition(
                weights=condition.weights[at]), enough=_ENOUGH, last=_LAST)  # fmt: skip
            better = second.value > value[at]
            value[at[better]] = second.value[better]
            variances[at[better]] = second.variances[better]
        self.near[which] = variances
        return np.sqrt(np.maximum(self.top[which] - value, 0.0)) + self.start[which]


def _bound(search: _Search, origin: FloatArray, step: FloatArray, sought: BoolArray) -> FloatArray:
    """Return where the drop crosses zero, going out from the origin by steps of the log.

    The first step is where χ² would have the bound; the next ones are a third of it, growing.
    """
    inner = np.log(origin)
    outer, stride = inner.copy(), step.copy()
    f_inner, f_outer = search.start.copy(), search.start.copy()
    going = np.flatnonzero(sought)
    for turn in range(_WIDENINGS):
        inner[going], f_inner[going] = outer[going], f_outer[going]
        outer[going] += stride[going]
        f_outer[going] = search.drop(outer[going], going)
        stride[going] = stride[going] * 1.5 if turn else step[going] / 3.0
        inside = (outer[going] > np.log(_SMALL)) & (outer[going] < np.log(_LARGE))
        going = going[(f_outer[going] < 0) & inside]
        if going.size == 0:
            break
    found = np.flatnonzero(f_outer >= 0)
    root = _secants(search, (inner, f_inner), (outer, f_outer), found)
    return np.where(f_outer >= 0, np.exp(root), np.where(step > 0, np.inf, 0.0))


def _secants(
    search: _Search,
    inner: tuple[FloatArray, FloatArray],
    outer: tuple[FloatArray, FloatArray],
    going: IntArray,
) -> FloatArray:
    """Return the crossing in each bracket by the Illinois form of false position."""
    (a, fa), (b, fb) = inner, outer
    root = b.copy()
    going = going[fb[going] > _CLOSE]
    for _ in range(_SECANTS):
        if going.size == 0:
            break
        x = (a[going] * fb[going] - b[going] * fa[going]) / (fb[going] - fa[going])
        f = search.drop(x, going)
        root[going] = x
        out, back = going[f >= 0], going[f < 0]
        fa[out] /= 2.0
        fb[back] /= 2.0
        b[out], fb[out] = x[f >= 0], f[f >= 0]
        a[back], fa[back] = x[f < 0], f[f < 0]
        going = going[_open(a, b, f, going)]
    return root


def _open(a: FloatArray, b: FloatArray, f: FloatArray, going: IntArray) -> BoolArray:
    return np.asarray((np.abs(f) > _CLOSE) & (np.abs(b[going] - a[going]) > 1e-6), dtype=np.bool_)
