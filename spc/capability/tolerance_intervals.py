"""Statistical tolerance intervals: where a stated share of all pieces lies, with confidence.

Three ways: normal with independent pieces (exact factors), normal with pieces in batches (pivots,
approximate), and without any shape (order statistics of independent pieces).

References
----------
.. [1] ISO 16269-6, Statistical interpretation of data: statistical tolerance intervals (from memory
   of the standard).
.. [2] Wilks (1941), Determination of sample sizes for setting tolerance limits, Annals of
   Mathematical Statistics 12, 91-96 (order statistics).
.. [3] Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, Wiley, chapter 5 (batches).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.batch_pivots import draws, slices
from spc.capability.batches import UNKNOWN, Components, batch_codes, batch_components
from spc.capability.bounds import positive
from spc.capability.indices import readings
from spc.capability.spread import independent
from spc.capability.tolerance_factors import (
    check_share,
    half_width,
    one_sided_factor,
    two_sided_factor,
)
from spc.errors import DataError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BOTH, LOWER, UPPER = "both", "lower", "upper"
NORMAL, ORDERED = "normal", "order statistics"
_MOST = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToleranceIntervals:
    """Where a share of all pieces lies at each point; arrays of shape (points,).

    Parameters
    ----------
    low, high
        Ends, mm; infinite on an open side, NaN where the data cannot give one.
    n
        Pieces that it stands on.
    coverage
        Share of all pieces to be held.
    level
        Confidence level asked for.
    achieved
        Confidence reached: ``level`` for a shape, at least that with order statistics.
    side
        ``both``, ``lower`` or ``upper``: the side that is bounded.
    method
        How it was computed, in words that a page can print.
    note
        Plain words a point, empty where there is nothing to say.
    """

    low: FloatArray
    high: FloatArray
    n: IntArray
    coverage: float
    level: float
    achieved: FloatArray
    side: str
    method: str
    note: tuple[str, ...]


def tolerance_intervals(
    x: ArrayLike,
    *,
    coverage: float = 0.99,
    level: float = 0.95,
    side: str = BOTH,
    batch: Sequence[object] | NDArray[np.generic] | None = None,
) -> ToleranceIntervals:
    """Compute normal tolerance intervals at every point [1]_ [3]_.

    Parameters
    ----------
    x
        Readings, shape (pieces, points), mm; NaN is missing. One dimension is one point.
    coverage
        Share of all pieces to be held, a fraction.
    level
        Confidence level, a fraction.
    side
        ``both`` for an interval, ``lower`` or ``upper`` for one limit.
    batch
        One label a piece. Pieces of no known batch are then left out; the interval is for pieces
        of batches not yet seen, and approximate.

    Raises
    ------
    DataError
        If ``side`` is unknown, a fraction is none, or ``batch`` has not one label a piece.

    Examples
    --------
    >>> found = tolerance_intervals([9.8, 10.1, 10.0, 10.3, 9.9, 10.1], coverage=0.9)
    >>> print(f"{found.low[0]:.2f} {found.high[0]:.2f}")
    9.38 10.69
    """
    _check(coverage, level, side)
    x = readings(x)
    if batch is not None:
        codes = batch_codes(batch, x.shape[0])
        x = np.where(codes[:, np.newaxis] == UNKNOWN, np.nan, x)
        return _of_batches(x, codes, coverage, level, side)
    spread = independent(x)
    k = (two_sided_factor if side == BOTH else one_sided_factor)(spread.n, coverage, level)
    reach = k * np.sqrt(spread.var)
    return ToleranceIntervals(
        low=_end(spread.mean - reach, side, LOWER),
        high=_end(spread.mean + reach, side, UPPER),
        n=spread.n,
        coverage=coverage,
        level=level,
        achieved=np.where(spread.n > 1, level, np.nan),
        side=side,
        method="normal, exact factor",
        note=tuple(_too_few(int(n)) for n in spread.n),
    )


def ordered_intervals(
    x: ArrayLike, *, coverage: float = 0.99, level: float = 0.95, side: str = BOTH
) -> ToleranceIntervals:
    """Compute tolerance intervals of any shape, from order statistics [2]_.

    The ends are readings: as many are left outside as the confidence allows, equally many at each
    end. Where even the smallest and largest reading do not reach the confidence, there is no
    interval and the note says how many pieces are needed. Pieces are taken as independent; pieces
    in batches are not, and then the true confidence is lower.

    Arguments and errors as in `tolerance_intervals`.

    Examples
    --------
    >>> found = ordered_intervals(range(100), coverage=0.95)
    >>> print(f"{found.low[0]:.0f} {found.high[0]:.0f} {found.achieved[0]:.3f}")
    0 99 0.963
    """
    _check(coverage, level, side)
    x = readings(x)
    n = np.isfinite(x).sum(axis=0)
    outside = _left_outside(n, coverage, level, step=2 if side == BOTH else 1)
    each = outside // 2 if side == BOTH else outside
    known = outside > 0
    ordered = np.vstack([np.sort(x, axis=0), np.full((1, x.shape[1]), np.nan)])
    at = np.arange(x.shape[1])
    low = np.where(known, ordered[np.where(known, each - 1, -1), at], np.nan)
    high = np.where(known, ordered[np.where(known, n - each, -1), at], np.nan)
    needed = pieces_for_order_statistics(coverage, level, side)
    short = f"fewer than the {needed} that order statistics need for {100 * coverage:g} % of pieces"
    return ToleranceIntervals(
        low=_end(low, side, LOWER),
        high=_end(high, side, UPPER),
        n=n,
        coverage=coverage,
        level=level,
        achieved=np.where(known, special.bdtr(n - outside, np.maximum(n, 1), coverage), np.nan),
        side=side,
        method="order statistics, no shape assumed",
        note=tuple("" if ok else f"{k} pieces, {short}." for k, ok in zip(n, known, strict=True)),
    )


def pieces_for_order_statistics(coverage: float, level: float, side: str = BOTH) -> int:
    """Find the fewest pieces whose extremes hold the share with the confidence [2]_.

    Examples
    --------
    Wilks's figures for 95 % of pieces with 95 % confidence, two-sided and one-sided:

    >>> pieces_for_order_statistics(0.95, 0.95), pieces_for_order_statistics(0.95, 0.95, "upper")
    (93, 59)
    """
    _check(coverage, level, side)
    out = 2 if side == BOTH else 1
    low, high = 1, 2
    while special.bdtr(high - out, high, coverage) < level:
        low, high = high, 2 * high
        if high > _MOST:
            raise DataError(
                f"coverage {coverage} with confidence {level} needs over {_MOST} pieces"
            )
    while high - low > 1:
        middle = (low + high) // 2
        enough = special.bdtr(middle - out, middle, coverage) >= level
        low, high = (low, middle) if enough else (middle, high)
    return high


def _check(coverage: float, level: float, side: str) -> None:
    check_share(coverage, "coverage")
    check_share(level, "level")
    if side not in (BOTH, LOWER, UPPER):
        raise DataError(f"side must be '{BOTH}', '{LOWER}' or '{UPPER}', not '{side}'")


def _end(values: FloatArray, side: str, end: str) -> FloatArray:
    """Open the end that is not bounded, but leave NaN where nothing is known."""
    if side in (BOTH, end):
        return values
    return np.where(np.isnan(values), np.nan, -np.inf if end == LOWER else np.inf)


def _too_few(n: int) -> str:
    return "" if n > 1 else f"{n} piece{'' if n == 1 else 's'}: no spread, no interval."


def _left_outside(n: IntArray, coverage: float, level: float, *, step: int) -> IntArray:
    """Count the readings that may be cut off in all, a multiple of ``step``; 0 for none."""
    most = int(n.max(initial=0))
    cut = np.arange(step, most + 1, step)[:, np.newaxis]
    some = np.maximum(n, 1)
    left = np.maximum(some - cut, 0)
    enough = (special.bdtr(left, some, coverage) >= level) & (cut <= n)
    return np.asarray(step * enough.sum(axis=0), dtype=np.int64)


def _of_batches(
    x: FloatArray, codes: IntArray, coverage: float, level: float, side: str
) -> ToleranceIntervals:
    found = batch_components(x, codes)
    reach = [_reach(found, at, coverage, level, side) for at in slices(found.pieces.size)]
    half = np.concatenate(reach)
    few = "No two batches read: how batches differ is not seen, so there is no interval."
    return ToleranceIntervals(
        low=_end(found.mean - half, side, LOWER),
        high=_end(found.mean + half, side, UPPER),
        n=found.pieces,
        coverage=coverage,
        level=level,
        achieved=np.where(np.isfinite(half), level, np.nan),
        side=side,
        method="normal over batches, approximate (generalized pivots)",
        note=tuple("" if b > 1 else few for b in found.batches),
    )


def _reach(found: Components, at: slice, coverage: float, level: float, side: str) -> FloatArray:
    """Distance of the end from the mean that holds the share in ``level`` of the draws."""
    drawn = draws(found, at)
    sd = np.sqrt(positive(drawn.total))
    if side == BOTH:
        half = sd * half_width(drawn.noise / sd, coverage)
    else:
        half = drawn.noise + special.ndtri(coverage) * sd
    return np.asarray(np.quantile(half, level, axis=0), dtype=np.float64)
