"""Surfaces: groups of like points, and the whole piece, judged on all their points together.

The profile tolerance of a surface is kept by a piece if every one of its points lies inside. Two
figures say how well: the yield (the share of pieces with every point inside, from the points' own
correlation), and the largest share of its tolerance that any point of a piece uses, a size above
zero with a limit of 1 on one side.

The index of that share stands on a shape that is near the true one and not it: of 20 simulated
surfaces of three points (400 pieces in 20 batches, most of the deviation in common), the interval
of nominal 95 % held the true index at 16, missed it at 3, and no shape fitted at one; the indices
were off by a fifth at most.
"""

from dataclasses import dataclass
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt

from spc.capability.indices import Capability
from spc.capability.joint_yield import JointYield, joint_yield
from spc.capability.notes import FEWEST_FOR_INDEX
from spc.capability.percentile_indices import PercentileIndices
from spc.capability.verdict_words import REFUSED
from spc.interval import Estimate
from spc.studies.arrays import Array
from spc.studies.capability_asked import TESTED, Asked
from spc.studies.capability_points import PointCapability
from spc.studies.capability_shape import Seen, shape_of
from spc.studies.capability_stability import Stability
from spc.studies.capability_verdicts import Standing, decided

#: Name of the group that holds every check point.
ALL = "all check points"
#: Name of the points that the plan gives no letter.
NO_LETTER = "no group"


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCapability:
    """A group of points with a tolerance, judged together; lengths in mm.

    Parameters
    ----------
    group
        The plan's letter, ``no group``, or ``all check points``.
    points
        Its points that have a tolerance.
    pieces, incomplete
        Pieces with every one of them read, and pieces left out since one was not.
    batches
        Batches that the pieces came from.
    good
        Pieces with every point inside.
    share, share_low, share_high, share_note
        Their share, its interval, and what limits it.
    modelled, modelled_low, modelled_high, modelled_note
        The share to expect from the readings' own covariance, its interval, and what limits it.
    if_independent
        What would be expected if the points had nothing to do with each other.
    simulation_error
        Standard error of ``modelled`` from simulating alone.
    sd_within, sd_between, sd
        Root mean squares over the points: spread within batches, of the batches' own levels, and
        of a piece of a batch not yet seen.
    worst, worst_outside
        The point with the least room between its mean and its limits in units of its spread, and
        the pieces outside there.
    stable
        True where all of its points are stable, False where one is not, None where it cannot be
        told.
    used, used_largest
        Median and largest of the largest share of its tolerance that any point of a piece uses; 1
        is at a limit.
    ppk, ppk_low, ppk_high
        Percentile index of that share against 1, and its interval; NaN where it may not be given.
    shape
        The shape that the index stands on; empty without one.
    verdict
        ``shown``, ``not shown``, ``cannot be shown`` or ``refused``.
    reason
        The verdict in words.
    """

    group: str
    points: tuple[str, ...]
    pieces: int
    incomplete: int
    batches: int
    good: int
    share: float
    share_low: float
    share_high: float
    share_note: str
    modelled: float
    modelled_low: float
    modelled_high: float
    modelled_note: str
    if_independent: float
    simulation_error: float
    sd_within: float
    sd_between: float
    sd: float
    worst: str
    worst_outside: int
    stable: bool | None
    used: float
    used_largest: float
    ppk: float
    ppk_low: float
    ppk_high: float
    shape: str
    verdict: str
    reason: str


def group_capabilities(
    x: Array, found: Capability, points: tuple[PointCapability, ...], lots: tuple[str, ...],
    asked: Asked,
) -> tuple[GroupCapability, ...]:  # fmt: skip
    """Judge each group of two points or more that have a tolerance, and all points together."""
    limited = np.isfinite(found.lower) | np.isfinite(found.upper)
    toleranced = np.flatnonzero(limited).tolist()
    letters: dict[str, list[int]] = {}
    for at in toleranced:
        letters.setdefault(points[at].group or NO_LETTER, []).append(at)
    listed = [(name, places) for name, places in sorted(letters.items()) if len(places) > 1]
    if len(toleranced) > 1:
        listed = [*(g for g in listed if len(g[1]) < len(toleranced)), (ALL, toleranced)]
    return tuple(
        _judged(name, np.array(places), x, found, points, lots, asked) for name, places in listed
    )


def _judged(
    name: str, at: npt.NDArray[np.int64], x: Array, found: Capability,
    points: tuple[PointCapability, ...], lots: tuple[str, ...], asked: Asked,
) -> GroupCapability:  # fmt: skip
    mine = tuple(points[i] for i in at)
    steady = _steady(mine)
    own, lower, upper = x[:, at], found.lower[at], found.upper[at]
    kept = joint_yield(
        own, lower, upper, rng=np.random.default_rng(crc32(name.encode())), level=asked.level,
        model=asked.details and steady.stable is True, batch=lots,
    )  # fmt: skip
    worst = points[_worst(found, at)]
    batches = len(set(np.array(lots)[np.isfinite(own).all(axis=1)]))
    standing = Standing(n=kept.complete, batches=batches, level=asked.level,
                        seen_low=1.0 - _ends(kept.seen)[1])  # fmt: skip
    return GroupCapability(
        group=name, points=tuple(p.point for p in mine), pieces=kept.complete,
        incomplete=kept.incomplete, batches=batches, good=kept.good,
        **_yields(kept, steady, asked),
        sd_within=_root_mean_square([p.sd_within for p in mine]),
        sd_between=_root_mean_square([p.sd_between for p in mine]),
        sd=_root_mean_square([p.sd for p in mine]),
        worst=worst.point, worst_outside=worst.outside, stable=steady.stable,
        **_surface(name, share_used(own, lower, upper), lots, standing, steady, asked),
    )  # fmt: skip


def share_used(x: Array, lower: Array, upper: Array) -> Array:
    """Return the largest share of its tolerance that any point of each piece uses, (pieces,).

    NaN where a point is missing, or has a limit on one side only and so no middle.
    """
    middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
    return np.asarray(np.max(np.abs(x - middle) / half, axis=1), dtype=np.float64)


def _worst(found: Capability, at: npt.NDArray[np.int64]) -> int:
    """Return the point with the least room, whether or not its index may be shown."""
    room = np.where(np.isnan(found.ppk[at]), np.inf, found.ppk[at])
    return int(at[np.argmin(room)])


def _steady(points: tuple[PointCapability, ...]) -> Stability:
    moved = [p.point for p in points if p.stable is False]
    if moved:
        rest = len(moved) - 1
        more = f" and {rest} other{'' if rest == 1 else 's'}" if rest else ""
        return Stability(stable=False, why=f"{moved[0]}{more} show{'' if rest else 's'} a signal")
    if any(p.stable is None for p in points):
        return Stability(
            stable=None, why="whether the process is stable cannot be told at each of its points"
        )
    return Stability(stable=True)


def _root_mean_square(values: list[float]) -> float:
    squares = np.array(values) ** 2
    known = np.isfinite(squares)
    return float(np.sqrt(squares[known].mean())) if known.any() else float("nan")


def _yields(kept: JointYield, steady: Stability, asked: Asked) -> dict[str, Any]:
    low, high = _ends(kept.seen)
    model_low, model_high = _ends(kept.modelled)
    note = kept.modelled.note
    if asked.details and steady.stable is not True:
        note = "Not modelled: the process is not stable, or that cannot be told."
    return {
        "share": kept.seen.value, "share_low": low, "share_high": high,
        "share_note": kept.seen.note, "modelled": kept.modelled.value,
        "modelled_low": model_low, "modelled_high": model_high, "modelled_note": note,
        "if_independent": kept.if_independent, "simulation_error": kept.simulation_error,
    }  # fmt: skip


def _ends(estimate: Estimate) -> tuple[float, float]:
    within = estimate.interval
    return (float("nan"), float("nan")) if within is None else (within.low, within.high)


def _surface(
    name: str, used: Array, lots: tuple[str, ...], standing: Standing, steady: Stability,
    asked: Asked,
) -> dict[str, Any]:  # fmt: skip
    """Judge the share of the tolerance that is used, as a size above zero with the limit 1."""
    some = used[np.isfinite(used)]
    if not some.size:
        why = "No piece has every point read between two limits, so no share can be judged."
        return _figures(some, None, REFUSED, why)
    if some.size > 1 and some.min() == some.max():
        why = f"All {some.size} pieces read alike: there is no spread to judge."
        return _figures(some, None, REFUSED, why)
    # Where no index will be given there is no need of a shape.
    idle = steady.stable is False and not asked.performance
    shape = shape_of(
        Seen(name=f"group {name}", x=used[:, np.newaxis], lower=np.nan, upper=1.0, lots=lots,
             level=asked.level, form=True),
        TESTED if idle else asked.shape,
    )  # fmt: skip
    verdict = decided(None, standing, steady, shape, asked)
    given = None if idle or some.size < FEWEST_FOR_INDEX else shape.percentiles
    return _figures(some, given, verdict.outcome, verdict.reason)


def _figures(
    used: Array, given: PercentileIndices | None, outcome: str, reason: str
) -> dict[str, Any]:
    nothing = float("nan")
    index = {
        key: nothing if given is None else float(getattr(given, key)[0])
        for key in ("ppk", "ppk_low", "ppk_high")
    }
    return {
        "used": float(np.median(used)) if used.size else nothing,
        "used_largest": float(used.max()) if used.size else nothing,
        **index,
        "shape": "" if given is None else given.method[0],
        "verdict": outcome,
        "reason": reason,
    }
