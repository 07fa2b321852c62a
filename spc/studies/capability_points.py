"""The figures of one check point: indices with intervals, what they stand on, and the verdict."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.capability.indices import Capability
from spc.capability.notes import FEWEST_FOR_INDEX
from spc.capability.proportions import batched_proportion_interval, proportion_interval
from spc.capability.verdict import Verdict
from spc.studies.arrays import Array
from spc.studies.capability_shape import Shape
from spc.studies.capability_stability import Stability


@dataclass(frozen=True, slots=True, kw_only=True)
class PointCapability:
    """One check point; lengths in mm; NaN where a figure may not be given.

    Parameters
    ----------
    point, group
        Its name, and the plan's letter of like points; empty where it has none.
    lower, upper, target
        Tolerance, NaN where none, and target.
    n, batches
        Pieces and batches that it stands on.
    n_effective
        Independent pieces that would know the mean as well.
    mean, sd, sd_low, sd_high
        Of the pieces; ``sd`` is that of a piece of a batch not yet seen, with its interval.
    sd_within, sd_between, share_between
        Spread within batches and of the batches' own levels, and the share of the variance that
        lies between batches.
    smallest, largest
        Range of the pieces.
    stable
        True where its chart over the same span shows no signal, None where that cannot be told.
    performance
        True where Pp, Ppk and Cpm are of a process that is not stable: of these pieces, not of
        those to come.
    cp, cpk, pp, ppk, cpm
        Indices; NaN where they are withheld.
    cp_low, cp_high, cpk_low, cpk_high, pp_low, pp_high, ppk_low, ppk_high, cpm_low, cpm_high
        Their intervals.
    ppl, ppu
        The lower and the upper side of Ppk by itself.
    shape
        Shape that Pp and Ppk stand on: ``normal``, another one, ``ordered readings``, or empty.
    normal_p
        p value of the test of a normal shape.
    outside
        Pieces seen outside the tolerance.
    seen, seen_low, seen_high
        Their share and its interval.
    verdict
        ``shown``, ``not shown``, ``cannot be shown`` or ``refused``.
    index
        The index judged, ``Ppk`` or ``Cpk``.
    bound, upper_bound
        Bounds that the verdict rests on.
    pieces_needed, batches_needed
        What would show it if the index stayed; None where that is no answer.
    reason
        The verdict in words.
    note
        What the figures cannot say; empty where there is nothing.
    """

    point: str
    group: str
    lower: float
    upper: float
    target: float
    n: int
    batches: int
    n_effective: float
    mean: float
    sd: float
    sd_low: float
    sd_high: float
    sd_within: float
    sd_between: float
    share_between: float
    smallest: float
    largest: float
    stable: bool | None
    performance: bool
    cp: float
    cp_low: float
    cp_high: float
    cpk: float
    cpk_low: float
    cpk_high: float
    pp: float
    pp_low: float
    pp_high: float
    ppk: float
    ppk_low: float
    ppk_high: float
    cpm: float
    cpm_low: float
    cpm_high: float
    ppl: float
    ppu: float
    shape: str
    normal_p: float
    outside: int
    seen: float
    seen_low: float
    seen_high: float
    verdict: str
    index: str
    bound: float
    upper_bound: float
    pieces_needed: int | None
    batches_needed: int | None
    reason: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outside:
    """Pieces seen outside; arrays of shape (points,).

    Parameters
    ----------
    count
        Pieces.
    share, low, high
        Their share and its interval, batches counted; NaN without a tolerance.
    """

    count: npt.NDArray[np.int64]
    share: Array
    low: Array
    high: Array


def seen_outside(x: Array, found: Capability) -> Outside:
    """Count the pieces outside; a reading at a limit is inside."""
    count = ((x < found.lower) | (x > found.upper)).sum(axis=0)
    low, high = proportion_interval(count, found.n, found.level)
    lumped = batched_proportion_interval(
        count, found.n, found.n_effective, found.batches, found.level
    )
    several = np.isfinite(lumped[0])
    judged = (np.isfinite(found.lower) | np.isfinite(found.upper)) & (found.n > 0)
    return Outside(
        count=count,
        share=np.where(judged, count / np.maximum(found.n, 1), np.nan),
        low=np.where(judged, np.where(several, lumped[0], low), np.nan),
        high=np.where(judged, np.where(several, lumped[1], high), np.nan),
    )


#: Indices whose spread is that within batches, and those of the whole spread.
_SHORT, _LONG = ("cp", "cpk"), ("pp", "ppk", "cpm")
_ENDS = ("", "_low", "_high")


def point_capability(
    found: Capability, at: int, *, name: str, group: str, outside: Outside, steady: Stability,
    shape: Shape, verdict: Verdict, performance: bool,
) -> PointCapability:  # fmt: skip
    """Return the figures of one point, those left out that may not be given."""
    few = found.n[at] < FEWEST_FOR_INDEX
    performance = performance and steady.stable is False
    withheld = few or (steady.stable is False and not performance)
    short = withheld or steady.stable is False or shape.refuted
    figures = {k: _of(found, k, at, hidden=short) for k in _keys(_SHORT)}
    figures |= {k: _of(found, k, at, hidden=withheld or shape.refuted)
                for k in (*_keys(_LONG), "ppl", "ppu")}  # fmt: skip
    if shape.percentiles is not None and not withheld:
        figures |= {key: float(getattr(shape.percentiles, key)[0])
                    for key in (*_keys(("pp", "ppk")), "ppl", "ppu")}  # fmt: skip
    if performance and not few and np.isnan(figures["ppk"]):
        # What these pieces did needs no shape; only what others will do does, so no interval.
        figures |= {key: _of(found, key, at) for key in (*_LONG, "ppl", "ppu")}
    parts = found.components
    between = np.nan if parts is None else parts.var_between[at]
    return PointCapability(
        point=name, group=group, n=int(found.n[at]), batches=int(found.batches[at]),
        **{key: _of(found, key, at) for key in _PLAIN},
        sd=_of(found, "sd_overall", at), sd_low=_of(found, "sd_overall_low", at),
        sd_high=_of(found, "sd_overall_high", at), sd_between=float(np.sqrt(between)),
        stable=steady.stable, performance=performance, **figures,
        shape=_shape_used(figures["ppk"], shape), normal_p=shape.normal_p,
        outside=int(outside.count[at]), seen=float(outside.share[at]),
        seen_low=float(outside.low[at]), seen_high=float(outside.high[at]),
        verdict=verdict.outcome, index=verdict.index,
        bound=np.nan if withheld else verdict.bound,
        upper_bound=np.nan if withheld else verdict.upper_bound,
        # More pieces of one batch show that batch only.
        pieces_needed=None if found.batches[at] == 1 else verdict.pieces_needed,
        batches_needed=verdict.batches_needed,
        reason=verdict.reason, note=_note(found.note[at], shape),
    )  # fmt: skip


_PLAIN = ("lower", "upper", "target", "n_effective", "mean", "sd_within", "share_between",
          "smallest", "largest")  # fmt: skip


def _keys(indices: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"{index}{end}" for index in indices for end in _ENDS)


def _of(found: Capability, key: str, at: int, *, hidden: bool = False) -> float:
    return float("nan") if hidden else float(getattr(found, key)[at])


def _shape_used(ppk: float, shape: Shape) -> str:
    if np.isnan(ppk) or (shape.refuted and shape.percentiles is None):
        return ""
    return "normal" if shape.percentiles is None else shape.percentiles.method[0]


def _note(note: str, shape: Shape) -> str:
    if not shape.refuted:
        return note
    return f"{note} Cp and Cpk take readings as normal and are left out.".strip()
