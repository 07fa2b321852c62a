"""Which shape the readings of a point have, by a rule that is stated and the same for all.

1. Below `FEWEST_FOR_SHAPE` pieces no shape can be told from another, and none is named.
2. Families of two parameters come first: the normal for signed deviations; for errors of form,
   which cannot fall below zero, the folded normal, lognormal and Weibull, best BIC first.
3. Then those of three and four (shifted lognormal, Johnson unbounded and bounded), best BIC first.
4. The first whose Anderson-Darling p value is at least ``alpha`` is taken; if none is, none is.

BIC is Schwarz's criterion (1978, Annals of Statistics 6, 461-464). The order and ``alpha`` = 0.05
are common practice, no published source: a lower one would keep the plain shape longer, and a long
tail that goes unseen makes an index look better than it is.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.batches import UNKNOWN, batch_codes
from spc.capability.families import (
    FOLDED_NORMAL,
    JOHNSON_BOUNDED,
    JOHNSON_UNBOUNDED,
    LOGNORMAL,
    NORMAL,
    SHIFTED_LOGNORMAL,
    WEIBULL,
    Family,
    OfReadings,
)
from spc.capability.fits import fit
from spc.capability.goodness import p_values
from spc.capability.indices import readings
from spc.errors import DataError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Fewest pieces for naming a shape: common practice, no published source.
FEWEST_FOR_SHAPE = 25
#: Fewest pieces for a word about the tails (0.135 % at each end): common practice, no published
#: source.
FEWEST_FOR_TAIL = 100
#: A criterion higher by more than this is strong evidence against a shape (Kass and Raftery
#: 1995, Journal of the American Statistical Association 90, 773-795; from memory).
NEAR = 6.0

FAMILIES: tuple[Family, ...] = (
    NORMAL,
    FOLDED_NORMAL,
    LOGNORMAL,
    WEIBULL,
    SHIFTED_LOGNORMAL,
    JOHNSON_UNBOUNDED,
    JOHNSON_BOUNDED,
)
_OF_FORM = np.array([False, True, True, True, True, True, True])
_SIGNED = np.array([True, False, False, False, True, True, True])
_PLAIN = np.array([True, True, True, True, False, False, False])


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One family tried at one point.

    Parameters
    ----------
    family
        Its name.
    bic
        Schwarz's criterion; smaller is better.
    statistic, p_value
        Anderson-Darling statistic and its p value.
    """

    family: str
    bic: float
    statistic: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shapes:
    """The shape of every point.

    Parameters
    ----------
    n
        Pieces read, shape (points,).
    family
        Name of the family taken at each point; empty for none.
    parameters
        Its parameters, shape (4, points), NaN where the family has fewer or there is none; their
        order is told in `spc.capability.families`.
    p_value
        Its Anderson-Darling p value, shape (points,).
    tried
        What was tried at each point, in order.
    alpha
        p value below which a family was turned down.
    rivals
        Names of the families at each point that were not taken, but come so near by Schwarz's
        criterion (`NEAR`) that these readings do not tell them from the one that was.
    note
        Plain words a point, empty where there is nothing to say.
    """

    n: IntArray
    family: tuple[str, ...]
    parameters: FloatArray
    p_value: FloatArray
    tried: tuple[tuple[Trial, ...], ...]
    alpha: float
    rivals: tuple[tuple[str, ...], ...]
    note: tuple[str, ...]


def fit_shapes(
    x: ArrayLike,
    *,
    rng: np.random.Generator,
    form: ArrayLike = False,
    resamples: int = 199,
    alpha: float = 0.05,
    batch: Sequence[object] | NDArray[np.generic] | None = None,
) -> Shapes:
    """Name the shape of every point by the rule at the top of this module.

    Parameters
    ----------
    x
        Readings, shape (pieces, points), mm; NaN is missing. One dimension is one point.
    rng
        Source of the resamples; seed it for equal p values.
    form
        True at points that cannot fall below zero (errors of form), one truth value or one a point.
    resamples
        Resamples for a p value, at least 99.
    alpha
        p value below which a family is turned down.
    batch
        One label a piece. The p values then allow for pieces of one batch lying together; pieces of
        no known batch are left out. Without it pieces are taken as independent, and readings of a
        few batches look like no shape at all.

    Raises
    ------
    DataError
        If ``batch`` has not one label a piece, ``alpha`` or ``resamples`` is out of range, or a
        reading of an error of form is negative.
    """
    x = readings(x)
    if not 0.0 < alpha < 1.0 or resamples < 99:
        raise DataError(
            f"alpha must lie in 0 to 1, not {alpha}; resamples from 99, not {resamples}"
        )
    of_form = np.broadcast_to(np.asarray(form, dtype=np.bool_), (x.shape[1],))
    if (np.where(of_form, x, 0.0) < 0.0).any():
        raise DataError("an error of form cannot be negative; give form=True only at such points")
    codes = None if batch is None else batch_codes(batch, x.shape[0])
    if codes is not None:
        x = np.where(codes[:, np.newaxis] == UNKNOWN, np.nan, x)
    n = (~np.isnan(x)).sum(axis=0)
    work = np.where(n >= FEWEST_FOR_SHAPE, x, np.nan)
    parameters = [_padded(fit(family, work)) for family in FAMILIES]
    bic = _bic(work, parameters, n)
    allowed = np.where(of_form, _OF_FORM[:, np.newaxis], _SIGNED[:, np.newaxis])
    order = _order(np.where(allowed, bic, np.inf))
    tried: list[list[Trial]] = [[] for _ in range(x.shape[1])]
    chosen = _choose(work, codes, parameters, bic, order, tried, rng, resamples, alpha)
    rivals = _rivals(np.where(allowed, bic, np.inf), chosen, tried, alpha)
    return _result(x, n, parameters, chosen, tried, alpha, rivals)


def shape_quantile(shapes: Shapes, score: ArrayLike) -> FloatArray:
    """Compute the reading at a normal score at every point: score 3 has 99.865 % below it.

    Parameters
    ----------
    shapes
        Shapes of the points.
    score
        Normal score, one number or shape (points,) or (rows, points).

    Returns
    -------
    ndarray
        Readings, mm, shape (points,) or (rows, points); NaN where there is no shape.
    """
    return _by_family(shapes, score, lambda family: family.quantile)


def shape_log_below(shapes: Shapes, at: ArrayLike) -> FloatArray:
    """Compute the log of the share below a reading; arguments as in `shape_quantile`."""
    return _by_family(shapes, at, lambda family: family.log_below)


def shape_log_above(shapes: Shapes, at: ArrayLike) -> FloatArray:
    """Compute the log of the share above a reading; arguments as in `shape_quantile`."""
    return _by_family(shapes, at, lambda family: family.log_above)


def family_named(name: str) -> Family:
    """Return the family of that name.

    Raises
    ------
    DataError
        If there is none.
    """
    for family in FAMILIES:
        if family.name == name:
            return family
    raise DataError(f"no shape is called '{name}'")


def _by_family(shapes: Shapes, at: ArrayLike, part: Callable[[Family], OfReadings]) -> FloatArray:
    """Evaluate one function of each point's own family."""
    names = np.array(shapes.family, dtype=object)
    values = np.asarray(at, dtype=np.float64)
    values = np.broadcast_to(values, np.broadcast_shapes(values.shape, names.shape))
    found = np.full(values.shape, np.nan)
    for family in FAMILIES:
        which = names == family.name
        if which.any():
            own = shapes.parameters[: family.stored, which]
            found[..., which] = part(family)(np.ascontiguousarray(values[..., which]), own)
    return found


def _padded(parameters: FloatArray) -> FloatArray:
    return np.pad(parameters, ((0, 4 - len(parameters)), (0, 0)), constant_values=np.nan)


def _bic(x: FloatArray, parameters: list[FloatArray], n: IntArray) -> FloatArray:
    """Schwarz's criterion of every family at every point; infinite where it does not apply."""
    seen = ~np.isnan(x)
    rows = []
    for family, p in zip(FAMILIES, parameters, strict=True):
        density = family.log_density(x, p[: family.stored])
        total = np.where(seen, density, 0.0).sum(axis=0)
        rows.append(family.free * np.log(np.maximum(n, 1)) - 2.0 * total)
    bic = np.stack(rows)
    fitted = np.stack([~np.isnan(p[0]) for p in parameters])
    return np.where(fitted & np.isfinite(bic), bic, np.inf)


def _order(bic: FloatArray) -> IntArray:
    """Rank the families of each point: plain ones first, then by criterion; -1 past the last."""
    tier = np.where(_PLAIN, 0, 1)[:, np.newaxis] + np.zeros_like(bic)
    order = np.lexsort((bic, tier), axis=0)
    return np.where(np.isinf(np.take_along_axis(bic, order, axis=0)), -1, order)


def _choose(
    x: FloatArray,
    codes: IntArray | None,
    parameters: list[FloatArray],
    bic: FloatArray,
    order: IntArray,
    tried: list[list[Trial]],
    rng: np.random.Generator,
    resamples: int,
    alpha: float,
) -> IntArray:
    """Test the families of each point in its order until one is taken; -1 where none is."""
    chosen = np.full(x.shape[1], -1)
    for turn in order:
        for index, family in enumerate(FAMILIES):
            at = np.flatnonzero((turn == index) & (chosen == -1))
            if not at.size:
                continue
            own = parameters[index][: family.stored, at]
            statistic, p = p_values(
                family, x[:, at], own, rng=rng, resamples=resamples, codes=codes
            )
            for j, point in enumerate(at):
                tried[point].append(
                    Trial(
                        family=family.name,
                        bic=float(bic[index, point]),
                        statistic=float(statistic[j]),
                        p_value=float(p[j]),
                    )
                )
            chosen[at] = np.where(p >= alpha, index, -1)
    return chosen


def _rivals(
    bic: FloatArray, chosen: IntArray, tried: list[list[Trial]], alpha: float
) -> tuple[tuple[str, ...], ...]:
    """Name the families at each point that the readings do not tell from the one taken."""
    found = []
    for j, own in enumerate(chosen):
        down = {t.family for t in tried[j] if t.p_value < alpha}
        near = np.flatnonzero(bic[:, j] <= bic[:, j].min() + NEAR) if own >= 0 else np.zeros(0, int)
        found.append(tuple(
            FAMILIES[k].name for k in near
            if k != own and FAMILIES[k].name not in down and np.isfinite(bic[k, j])
        ))  # fmt: skip
    return tuple(found)


def _result(
    x: FloatArray,
    n: IntArray,
    parameters: list[FloatArray],
    chosen: IntArray,
    tried: list[list[Trial]],
    alpha: float,
    rivals: tuple[tuple[str, ...], ...],
) -> Shapes:
    points = range(x.shape[1])
    none = np.full(4, np.nan)
    own = [parameters[chosen[j]][:, j] if chosen[j] >= 0 else none for j in points]
    p = [tried[j][-1].p_value if chosen[j] >= 0 else np.nan for j in points]
    return Shapes(
        n=n,
        family=tuple(FAMILIES[k].name if k >= 0 else "" for k in chosen),
        parameters=np.array(own).reshape(-1, 4).T,
        p_value=np.array(p, dtype=np.float64),
        tried=tuple(tuple(t) for t in tried),
        alpha=alpha,
        rivals=rivals,
        note=tuple(_note(x[:, j], int(n[j]), bool(chosen[j] >= 0), alpha) for j in points),
    )


def _note(x: FloatArray, n: int, fits: bool, alpha: float) -> str:
    if n < FEWEST_FOR_SHAPE:
        return f"{n} pieces, fewer than {FEWEST_FOR_SHAPE}: no shape can be told from another."
    said = []
    distinct = np.unique(x[~np.isnan(x)]).size
    if distinct == 1:
        return f"All {n} pieces read alike: there is no shape."
    if not fits:
        said.append(f"None of the shapes tried fits (p below {alpha:g}).")
    if distinct < n // 4:
        said.append(f"Only {distinct} different readings: coarse steps alone can fail the test.")
    if n < FEWEST_FOR_TAIL:
        said.append(f"{n} pieces, fewer than {FEWEST_FOR_TAIL}: nothing is said about the tails.")
    return " ".join(said)
