"""Short runs of many parts: one chart of values standardised by family.

A family is what runs alike: same mould or material or size class, never same customer. Each
family has its own centre (its nominal, or the mean of its baseline) and its own sigma; or, where
the data do not speak against it, one sigma for all.

References
----------
.. [1] ISO 7870-8:2017, Control charts: Charting techniques for short runs and small mixed batches.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.equality import EqualityTest, equal_means, equal_spread
from spc.charts.limits import FEWEST
from spc.charts.sigma import MOVING_RANGE, individuals_sigma
from spc.charts.sigma import mean as mean_down


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FamilyChart:
    """Values standardised by family; chart ``z`` with centre 0 and limits ± width.

    Parameters
    ----------
    z
        (value − centre) / sigma of its family, ``(runs, points)``; NaN where the family has no
        sigma.
    off_center
        value − centre of its family, ``(runs, points)``, in the unit of the values.
    families
        Labels in the order in which they first appear, ``(families,)``.
    center, sigma
        Centre and sigma used for each family, ``(families, points)``.
    n
        Baseline values of each family, ``(families, points)``.
    pooled
        True at the points where one sigma serves all families, ``(points,)``.
    pooled_sigma
        Sigma over all families about their own centres, ``(points,)``.
    spread_test, mean_test
        Whether baseline values speak against equal spread; and against equal means (of the values
        less their targets, or of the values as they are where no target was given).
    notes
        One text a point: what the data say about pooling, and which families have no sigma.
    """

    z: Floats
    off_center: Floats
    families: NDArray[np.generic]
    center: Floats
    sigma: Floats
    n: Ints
    pooled: NDArray[np.bool_]
    pooled_sigma: Floats
    spread_test: EqualityTest
    mean_test: EqualityTest
    notes: tuple[str, ...]


def family_chart(
    x: ArrayLike,
    family: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    target: ArrayLike | None = None,
    spans: ArrayLike | None = None,
    estimator: str = MOVING_RANGE,
    pool: bool = False,
    alpha: float = 0.05,
    fewest: int = FEWEST,
) -> FamilyChart:
    """Standardise short runs by family.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing, in time order; families may take turns.
    family
        Label of each run, ``(runs,)``.
    baseline
        True for the runs that centre and sigma come from, ``(runs,)``; None takes all.
    target
        Centre of each run's family, ``(runs,)`` or ``(runs, points)``, constant within a family
        (for deviations from nominal: 0); None takes the mean of the family's baseline.
    spans
        Label of each run, as elsewhere. Moving ranges are taken between runs of one family that
        follow each other in that family's own order, whatever was moulded in between.
    estimator
        See `spc.charts.sigma.individuals_sigma`.
    pool
        Use one sigma for all families at points where the test of equal spread has p ≥ ``alpha``
        and at least two families could be compared.
    alpha
        Level at which the test speaks against pooling.
    fewest
        Fewest baseline values that give a family its own sigma (or, pooled, all families together).
    """
    a = arrays.matrix(x)
    marks = np.asarray(family)
    arrays.require(marks.shape == a.shape[:1], "family", f"of shape {marks.shape}", "one a run")
    mask = arrays.baseline_mask(baseline, (a.shape[0], a.shape[1]))
    base = np.where(mask, a, np.nan)
    names, codes = _codes(marks)
    center, sigma, n = _per_family(base, codes, len(names), target, spans, estimator)
    spread_test = equal_spread(base, marks)
    mean_test = equal_means(base if target is None else base - center[codes], marks)
    pooled_sigma, pooled_n = _pooled(base, center, codes)
    pooled = pool & (spread_test.p >= alpha) & (pooled_n >= fewest)
    own = np.where((n >= fewest) & (sigma > 0), sigma, np.nan)
    used = np.where(pooled, np.where(pooled_sigma > 0, pooled_sigma, np.nan), own)
    off = a - center[codes]
    return FamilyChart(
        z=off / used[codes], off_center=off, families=names, center=center, sigma=used, n=n,
        pooled=pooled, pooled_sigma=pooled_sigma, spread_test=spread_test, mean_test=mean_test,
        notes=_notes(spread_test.p, pooled, used, names, pool, alpha),
    )  # fmt: skip


def _codes(marks: NDArray[np.generic]) -> tuple[NDArray[np.generic], Ints]:
    names, first, inverse = np.unique(marks, return_index=True, return_inverse=True)
    order = np.argsort(first)
    return names[order], np.argsort(order)[inverse]


def _rows(target: ArrayLike | None, a: Floats, fallback: Floats) -> Floats:
    if target is None:
        return fallback
    t = np.asarray(target, dtype=np.float64)
    t = t[:, None] if t.ndim == 1 else t
    return np.broadcast_to(arrays.per_point(t, (a.shape[0], a.shape[1]), "target"), a.shape)


def _per_family(
    base: Floats, codes: Ints, count: int, target: ArrayLike | None,
    spans: ArrayLike | None, estimator: str,
) -> tuple[Floats, Floats, Ints]:  # fmt: skip
    center = np.full((count, base.shape[1]), np.nan)
    sigma, n = center.copy(), np.zeros(center.shape, dtype=np.int64)
    aims = _rows(target, base, base)
    labels = None if spans is None else np.asarray(spans)
    for code in range(count):
        rows = np.flatnonzero(codes == code)
        mine = base[rows]
        found = individuals_sigma(
            mine, spans=None if labels is None else labels[rows], estimator=estimator
        )
        sigma[code], n[code] = found.sigma, found.n
        center[code] = mean_down(mine) if target is None else aims[rows[0]]
        same = target is None or bool((aims[rows] == aims[rows[0]]).all())
        arrays.require(same, "target", "of different values in one family", "constant in a family")
    return center, sigma, n


def _pooled(base: Floats, center: Floats, codes: Ints) -> tuple[Floats, Ints]:
    groups = [base[codes == code] for code in range(len(center))]
    squares, df = np.zeros(base.shape[1]), np.zeros(base.shape[1], dtype=np.int64)
    for group in groups:
        df += np.maximum((~np.isnan(group)).sum(axis=0) - 1, 0)
        squares += np.nansum((group - mean_down(group)) ** 2, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # no family of two: NaN
        return np.sqrt(squares / df), df + (df > 0)


def _notes(
    p: Floats, pooled: NDArray[np.bool_], sigma: Floats, names: NDArray[np.generic],
    pool: bool, alpha: float,
) -> tuple[str, ...]:  # fmt: skip
    def note(j: int) -> str:
        parts = []
        if p[j] < alpha:
            parts.append(
                f"the families differ in spread (p = {p[j]:.2g}): each keeps its own sigma"
            )
        elif pooled[j]:
            parts.append(
                f"the data do not speak against equal spread (p = {p[j]:.2g}): one sigma for all"
            )
        elif pool:
            parts.append("too few data to say whether the families' spread is equal")
        bare = [str(name) for name in names[np.isnan(sigma[:, j])]]
        if bare:
            parts.append(f"no sigma for {', '.join(bare)}: too few values, or none that vary")
        return "; ".join(parts)

    return tuple(note(j) for j in range(len(p)))
