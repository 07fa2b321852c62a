"""What is asked of a capability study, and the questions that are refused."""

from dataclasses import dataclass
from math import isinf, isnan

import numpy as np
import numpy.typing as npt

from spc.alignment.reliability import reliability
from spc.capability.conformity import GUARD_FACTOR
from spc.capability.verdict import flattering_factor
from spc.errors import InputError, NotFoundError
from spc.plan import FIT, Plan, PlanPoint
from spc.studies.arrays import Array, plan_arrays

#: Required minimum where none is named (common practice, no published source).
REQUIRED = 1.33
#: How the shape of the readings is dealt with: the plainest that fits is taken; readings are held
#: to be normal; or normal ones are tested and nothing else is tried, which is quick.
AUTO, NORMAL, TESTED = "auto", "normal", "tested"
PPK, CPK = "ppk", "cpk"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A question of capability; lengths in mm.

    Parameters
    ----------
    points
        Only these check points; empty for all.
    required
        The minimum index asked for.
    level
        Confidence level of all intervals.
    index
        The index that is judged: ``ppk`` or ``cpk``.
    targets
        Targets of points; the others' is the middle of their tolerance.
    shape
        ``auto``, ``normal`` or ``tested``.
    performance
        True to give Pp and Ppk of a process that is not stable, as performance only.
    details
        True to look into shapes, tolerance intervals, gauge and acceptance of every point.
    coverage
        Share of pieces that a tolerance interval is to hold.
    guard
        Guard band in standard uncertainties.
    gauge
        Name of the gauge study; None for the newest.
    """

    points: tuple[str, ...] = ()
    required: float = REQUIRED
    level: float = 0.95
    index: str = PPK
    targets: tuple[tuple[str, float], ...] = ()
    shape: str = AUTO
    performance: bool = False
    details: bool = False
    coverage: float = 0.99
    guard: float = GUARD_FACTOR
    gauge: str | None = None


def refuse(plan: Plan, asked: Asked) -> None:
    """Refuse what cannot be asked of this plan.

    Raises
    ------
    InputError
        For a fit point, with the factor by which its index would flatter; for a target or a number
        out of range.
    NotFoundError
        For a point that the plan does not have.
    """
    _refuse_numbers(asked)
    named = [_point(plan, name) for name in (*asked.points, *(n for n, _ in asked.targets))]
    held = list(dict.fromkeys(p.id for p in named if p.role == FIT))
    if held:
        raise _flattering(plan, held)
    for name, target in asked.targets:
        _refuse_target(_point(plan, name), target)


def _refuse_numbers(asked: Asked) -> None:
    if not 0.0 < asked.required < np.inf:
        raise InputError(
            f"--required {asked.required:g}", do="ask for a number above 0, such as 1.33"
        )
    for name, value in (("level", asked.level), ("coverage", asked.coverage)):
        if not 0.5 <= value < 1.0:
            raise InputError(f"--{name} {value:g}", do="use a fraction from 0.5 to below 1")
    if not 0.0 <= asked.guard < np.inf:
        raise InputError(f"--guard {asked.guard:g}", do="use 0 or more standard uncertainties")


def _point(plan: Plan, name: str) -> PlanPoint:
    point = plan.point(name)
    if point is None:
        raise NotFoundError(f"no point '{name}' in the plan; see 'spc plan show'")
    return point


def _flattering(plan: Plan, held: list[str]) -> InputError:
    """Return the refusal of fit points: one line, with the factor of each."""
    factors = flattering(plan)
    said = {name: _by(factors[name]) for name in held}
    if len(held) == 1:
        what = (
            f"'{held[0]}' is a fit point: the fit pulls its deviation towards zero, so an index of "
            f"it would flatter {said[held[0]]}"
        )
    else:
        each = ", ".join(f"'{name}' {by}" for name, by in said.items())
        what = (
            f"{len(held)} fit points are named: the fit pulls their deviations towards zero, so an "
            f"index would flatter {each}"
        )
    return InputError(what, do="ask for check points; they are judged after the fit")


def _by(factor: float) -> str:
    if isnan(factor):
        return "by a factor that cannot be told"
    return "without limit" if isinf(factor) else f"by a factor of about {factor:.2f}"


def flattering(plan: Plan) -> dict[str, float]:
    """Return for each fit point by how much an index of it would flatter; infinite without end."""
    laid = plan_arrays(plan)
    leverage = reliability(laid.nominals, laid.normals, laid.weights).leverage[laid.is_fit]
    factors = flattering_factor(np.clip(leverage, 0.0, 1.0))
    # Leverage 1 but for rounding leaves nothing of an error.
    factors = np.where(leverage > 1.0 - 1e-9, np.inf, factors)
    factors = np.where(np.isnan(leverage), np.nan, factors)
    return dict(zip(np.array(laid.names)[laid.is_fit], factors.tolist(), strict=True))


def _refuse_target(point: PlanPoint, target: float) -> None:
    if point.lower is None and point.upper is None:
        raise InputError(
            f"--target of '{point.id}': the plan gives it no tolerance", do="leave the target out"
        )
    low = -np.inf if point.lower is None else point.lower
    high = np.inf if point.upper is None else point.upper
    if not low < target < high:
        raise InputError(
            f"--target {point.id}={target:g}: outside its tolerance, {low:g} to {high:g} mm",
            do="name a deviation between them, in mm",
        )


def targets_of(
    asked: Asked, names: tuple[str, ...], lower: Array, upper: Array
) -> npt.NDArray[np.float64]:
    """Return the target of each point, mm: the one named, else the middle of the tolerance."""
    named = dict(asked.targets)
    middle = 0.5 * (lower + upper)
    return np.array([named.get(name, middle[at]) for at, name in enumerate(names)])
