"""Whether a plan's fit points hold the part: refused before anyone measures where they do not."""

import numpy as np

from spc.alignment.motions import SCREW, SHIFT, Motion, axis_words
from spc.alignment.plan_check import PlanCheck, check_plan
from spc.alignment.reliability import PlanReliability, reliability
from spc.errors import PlanError
from spc.plan import Plan
from spc.studies.arrays import plan_arrays
from spc.studies.evidence import SELF_CHECKED
from spc.units import MILLIMETRES

#: Baarda's usual pair: false alarms of the test of one residual, and its power.
DETECT_ALPHA, DETECT_POWER = 0.001, 0.80


def held_or_refused(plan: Plan, file: str) -> PlanCheck:
    """Return what the fit points hold.

    Raises
    ------
    PlanError
        Where a motion of the part is left free, naming it.
    """
    geometry = plan_arrays(plan)
    check = check_plan(geometry.nominals, geometry.normals, geometry.weights)
    if check.rank < 6:
        free = "; ".join(motion_words(m, plan.unit) for m in check.free)
        why = f" ({'; '.join(check.causes)})" if check.causes else ""
        raise PlanError(
            f"the fit points hold {check.rank} of the six motions of the part and leave free: "
            f"{free}{why}",
            file=file,
            do="give the role 'fit' to points that see it: on a face of another direction, or "
            "farther apart",
        )
    return check


def motion_words(motion: Motion, unit: str) -> str:
    """Return a motion in words, places in ``unit``."""
    along = axis_words(motion.direction)
    if motion.kind == SHIFT:
        return f"a shift along {along}"
    decimals = 1 if unit == "mm" else 2 if unit == "in" else 0
    at = np.round(motion.point / MILLIMETRES[unit], decimals) + 0.0
    where = ", ".join(f"{v:g}" for v in at)
    words = f"a turn about the axis along {along} through ({where}) {unit}"
    if motion.kind == SCREW:
        each = abs(motion.pitch) * np.pi / 180.0 / MILLIMETRES[unit]
        words += f" with a shift along it of {each:.2g} {unit} per degree"
    return words


def trust_of(plan: Plan) -> PlanReliability:
    """Return what the plan's fit shows and hides."""
    geometry = plan_arrays(plan)
    return reliability(
        geometry.nominals, geometry.normals, geometry.weights, alpha=DETECT_ALPHA,
        power=DETECT_POWER,
    )  # fmt: skip


def geometry_warnings(plan: Plan, trust: PlanReliability) -> tuple[str, ...]:
    """Return what should be said of a plan that holds the part and yet checks itself badly."""
    names = [p.id for p in plan.points]
    said = []
    if trust.n_points < SELF_CHECKED:
        left = "nothing" if trust.dof == 0 else "one number"
        said.append(
            f"{trust.n_points} fit points leave {left} to check the fit by; plan eight or more"
        )
    if trust.dof > 0:
        said += [
            f"{listed([names[k] for k in group])} cannot be told apart: an error at one looks "
            "like an error at another"
            for group in trust.groups
            if len(group) > 1
        ]
        if trust.unchecked:
            said.append(
                f"nothing checks {listed([names[k] for k in trust.unchecked])}: the residual there "
                "is always zero, whatever is probed"
            )
    return tuple(said)


def listed(names: list[str]) -> str:
    """Return 'a, b and c'."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
