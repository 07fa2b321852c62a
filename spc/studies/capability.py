"""Capability of check points and of surfaces: given where it may be, refused in words elsewhere."""

from dataclasses import dataclass

import numpy as np

from spc.capability.conformity import conformity
from spc.capability.gauge_noise import without_gauge_noise
from spc.capability.indices import Capability, capability
from spc.capability.verdict import verdicts
from spc.errors import InputError
from spc.plan import Plan
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.capability_asked import CPK, Asked, refuse, targets_of
from spc.studies.capability_details import PointDetails, look
from spc.studies.capability_groups import GroupCapability, group_capabilities
from spc.studies.capability_points import PointCapability, point_capability, seen_outside
from spc.studies.capability_shape import Seen, Shape, shape_of
from spc.studies.capability_stability import (
    Stability,
    judged_words,
    open_in_span,
    stabilities,
)
from spc.studies.capability_verdicts import Standing, decided
from spc.studies.capability_zones import PieceZones, piece_zones
from spc.studies.cavities import read_together
from spc.studies.chosen_set import past_of
from spc.studies.gauge_in_force import GaugeSpread, gauge_for
from spc.studies.history import History
from spc.studies.lots import last_batches, lots, without_batch
from spc.studies.moments import BATCH, chart_rows
from spc.studies.monitor_words import remarks_of
from spc.studies.spans import in_span


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilityStudy:
    """Capability of a part's check points over a span.

    Parameters
    ----------
    plan
        The plan.
    span
        The span in words.
    pieces, batches, moulds
        What it stands on.
    required, index
        The minimum asked for, and the index that is judged, ``ppk`` or ``cpk``.
    level
        Confidence level of the intervals.
    points
        One entry a check point, in the plan's order.
    groups
        Groups of like points, and all check points together.
    details
        One entry a check point where details were asked for, else none.
    zones
        Pieces by what the gauge can prove of them; None without details or a gauge study.
    gauge, gauge_note
        Name of the gauge study that the details use, and why there is none or what limits it.
    open_signals
        Points whose chart of the whole history has an open signal within the span, by the limits in
        force.
    remarks
        What the reader must know.
    """

    plan: Plan
    span: str
    pieces: int
    batches: int
    moulds: tuple[str, ...]
    required: float
    index: str
    level: float
    points: tuple[PointCapability, ...]
    groups: tuple[GroupCapability, ...]
    details: tuple[PointDetails, ...]
    zones: PieceZones | None
    gauge: str
    gauge_note: str
    open_signals: tuple[str, ...]
    remarks: tuple[str, ...]


def capability_study(
    store: Store, part: str | None = None, revision: str | None = None, *, span: str | None = None,
    mould: str | None = None, result_set: str = "", asked: Asked | None = None,
) -> CapabilityStudy:  # fmt: skip
    """Judge check points against their tolerances.

    Parameters
    ----------
    store
        An open store.
    part, revision
        The part.
    span
        Span of batches or days; None for the last batches.
    mould
        Only this mould.
    result_set
        Set of results to judge; empty for the working one.
    asked
        The question; a fit point in it is refused.
    """
    asked = Asked() if asked is None else asked
    past = past_of(store, part, revision, result_set)
    refuse(past.plan, asked)
    if mould is not None:
        past = past.where(np.asarray(past.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError(f"no piece of mould '{mould}'", do="see 'spc run list' for the moulds")
    inside, words = last_batches(past.runs) if span is None else (in_span(past.runs, span), span)
    past = past.where(inside)
    if past.runs.empty:
        raise InputError("no piece lies in the span", do="widen --span, or name another --mould")
    gauge = None
    if asked.details:
        newest = past.runs["measured_at"].max()
        gauge = gauge_for(store, past.plan, asked.gauge, moment=newest, device=_one_arm(past))
    names = tuple(dict.fromkeys(asked.points)) or tuple(p.id for p in past.plan.check_points)
    still_open = open_in_span(store, past, names, result_set) if names else ()
    return judged(past, words, asked=asked, gauge=gauge, still_open=still_open)


def _one_arm(past: History) -> str:
    """Return the arm of a history; empty where several, or none recorded, took part."""
    arms = set(past.runs["device"].astype(str))
    return arms.pop() if len(arms) == 1 else ""


def judged(
    past: History,
    words: str,
    *,
    asked: Asked | None = None,
    gauge: GaugeSpread | None = None,
    still_open: tuple[str, ...] = (),
) -> CapabilityStudy:
    """Judge the check points of a history that is already cut to its span."""
    asked = Asked() if asked is None else asked
    refuse(past.plan, asked)
    case = _case(past, asked)
    shapes = tuple(shape_of(seen, asked.shape, name_it=asked.details) for seen in case.seen)
    points = _points(case, shapes, asked)
    zones, details = (None, ()) if gauge is None else _details(case, points, shapes, gauge, asked)
    return CapabilityStudy(
        plan=past.plan,
        span=words,
        pieces=int(past.runs["piece_id"].nunique()),
        batches=len(set(case.lots)),
        moulds=tuple(sorted(set(past.runs["mould"].astype(str)))),
        required=asked.required,
        index=asked.index,
        level=asked.level,
        points=points,
        groups=group_capabilities(case.x, case.found, points, case.lots, asked),
        details=details,
        zones=zones,
        gauge="" if gauge is None else gauge.study,
        gauge_note="" if gauge is None else _gauge_note(case, gauge),
        open_signals=still_open,
        remarks=_remarks(past, judged_words(words, case.steady, still_open)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
    """The points asked for as arrays, with their indices and chart."""

    past: History
    names: tuple[str, ...]
    x: Array
    hits: Array
    lots: tuple[str, ...]
    found: Capability
    steady: tuple[Stability, ...]
    seen: tuple[Seen, ...]


def _case(past: History, asked: Asked) -> _Case:
    names = tuple(dict.fromkeys(asked.points)) or tuple(p.id for p in past.plan.check_points)
    at = np.array([past.geometry.names.index(name) for name in names], dtype=np.int64)
    lower, upper = past.geometry.lower[at], past.geometry.upper[at]
    x, labels = past.deviations[:, at], lots(past.runs)
    target = targets_of(asked, names, lower, upper)
    found = capability(x, lower, upper, target=target, level=asked.level, batch=labels)
    return _Case(
        past=past, names=names, x=x, hits=past.hits[:, at], lots=labels, found=found,
        steady=stabilities(past, x),
        seen=tuple(
            Seen(name=name, x=x[:, [i]], lower=float(lower[i]), upper=float(upper[i]),
                 lots=labels, level=asked.level)
            for i, name in enumerate(names)
        ),
    )  # fmt: skip


def _points(case: _Case, shapes: tuple[Shape, ...], asked: Asked) -> tuple[PointCapability, ...]:
    found = case.found
    bounds = verdicts(found, asked.required, short_term=asked.index == CPK, stable=True)
    outside = seen_outside(case.x, found)
    made = []
    for at, (name, steady, shape) in enumerate(zip(case.names, case.steady, shapes, strict=True)):
        standing = Standing(n=int(found.n[at]), batches=int(found.batches[at]),
                            seen_low=float(outside.low[at]), level=found.level)  # fmt: skip
        point = case.past.plan.point(name)
        made.append(point_capability(
            found, at, name=name, group="" if point is None else point.group, outside=outside,
            steady=steady, shape=shape,
            verdict=decided(bounds[at], standing, steady, shape, asked),
            performance=asked.performance,
        ))  # fmt: skip
    return tuple(made)


def _details(
    case: _Case, points: tuple[PointCapability, ...], shapes: tuple[Shape, ...],
    gauge: GaugeSpread, asked: Asked,
) -> tuple[PieceZones | None, tuple[PointDetails, ...]]:  # fmt: skip
    sd, dof = gauge.of(case.names)
    free = without_gauge_noise(case.found, sd, dof)
    zones = conformity(case.x, case.found.lower, case.found.upper, sd, factor=asked.guard)
    serials = tuple(case.past.runs["serial"].astype(str))
    return piece_zones(zones, serials), tuple(
        look(seen, point, shape, at, free, zones, asked)
        for at, (seen, point, shape) in enumerate(zip(case.seen, points, shapes, strict=True))
    )


def _gauge_note(case: _Case, gauge: GaugeSpread) -> str:
    """Say why there is no gauge, or where its readings are not those of production."""
    usual = float(np.nanmedian(case.hits)) if np.isfinite(case.hits).any() else np.nan
    if gauge.study and np.isfinite(usual) and usual != gauge.hits:
        return (
            f"a reading of gauge study {gauge.study} is the mean of {gauge.hits} hits, one of "
            f"these pieces of {usual:g}: the gauge's noise here is not quite the study's"
        )
    return gauge.note


def _remarks(past: History, stability: str) -> tuple[str, ...]:
    said = [stability] if stability else []
    if len(set(past.runs["mould"])) > 1:
        said.append(
            "pieces of all moulds are taken together, as a customer gets them; each mould's chart "
            "must be stable"
        )
    said += read_together(past)
    unknown = without_batch(past.runs)
    if unknown:
        pieces = "1 piece" if unknown == 1 else f"{unknown} pieces"
        said.append(f"the batch of {pieces} is not known: they are taken together by the day")
    rows = chart_rows(past.runs, past.deviations[:, :0], np.ones(len(past.runs), dtype=bool), BATCH)
    return (*said, *(r for r in remarks_of(past, rows) if "charted apart" not in r))
