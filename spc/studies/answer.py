"""The month in three sentences, from its figures alone."""

from collections import Counter
from datetime import datetime
from math import isfinite

import numpy as np

from spc.capability.verdict_words import CANNOT_BE_SHOWN, NOT_SHOWN, REFUSED, SHOWN
from spc.plan import Plan
from spc.studies.capability import CapabilityStudy
from spc.studies.drift import Drift
from spc.studies.drift_words import moved_shapes
from spc.studies.gauge import GaugeStudy
from spc.studies.hit_check import SuspectHit
from spc.studies.limit_sets import LimitSet
from spc.studies.point_state import NO_LIMITS, OUTSIDE, PointState
from spc.studies.shape_changes import ShapeChange
from spc.studies.sharing import in_words
from spc.studies.spans import Period
from spc.units import MILLIMETRES


def answer(
    plan: Plan,
    period: Period,
    pieces: int,
    states: tuple[PointState, ...],
    able: CapabilityStudy,
    suspects: tuple[SuspectHit, ...],
    held: int,
    gauge: GaugeStudy | None,
    drift: Drift | None,
    limits: tuple[LimitSet, ...],
) -> tuple[str, ...]:
    """Return three sentences: is the process steady, in tolerance, and can it be believed.

    Shapes of the whole part are told with the signals, so a change that frozen limits stand on
    is not told again: someone has taken the level after it as the one to hold.
    """
    return (
        _process(plan, period, pieces, states, _whole(drift, limits)),
        _tolerance(states, able),
        _trust(suspects, held, gauge),
    )


def _process(
    plan: Plan, period: Period, pieces: int, states: tuple[PointState, ...], whole: str
) -> str:
    moved = [s for s in states if s.signals]
    were = "was" if pieces == 1 else "were"
    head = f"{_many(pieces, 'piece')} of {plan.name} {were} measured {period.within}"
    if states and all(s.state == NO_LIMITS for s in states):
        return f"{head}; the history is too short for limits, so drift cannot be judged yet."
    if not states:
        return f"{head}; the plan has no check point, so nothing says whether the form moves."
    if not moved:
        return f"{head} and no check point shows a signal."
    worst = max(moved, key=lambda s: abs(s.moved_sigma))
    size = abs(worst.moved) / MILLIMETRES[plan.unit]
    where = f" on mould {worst.moved_mould}" if worst.moved_mould else ""
    return (
        f"{head}; {len(moved)} of {_many(len(states), 'check point')} show a signal, "
        f"the strongest at {worst.point}{where}, on average {size:.3g} {plan.unit} "
        f"{'outward' if worst.moved > 0 else 'inward'} of its baseline{whole}."
    )


def _whole(drift: Drift | None, limits: tuple[LimitSet, ...]) -> str:
    """Return which shapes of the whole part stand behind the points, where that was judged."""
    if drift is None or not drift.chance.charts:
        return ""
    start = min((one.baseline_from for one in limits), default=None)
    told = {
        shape.shape: changes
        for shape in moved_shapes(drift.shapes)
        if (changes := [c for c in shape.changes if not _taken_in(drift, c, start)])
    }
    if not told:
        return "; no shape of the whole part is found to have moved with them"
    shapes = [name for name, changes in told.items() if not all(c.place for c in changes)]
    places = list(dict.fromkeys(
        c.place for name, changes in told.items() if name not in shapes for c in changes
    ))  # fmt: skip
    if not shapes:
        return f"; {in_words(places)} alone would explain what moved, as well as any shape"
    beside = f", and {in_words(places)} alone besides" if places else ""
    have = "has" if len(shapes) == 1 else "have"
    return f"; of the part as a whole, {in_words(shapes)} {have} moved{beside}"


def _taken_in(drift: Drift, change: ShapeChange, start: datetime | None) -> bool:
    """Tell whether a change may have come before the baseline of the limits in force began."""
    if start is None:
        return False
    rows = drift.monitor.rows
    before = [
        when for when, mould, label in zip(rows.times, rows.moulds, rows.labels, strict=True)
        if (mould, label) == (change.mould, change.last_before)
    ]  # fmt: skip
    return not before or before[0] < np.datetime64(start)


def _tolerance(states: tuple[PointState, ...], able: CapabilityStudy) -> str:
    if not any(isfinite(s.lower) or isfinite(s.upper) for s in states):
        return "No check point has a tolerance, so nothing is judged against one."
    outside = [s for s in states if s.state == OUTSIDE]
    pieces = sum(s.outside for s in outside)
    if outside:
        worst = max(outside, key=lambda s: s.outside)
        head = (
            f"{_many(pieces, 'reading')} at {_many(len(outside), 'check point')} lie outside the "
            f"tolerance, most at {worst.point} ({worst.outside} of {worst.n})"
        )
    else:
        head = "Every reading at a check point lies inside its tolerance"
    count = Counter(p.verdict for p in able.points)
    return (
        f"{head}; a capability of {able.required:g} is shown at {count[SHOWN]} of "
        f"{_many(len(able.points), 'point')}, not shown at {count[NOT_SHOWN]}, cannot be shown at "
        f"{count[CANNOT_BE_SHOWN]}, and refused at {count[REFUSED]}."
    )


def _trust(suspects: tuple[SuspectHit, ...], held: int, gauge: GaugeStudy | None) -> str:
    said = []
    if suspects:
        one = len(suspects) == 1
        have = "has a hit that does not belong to it" if one else "have hits that do not belong"
        said.append(f"{_many(len(suspects), 'point')} {have}")
    if held:
        said.append(
            f"{_many(held, 'fit')} {'lies' if held == 1 else 'lie'} beyond the plan's limit"
        )
    found = " and ".join(said) or "No bad hit and no fit beyond the plan's limit was found"
    if gauge is None:
        return f"{found}; no gauge study says how much of the spread is the measuring itself."
    noise = float(gauge.pooled.gauge.value[-1]) / MILLIMETRES[gauge.plan.unit]
    return (
        f"{found}; measuring the same piece again varies by {noise:.2g} {gauge.plan.unit} "
        f"(one standard deviation, gauge study {gauge.study})."
    )


def _many(number: int, one: str) -> str:
    return f"{number} {one}" if number == 1 else f"{number} {one}s"
