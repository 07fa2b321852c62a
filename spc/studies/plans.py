"""Plans in the store: add one, list them, show one."""

from dataclasses import dataclass
from datetime import datetime

from spc.errors import PlanError
from spc.plan import Plan
from spc.store import read, write
from spc.store.connection import Store
from spc.studies.plan_hold import geometry_warnings, held_or_refused, trust_of


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedPlan:
    """What became of a plan.

    Parameters
    ----------
    part, revision, plan_id
        Its names.
    already
        True where the store held the very same plan.
    fit_points, check_points
        How many there are.
    warnings
        What should be said.
    """

    part: str
    revision: str
    plan_id: str
    already: bool
    fit_points: int
    check_points: int
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedPlan:
    """One plan in the list.

    Parameters
    ----------
    part, revision, name, plan_id, unit
        Its names and unit.
    fit_points, check_points
        How many there are.
    added_at
        When it came in, UTC.
    in_force
        True where it is the last added of its part and revision.
    """

    part: str
    revision: str
    name: str
    plan_id: str
    unit: str
    fit_points: int
    check_points: int
    added_at: datetime
    in_force: bool


def add(
    store: Store, plan: Plan, warnings: tuple[str, ...], who: str, *, file: str = ""
) -> AddedPlan:
    """Add a plan; the very same plan again changes nothing.

    Raises
    ------
    PlanError
        Where its fit points do not hold the six motions of the part, or where runs of the same
        part revision were fitted to another geometry: their deviations would stand in one chart.
    """
    name = file or f"{plan.part} {plan.revision}"
    held_or_refused(plan, name)
    _refuse_other_geometry(store, plan, name)
    fresh = write.add_plan(store, plan, who)
    return AddedPlan(
        part=plan.part,
        revision=plan.revision,
        plan_id=plan.plan_id,
        already=not fresh,
        fit_points=len(plan.fit_points),
        check_points=len(plan.check_points),
        warnings=(*warnings, *geometry_warnings(plan, trust_of(plan))),
    )


def _refuse_other_geometry(store: Store, plan: Plan, file: str) -> None:
    for plan_id, runs in read.fitted_plans(store, plan.part, plan.revision).items():
        changed = _changed(read.plan_by_id(store, plan_id), plan)
        if changed:
            raise PlanError(
                f"{runs} runs of {plan.part} {plan.revision} were fitted to a plan in which "
                f"{changed}",
                file=file,
                do="give the plan a new revision, so that their deviations stay apart; under the "
                "same one tolerances, limits, names and further check points may change",
            )


def _changed(old: Plan, new: Plan) -> str:
    """Return in what an old plan's deviations differ from those by a new one; empty for nothing."""
    if old.method != new.method:
        return f"the method of the fit is {old.method}"
    if old.ball_radius != new.ball_radius:
        return "the probe's ball is taken off otherwise"
    held = [{(p.id, p.weight) for p in plan.fit_points} for plan in (old, new)]
    if held[0] != held[1]:
        names = sorted({name for name, _ in held[0] ^ held[1]})
        return f"the fit rests on others: see {', '.join(names[:3])}"
    for point in old.points:
        now = new.point(point.id)
        if now is not None and (now.nominal, now.normal) != (point.nominal, point.normal):
            return f"{point.id} has another nominal or normal"
    return ""


def listed(store: Store) -> tuple[ListedPlan, ...]:
    """Return every plan."""
    columns = list(ListedPlan.__dataclass_fields__)
    return tuple(
        ListedPlan(**{c: row[c] for c in columns})
        for row in read.plans(store)[columns].to_dict("records")
    )
