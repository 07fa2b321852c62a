"""Pieces outside the tolerance: how many were seen, and how many the shape leads to expect.

The seen share needs no shape and has an exact interval. The expected share reaches farther, as far
as the shape is right; for a normal shape its interval comes from pivots (of pieces or of batches),
for another from fits to resamples. Shares are computed from tails, never as one less a share.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.batch_pivots import draws, slices
from spc.capability.batches import Components, batch_components
from spc.capability.bounds import positive
from spc.capability.families import NORMAL
from spc.capability.proportions import batched_proportion_interval, proportion_interval
from spc.capability.resampling import FEWEST_BATCHES_RESAMPLED, quantiles, refits
from spc.capability.shape_readings import shape_readings
from spc.capability.shapes import (
    FEWEST_FOR_TAIL,
    Shapes,
    family_named,
    shape_log_above,
    shape_log_below,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fractions:
    """Share of pieces outside the tolerance; arrays of shape (points,), shares from 0 to 1.

    Parameters
    ----------
    n
        Pieces read.
    count_below, count_above
        Pieces seen below the lower and above the upper limit.
    seen, seen_low, seen_high
        Share seen outside and its interval.
    expected_below, expected_above
        Share that the shape leads to expect beyond each limit.
    expected, expected_low, expected_high
        Both together and the interval of both; NaN where there is no shape, or where fewer than
        `FEWEST_FOR_TAIL` pieces would have to speak for less than one piece among them.
    level
        Confidence level of the intervals.
    method
        Shape of each point, empty for none.
    note
        Plain words a point, empty where there is nothing to say.
    """

    n: IntArray
    count_below: IntArray
    count_above: IntArray
    seen: FloatArray
    seen_low: FloatArray
    seen_high: FloatArray
    expected_below: FloatArray
    expected_above: FloatArray
    expected: FloatArray
    expected_low: FloatArray
    expected_high: FloatArray
    level: float
    method: tuple[str, ...]
    note: tuple[str, ...]


def fractions_outside(
    x: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    shapes: Shapes,
    *,
    rng: np.random.Generator,
    level: float = 0.95,
    resamples: int = 400,
    batch: Sequence[object] | NDArray[np.generic] | None = None,
) -> Fractions:
    """Compute the seen and the expected share outside at every point.

    Parameters
    ----------
    x
        Readings that ``shapes`` was fitted to, shape (pieces, points), mm; NaN is missing.
    lower, upper
        Limits, shape (points,) or one number, mm; NaN for no limit. A reading at a limit is inside.
    shapes
        Shape of every point.
    rng
        Source of the resamples; only shapes other than the normal need it.
    level
        Confidence level, a fraction.
    resamples
        Resamples a point, at least 200.
    batch
        One label a piece; then both intervals count batches. Pieces of no known batch are left out
        of the intervals.

    Raises
    ------
    DataError
        If shapes do not fit, a lower limit is not below its upper one, or there are too few
        resamples.
    """
    asked = shape_readings(x, lower, upper, shapes, level=level, resamples=resamples, batch=batch)
    x, low, high, codes = asked.x, asked.low, asked.high, asked.codes
    parts = None if codes is None else batch_components(x, codes)
    below, above = np.exp(shape_log_below(shapes, low)), np.exp(shape_log_above(shapes, high))
    both = _both(below, above)
    ends = _expected_ends(x, (low, high), shapes, codes, rng, level, resamples)
    return _result(x, (low, high), (below, above, both), ends, parts, shapes, level)


def _both(below: FloatArray, above: FloatArray) -> FloatArray:
    """Add the two shares; a limit that does not exist adds nothing, two that do not give NaN."""
    none = np.isnan(below) & np.isnan(above)
    total = np.nan_to_num(below) + np.nan_to_num(above)
    return np.where(none, np.nan, np.minimum(total, 1.0))


def _expected_ends(
    x: FloatArray,
    tolerance: tuple[FloatArray, FloatArray],
    shapes: Shapes,
    codes: IntArray | None,
    rng: np.random.Generator,
    level: float,
    resamples: int,
) -> FloatArray:
    """Find the ends of the expected share's interval, shape (2, points), family by family."""
    ends = np.full((2, x.shape[1]), np.nan)
    tail = 0.5 * (1.0 - level)
    for name in sorted(set(shapes.family) - {""}):
        which = np.flatnonzero(np.array(shapes.family) == name)
        low, high = tolerance[0][which], tolerance[1][which]
        if name == NORMAL.name:
            found = batch_components(x[:, which], np.arange(len(x)) if codes is None else codes)
            ends[:, which] = _by_pivots(found, (low, high), (tail, 1.0 - tail))
            continue
        family, wide = family_named(name), (low[:, np.newaxis], high[:, np.newaxis])
        own = shapes.parameters[: family.stored, which]
        again = refits(family, x[:, which], own, codes, rng=rng, resamples=resamples)
        shape = again.parameters.shape[1:]
        drawn = _log_both(
            family.log_below(np.broadcast_to(wide[0], shape), again.parameters),
            family.log_above(np.broadcast_to(wide[1], shape), again.parameters),
        )
        fitted = _log_both(family.log_below(low, own), family.log_above(high, own))[:, np.newaxis]
        with np.errstate(invalid="ignore"):  # no share at all in both: no difference
            moved = np.where(drawn == fitted, fitted, fitted + (drawn - fitted) * again.shrink)
        ends[:, which] = np.exp(quantiles(moved, (tail, 1.0 - tail)))
    return np.asarray(np.minimum(ends, 1.0))


def _log_both(below: FloatArray, above: FloatArray) -> FloatArray:
    none = np.isnan(below) & np.isnan(above)
    total = np.logaddexp(
        np.where(np.isnan(below), -np.inf, below), np.where(np.isnan(above), -np.inf, above)
    )
    return np.where(none, np.nan, total)


def _by_pivots(
    found: Components, tolerance: tuple[FloatArray, FloatArray], probabilities: tuple[float, float]
) -> FloatArray:
    """Quantiles of the share outside over draws of a normal's mean and spread."""
    parts = []
    for at in slices(found.pieces.size):
        drawn = draws(found, at)
        mean, sd = found.mean[at] + drawn.noise, np.sqrt(positive(drawn.total))
        share = _both(
            special.ndtr((tolerance[0][at] - mean) / sd),
            special.ndtr((mean - tolerance[1][at]) / sd),
        )
        parts.append(np.quantile(share, probabilities, axis=0))
    return np.concatenate(parts, axis=1)


def _result(
    x: FloatArray,
    tolerance: tuple[FloatArray, FloatArray],
    expected: tuple[FloatArray, FloatArray, FloatArray],
    ends: FloatArray,
    parts: Components | None,
    shapes: Shapes,
    level: float,
) -> Fractions:
    n = (~np.isnan(x)).sum(axis=0)
    count_below = (x < tolerance[0]).sum(axis=0)
    count_above = (x > tolerance[1]).sum(axis=0)
    count, judged = count_below + count_above, ~np.isnan(tolerance[0]) | ~np.isnan(tolerance[1])
    seen_low, seen_high = _seen_interval(count, n, parts, level)
    told = (n >= FEWEST_FOR_TAIL) | (expected[2] * n >= 1.0)
    keep = [np.where(told, values, np.nan) for values in (*expected, *ends)]
    return Fractions(
        n=n,
        count_below=count_below,
        count_above=count_above,
        seen=np.where(judged & (n > 0), count / np.maximum(n, 1), np.nan),
        seen_low=np.where(judged, seen_low, np.nan),
        seen_high=np.where(judged, seen_high, np.nan),
        expected_below=keep[0],
        expected_above=keep[1],
        expected=keep[2],
        expected_low=keep[3],
        expected_high=keep[4],
        level=level,
        method=shapes.family,
        note=tuple(
            _note(
                int(n[j]),
                shapes.family[j],
                bool(judged[j]),
                float(expected[2][j]),
                bool(np.isnan(ends[0, j])),
                0 if parts is None else int(parts.batches[j]),
            )
            for j in range(n.size)
        ),
    )


def _seen_interval(
    count: IntArray, n: IntArray, parts: Components | None, level: float
) -> tuple[FloatArray, FloatArray]:
    low, high = proportion_interval(count, n, level)
    if parts is None:
        return low, high
    several = parts.batches > 1
    in_batches = batched_proportion_interval(count, n, parts.effective, parts.batches, level)
    return np.where(several, in_batches[0], low), np.where(several, in_batches[1], high)


def _note(
    n: int, family: str, judged: bool, expected: float, no_interval: bool, batches: int
) -> str:
    if not judged:
        return "No tolerance: nothing is inside or outside."
    if n == 0:
        return "No piece read at this point."
    one = "All pieces from one batch: the interval is that batch's, not the process's."
    said = [one] if batches == 1 else []
    if not family:
        said.append("No shape was named, so no share is expected beyond what was seen.")
    elif n < FEWEST_FOR_TAIL and expected * n < 1.0:
        said.append(
            f"{n} pieces, fewer than {FEWEST_FOR_TAIL}, cannot speak for less than one piece among "
            "them: only the seen share is given."
        )
    elif expected * n < 1.0:
        said.append(
            f"Less than one piece among the {n} read is expected outside: this rests on the tail "
            "of the shape, not on pieces seen."
        )
    if family and no_interval and 1 < batches < FEWEST_BATCHES_RESAMPLED:
        said.append(f"{batches} batches are too few to resample: no interval.")
    return " ".join(said)
