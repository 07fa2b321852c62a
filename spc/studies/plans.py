"""Plans in the store: add one, list them, show one."""

from dataclasses import dataclass
from datetime import datetime

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
        Where its fit points do not hold the six motions of the part.
    """
    held_or_refused(plan, file or f"{plan.part} {plan.revision}")
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


def listed(store: Store) -> tuple[ListedPlan, ...]:
    """Return every plan."""
    columns = list(ListedPlan.__dataclass_fields__)
    return tuple(
        ListedPlan(**{c: row[c] for c in columns})
        for row in read.plans(store)[columns].to_dict("records")
    )
