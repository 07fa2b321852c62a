"""The same pieces before and after a change of arm, probe or stand: a step is no drift."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.gauge.bridging import bridging_study
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array, pivot, plan_arrays
from spc.studies.spans import in_span

#: A step is told apart from none at this level, over all points together (Bonferroni).
LEVEL = 0.05
#: Fewest pieces of a bridge (common practice, no published source, asks for ten).
FEWEST, WANTED = 3, 10


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgedPoint:
    """One point before and after; lengths in mm.

    Parameters
    ----------
    point, role
        The point.
    n
        Pieces that have it on both sides.
    offset, offset_low, offset_high, p_offset
        Mean of after less before, its interval, and its chance with no step.
    sd_before, sd_after
        Spread of the pieces on each side.
    ratio, ratio_low, ratio_high, p_ratio
        Spread after over before, its interval, and its chance with equal spreads.
    step
        True where a step is shown over all points together.
    """

    point: str
    role: str
    n: int
    offset: float
    offset_low: float
    offset_high: float
    p_offset: float
    sd_before: float
    sd_after: float
    ratio: float
    ratio_low: float
    ratio_high: float
    p_ratio: float
    step: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A bridge between two ways of measuring.

    Parameters
    ----------
    plan
        The plan.
    before, after
        The two sides as they were named.
    pieces
        Serials measured on both.
    points
        One entry a point, check points first.
    level
        Confidence level of the intervals.
    notes
        What the reader must know.
    """

    plan: Plan
    before: str
    after: str
    pieces: tuple[str, ...]
    points: tuple[BridgedPoint, ...]
    level: float
    notes: tuple[str, ...]


def bridge(
    store: Store, before: str, after: str, part: str | None = None, revision: str | None = None
) -> Bridge:
    """Compare the same pieces measured in two ways.

    Parameters
    ----------
    store
        An open store.
    before, after
        Each ``study:NAME``, ``device:NAME``, ``probe:NAME`` or ``span:FIRST..LAST``.
    part, revision
        The part.
    """
    plan = read.plan(store, part, revision)
    runs = read.runs(store, plan.part, plan.revision)
    runs = runs[runs["fit_id"].notna()].reset_index(drop=True)
    sides = [_side(runs, text) for text in (before, after)]
    if (sides[0] & sides[1]).any():
        raise InputError("the two sides share runs", do="name two that do not overlap")
    names = plan_arrays(plan).names
    values = pivot(
        read.deviations(store, plan.part, plan.revision), "deviation", list(runs["run_id"]), names
    )
    pieces, old, new = _paired(runs, values, sides)
    if len(pieces) < FEWEST:
        raise InputError(
            f"{len(pieces)} pieces were measured on both sides",
            do=f"measure {WANTED} pieces or more both before and after the change",
        )
    return _bridged(plan, before, after, pieces, old, new)


def _side(runs: pd.DataFrame, text: str) -> npt.NDArray[np.bool_]:
    kind, sign, name = text.partition(":")
    if not sign or kind not in ("study", "device", "probe", "span"):
        raise InputError(
            f"'{text}' names no side", do="write study:NAME, device:NAME, probe:NAME or span:A..B"
        )
    # Runs of no study, or of an arm or probe that nobody noted, are no side.
    found = (
        in_span(runs, name) if kind == "span" else np.asarray((runs[kind] == name) & (name != ""))
    )
    if not found.any():
        raise InputError(f"no run of {kind} '{name}'", do="'spc run list' shows what there is")
    return found


def _paired(
    runs: pd.DataFrame, values: Array, sides: list[npt.NDArray[np.bool_]]
) -> tuple[tuple[str, ...], Array, Array]:
    serial = runs["serial"].to_numpy(dtype=object)
    both = sorted(set(serial[sides[0]]) & set(serial[sides[1]]))
    means = [
        np.array([_mean(values[side & (serial == piece)]) for piece in both]).reshape(
            len(both), values.shape[1]
        )
        for side in sides
    ]
    return tuple(str(p) for p in both), means[0], means[1]


def _mean(values: Array) -> Array:
    there = np.isfinite(values)
    count = there.sum(axis=0)
    total = np.where(there, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _bridged(
    plan: Plan, before: str, after: str, pieces: tuple[str, ...], old: Array, new: Array
) -> Bridge:
    found = bridging_study(old, new)
    order = sorted(range(len(plan.points)), key=lambda k: plan.points[k].role == "fit")
    level = LEVEL / max(1, len(plan.check_points))
    notes = [found.note] if found.note else []
    if len(pieces) < WANTED:
        notes.append(f"{len(pieces)} pieces; {WANTED} or more make a bridge that holds")
    notes.append("fit points are pulled to zero by the fit: judge by the check points")
    return Bridge(
        plan=plan, before=before, after=after, pieces=pieces, level=found.offset.level,
        points=tuple(
            BridgedPoint(
                point=plan.points[k].id, role=plan.points[k].role, n=int(found.n[k]),
                offset=float(found.offset.value[k]), offset_low=float(found.offset.low[k]),
                offset_high=float(found.offset.high[k]), p_offset=float(found.offset_p[k]),
                sd_before=float(found.before_sd[k]), sd_after=float(found.after_sd[k]),
                ratio=float(found.ratio.value[k]), ratio_low=float(found.ratio.low[k]),
                ratio_high=float(found.ratio.high[k]), p_ratio=float(found.ratio_p[k]),
                step=bool(found.offset_p[k] < level),
            )
            for k in order
        ),
        notes=tuple(notes),
    )  # fmt: skip
