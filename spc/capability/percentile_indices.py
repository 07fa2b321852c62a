"""Indices from percentiles, for readings that are not normal.

The spread is the distance between the readings that have 0.135 % below and above them, the middle
is the median: Pp = (U - L) / (X99.865 - X0.135), upper side (U - X50) / (X99.865 - X50), lower side
(X50 - L) / (X50 - X0.135) [1]_. For a normal shape these are the ordinary indices.

The percentiles come from the shape that was named for the point; where none was, and there are
`PIECES_FOR_ORDERED` readings or more, from the ordered readings themselves. Below
`FEWEST_FOR_TAIL` pieces nothing is said about so small a share.

An interval spans the bootstrap intervals of the shape taken and of every one that the readings do
not tell from it (`Shapes.rivals`), since the rule often names a neighbour. Of 254 to 300 samples a
cell, nominal 95 %, as shipped: for 100 readings it held the truth in 98.2 % (lognormal), 98.0 %
(gamma), 96.0 % (half-normal) and 96.0 % (Weibull), for 300 readings in 98.0, 95.2, 95.9 and 94.6 %;
the low end lay above the truth in 0 to 2.0 and 0.7 to 3.3 %. A share is known to 1.3 %.
What a sample cannot show stays unseen: a t of 5 degrees of freedom passes for normal in half of
such samples of 100.

References
----------
.. [1] ISO 22514-2, Statistical methods in process management: capability and performance of
   processes of any shape (from memory of the standard).
.. [2] Efron & Tibshirani (1993), An Introduction to the Bootstrap, Chapman & Hall, chapters 6, 13.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.batches import UNKNOWN
from spc.capability.bounds import positive
from spc.capability.fits import fit
from spc.capability.resampling import FEWEST_BATCHES_RESAMPLED, quantiles, refits
from spc.capability.shape_readings import shape_readings
from spc.capability.shapes import (
    FAMILIES,
    FEWEST_FOR_TAIL,
    Shapes,
    family_named,
    shape_quantile,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Readings of which, with 95 % confidence, at least one lies beyond the 99.865 % point:
#: log(0.05) / log(0.99865).
PIECES_FOR_ORDERED = 2218
#: Resamples of a shape that was not taken: its interval only widens that of the one that was.
RIVAL_RESAMPLES = 100
_SCORES = np.array([-3.0, 0.0, 3.0])[:, np.newaxis]
_TAIL = special.ndtr(-3.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PercentileIndices:
    """Percentiles and their indices; arrays of shape (points,), lengths in mm.

    Parameters
    ----------
    n
        Pieces read.
    x_low, x_mid, x_high
        Readings with 0.135 %, 50 % and 99.865 % below them.
    pp, pp_low, pp_high
        Index of the spread and its interval; NaN with one limit.
    ppk, ppk_low, ppk_high
        Smaller of the two sides and its interval.
    ppl, ppu
        Lower and upper side; NaN without the limit.
    level
        Confidence level of the intervals.
    method
        Where the percentiles of each point come from: a shape's name, ``ordered readings``, or
        empty for none.
    note
        Plain words a point, empty where there is nothing to say.
    """

    n: IntArray
    x_low: FloatArray
    x_mid: FloatArray
    x_high: FloatArray
    pp: FloatArray
    pp_low: FloatArray
    pp_high: FloatArray
    ppk: FloatArray
    ppk_low: FloatArray
    ppk_high: FloatArray
    ppl: FloatArray
    ppu: FloatArray
    level: float
    method: tuple[str, ...]
    note: tuple[str, ...]


def percentile_indices(
    x: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    shapes: Shapes,
    *,
    rng: np.random.Generator,
    level: float = 0.95,
    resamples: int = 400,
    batch: Sequence[object] | NDArray[np.generic] | None = None,
) -> PercentileIndices:
    """Compute the percentile indices of every point with bootstrap intervals [1]_ [2]_.

    Parameters
    ----------
    x
        Readings that ``shapes`` was fitted to, shape (pieces, points), mm; NaN is missing.
    lower, upper
        Limits, shape (points,) or one number, mm; NaN for no limit.
    shapes
        Shape of every point.
    rng
        Source of the resamples; seed it for equal intervals.
    level
        Confidence level, a fraction.
    resamples
        Resamples a point, at least 200.
    batch
        One label a piece. Whole batches are then resampled, so that the interval counts batches.

    Raises
    ------
    DataError
        If shapes do not fit, a lower limit is not below its upper one, or there are too few
        resamples.
    """
    asked = shape_readings(x, lower, upper, shapes, level=level, resamples=resamples, batch=batch)
    x, low, high, codes = asked.x, asked.low, asked.high, asked.codes
    n = (~np.isnan(x)).sum(axis=0)
    told = n >= FEWEST_FOR_TAIL
    named = np.array([bool(family) for family in shapes.family])
    ordered = ~named & (n >= PIECES_FOR_ORDERED)
    at = np.where(told & named, shape_quantile(shapes, _SCORES), np.nan)
    ends = np.full((4, x.shape[1]), np.nan)
    # Each shape draws for itself, so that others in the interval do not change its own part.
    for name, source in zip((f.name for f in FAMILIES), rng.spawn(len(FAMILIES)), strict=True):
        own = np.array([family == name for family in shapes.family], dtype=np.bool_)
        near = np.array([name in others for others in shapes.rivals], dtype=np.bool_)
        which = np.flatnonzero(told & (own | near))
        if which.size:
            seen = x[:, which]
            fits = np.where(own[which], shapes.parameters[: family_named(name).stored, which],
                            fit(family_named(name), seen))  # fmt: skip
            many = resamples if own.any() else min(resamples, RIVAL_RESAMPLES)
            found = _bootstrap(seen, fits, name, (low[which], high[which]), codes, source, level,
                               many)  # fmt: skip
            ends[:, which] = _widest(ends[:, which], found)
    if ordered.any():
        at[:, ordered] = np.nanquantile(x[:, ordered], special.ndtr(_SCORES[:, 0]), axis=0)
        if codes is None:  # else an interval of independent readings would be too short
            ends[:, ordered] = _ordered_ends(x[:, ordered], (low[ordered], high[ordered]), level)
    batches = 0 if codes is None else np.unique(codes[codes != UNKNOWN]).size
    return _result(at, ends, (low, high), n, shapes, ordered, level, batches)


def _indices(at: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Spread, lower and upper side from the three percentiles; shape (3, ...)."""
    x_low, x_mid, x_high = at
    return np.stack(
        [
            (high - low) / positive(x_high - x_low),
            (x_mid - low) / positive(x_mid - x_low),
            (high - x_mid) / positive(x_high - x_mid),
        ]
    )


def _nearer(indices: FloatArray) -> FloatArray:
    """Spread and nearer side; shape (2, ...)."""
    return np.stack([indices[0], np.fmin(indices[1], indices[2])])


def _bootstrap(
    x: FloatArray,
    parameters: FloatArray,
    name: str,
    tolerance: tuple[FloatArray, FloatArray],
    codes: IntArray | None,
    rng: np.random.Generator,
    level: float,
    resamples: int,
) -> FloatArray:
    """Find both intervals' low, then high ends at one family's points; shape (4, points)."""
    family = family_named(name)
    again = refits(family, x, parameters, codes, rng=rng, resamples=resamples)
    found = _nearer(_indices(family.quantile(_SCORES, parameters), *tolerance))
    at = np.stack([family.quantile(np.asarray(z), again.parameters) for z in (-3.0, 0.0, 3.0)])
    wide = tolerance[0][:, np.newaxis], tolerance[1][:, np.newaxis]
    return _ends(found, _nearer(_indices(at, *wide)), again.shrink, level).reshape(4, x.shape[1])


def _widest(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the outer ends of two shapes' intervals; where a shape has none, the other's."""
    return np.concatenate([np.fmin(one[:2], other[:2]), np.fmax(one[2:], other[2:])])


def _ends(found: FloatArray, drawn: FloatArray, shrink: FloatArray, level: float) -> FloatArray:
    """Turn resampled indices into ends: by ratio where all are above zero, else by difference.

    What the resamples do to the fitted index, the readings did to the true one. As a ratio this is
    exact for the spread of a normal shape; a ratio needs a sign that does not change.
    """
    tail = 0.5 * (1.0 - level)
    above = (np.where(np.isnan(drawn), 1.0, drawn) > 0.0).all(axis=-1) & (found > 0.0)
    ratio = np.log(np.where(above, found, 1.0)[..., np.newaxis]) - np.log(
        np.where(above[..., np.newaxis], drawn, 1.0)
    )
    by_ratio = found * np.exp(quantiles(ratio * shrink, (tail, 1.0 - tail)))
    by_difference = found + quantiles((found[..., np.newaxis] - drawn) * shrink, (tail, 1.0 - tail))
    return np.where(above, by_ratio, by_difference)


def _ordered_ends(
    x: FloatArray, tolerance: tuple[FloatArray, FloatArray], level: float
) -> FloatArray:
    """Find ends from order statistics that hold the three percentiles together (Bonferroni)."""
    lower, upper = tolerance
    least, middle, most = (_percentile(x, p, (1.0 - level) / 6.0) for p in (_TAIL, 0.5, 1 - _TAIL))
    widest, narrowest = most[1] - least[0], positive(most[0] - least[1])
    below = [(m - lower) / positive(m - end) for m in middle for end in least]
    above = [(upper - m) / positive(end - m) for m in middle for end in most]
    sides = np.stack([below, above])
    return np.stack(
        [
            (upper - lower) / positive(widest),
            np.fmin(*sides.min(axis=1)),
            (upper - lower) / narrowest,
            np.fmin(*sides.max(axis=1)),
        ]
    )


def _percentile(x: FloatArray, share: float, tail: float) -> tuple[FloatArray, FloatArray]:
    """Bounds of a percentile from order statistics, each missed with chance ``tail`` at most."""
    n = (~np.isnan(x)).sum(axis=0)
    ordered = np.vstack([np.full((1, x.shape[1]), -np.inf), np.sort(x, axis=0)])
    ordered = np.vstack([np.where(np.isnan(ordered), np.inf, ordered), np.full_like(x[:1], np.inf)])
    count = np.arange(x.shape[0])[:, np.newaxis]
    low = ((special.bdtr(np.minimum(count, n), n, share) <= tail) & (count <= n)).sum(axis=0)
    high = ((special.bdtr(np.minimum(count, n), n, 1 - share) <= tail) & (count <= n)).sum(axis=0)
    column = np.arange(x.shape[1])
    return ordered[low, column], ordered[n + 1 - high, column]


def _result(
    at: FloatArray,
    ends: FloatArray,
    tolerance: tuple[FloatArray, FloatArray],
    n: IntArray,
    shapes: Shapes,
    ordered: NDArray[np.bool_],
    level: float,
    batches: int,
) -> PercentileIndices:
    indices = _indices(at, *tolerance)
    spread, nearer = _nearer(indices)
    known = ~np.isnan(at[1])
    pairs = zip(shapes.family, ordered, known, strict=True)
    method = tuple(("ordered readings" if o else f) if k else "" for f, o, k in pairs)
    return PercentileIndices(
        n=n,
        x_low=at[0],
        x_mid=at[1],
        x_high=at[2],
        pp=spread,
        pp_low=ends[0],
        pp_high=ends[2],
        ppk=nearer,
        ppk_low=ends[1],
        ppk_high=ends[3],
        ppl=indices[1],
        ppu=indices[2],
        level=level,
        method=method,
        note=tuple(
            _note(
                int(n[j]), method[j], bool(np.isnan(ends[1, j])), bool(np.isnan(nearer[j])), batches
            )
            for j in range(n.size)
        ),
    )


def _note(n: int, method: str, no_interval: bool, no_index: bool, batches: int) -> str:
    if n < FEWEST_FOR_TAIL:
        return f"{n} pieces, fewer than {FEWEST_FOR_TAIL}: nothing is said about 0.135 % tails."
    if not method:
        return (
            f"No shape fits, and {n} pieces are fewer than the {PIECES_FOR_ORDERED} whose own "
            "readings reach the 0.135 % tails."
        )
    if no_index:
        return "No tolerance: nothing to set the spread against."
    if method == "ordered readings" and batches:
        return (
            "Ordered readings take pieces as independent and these came in batches: an interval "
            "from them would be too short, so none is given."
        )
    if no_interval and 0 < batches < FEWEST_BATCHES_RESAMPLED:
        few = f"{batches} batches, fewer than {FEWEST_BATCHES_RESAMPLED}"
        return f"{few}: an interval from them would be too short, so none is given."
    if method != "ordered readings":
        return (
            "The interval spans every shape that these pieces do not tell from it; a longer tail "
            "can go unseen in so few."
        )
    return ""
