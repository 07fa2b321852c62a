"""Known faults planted into a plan before anyone measures: what would be seen, and how often."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from spc.alignment.formplan import HIDDEN, form_plan
from spc.alignment.patterns import TWIST
from spc.alignment.rehearse import (
    Fault,
    Rehearsal,
    bad_touches,
    face_twist,
    nothing_wrong,
    rehearse,
    size_change,
)
from spc.errors import DataError, InputError
from spc.plan import Plan
from spc.studies.arrays import PlanArrays, plan_arrays
from spc.studies.plan_check import stated_sigma
from spc.studies.plan_hold import held_or_refused

#: Faults planted where none is named: a touch this many times the probing noise, ...
TOUCH_SIGMAS = 10.0
#: ... and a part smaller by this much, per cent: a millimetre in a metre.
SHRINK_PERCENT = 0.1
ALPHA, TRIALS, SEED = 0.0027, 2000, 1
#: Shifts told of each fault, the largest first.
MOST_SHIFTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenBy:
    """How often one figure saw a fault.

    Parameters
    ----------
    figure
        The overall residual test, the worst-point test, a mode of the residuals, a shape or a
        check patch.
    rate, error
        Share of trials in which it spoke, and the standard error of that share.
    """

    figure: str
    rate: float
    error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shifted:
    """What a fault does to a point.

    Parameters
    ----------
    point
        The point.
    shift
        Median change of its deviation, mm.
    """

    point: str
    shift: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedFault:
    """What was seen of one fault.

    Parameters
    ----------
    fault
        In words.
    guilty
        Points that are wrong themselves; empty where the part changed as a whole, or nothing did.
    seen
        Every figure that was watched, in the order of the tests, modes, shapes and check patches.
    named, named_error
        Share of trials in which the worst-point test spoke and named the guilty point or the set
        that cannot be told from it; NaN where no point is guilty. With its standard error.
    misnamed, misnamed_error
        Share in which it spoke and named another.
    exact
        Share in which it named guilty points only.
    shifts
        Check points that the fault moves most.
    """

    fault: str
    guilty: tuple[str, ...]
    seen: tuple[SeenBy, ...]
    named: float
    named_error: float
    misnamed: float
    misnamed_error: float
    exact: float
    shifts: tuple[Shifted, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRehearsed:
    """A plan's rehearsal.

    Parameters
    ----------
    part, revision, name, unit
        The plan.
    sigma, sigma_source
        Probing noise of the trials, mm, and where it comes from.
    alpha
        Chance of a false alarm of each figure in one run.
    trials, seed
        Simulated runs a fault, and the seed that gives the same ones again.
    faults
        What was planted and seen.
    note
        What was left out; empty where nothing.
    """

    part: str
    revision: str
    name: str
    unit: str
    sigma: float
    sigma_source: str
    alpha: float
    trials: int
    seed: int
    faults: tuple[RehearsedFault, ...]
    note: str


def rehearsed_plan(
    plan: Plan,
    *,
    touches: Mapping[str, float] | None = None,
    twists: Mapping[str, float] | None = None,
    shrinks: tuple[float, ...] = (),
    sigma: float | None = None,
    alpha: float = ALPHA,
    trials: int = TRIALS,
    seed: int = SEED,
    file: str = "",
) -> PlanRehearsed:
    """Plant faults into a plan and count what is seen of them.

    Parameters
    ----------
    plan
        The plan.
    touches
        Fit points and by how many mm they read too far out; each alone, and all at once.
    twists
        Faces (``+z`` and so on) and by how many mm their corners are off.
    shrinks
        Per cent by which the part is smaller.
    sigma, alpha, trials, seed
        Of the trials. Where no fault is named: nothing, each fit point, a twist and a shrink.
    file
        Name for a refusal.

    Raises
    ------
    PlanError
        Where the fit points do not hold the part.
    InputError
        Where a name is no fit point or face of the plan.
    """
    held_or_refused(plan, file or f"{plan.part} {plan.revision}")
    noise, source = stated_sigma(plan, sigma)
    geometry = plan_arrays(plan)
    named = bool(touches or twists or shrinks)
    faults, note = (
        (_asked(plan, geometry, touches or {}, twists or {}, shrinks), "")
        if named
        else _usual(plan, geometry, noise)
    )
    found = rehearse(
        geometry.nominals, geometry.normals, geometry.weights, faults, sigma=noise, alpha=alpha,
        trials=trials, labels=geometry.names, rng=np.random.default_rng(seed),
    )  # fmt: skip
    return PlanRehearsed(
        part=plan.part, revision=plan.revision, name=plan.name, unit=plan.unit, sigma=noise,
        sigma_source=source, alpha=alpha, trials=trials, seed=seed,
        faults=tuple(_rehearsed(one, geometry) for one in found), note=note,
    )  # fmt: skip


def _asked(
    plan: Plan,
    geometry: PlanArrays,
    touches: Mapping[str, float],
    twists: Mapping[str, float],
    shrinks: tuple[float, ...],
) -> tuple[Fault, ...]:
    fit = [n for n, w in zip(geometry.names, geometry.weights, strict=True) if w > 0]
    for point in touches:
        if point not in fit:
            raise InputError(
                f"'{point}' is no fit point of {plan.part} {plan.revision}",
                do=f"plant a touch at one of {', '.join(fit)}",
            )
    faults = [nothing_wrong(len(geometry.names))]
    faults += [_touch(geometry, {point: size}) for point, size in touches.items()]
    faults += [_touch(geometry, touches)] if len(touches) > 1 else []
    faults += [_twist(geometry, face, size) for face, size in twists.items()]
    faults += [size_change(geometry.nominals, geometry.normals, -percent) for percent in shrinks]
    return tuple(faults)


def _usual(plan: Plan, geometry: PlanArrays, sigma: float) -> tuple[tuple[Fault, ...], str]:
    """Return the faults planted where none is named, and what could not be."""
    size = TOUCH_SIGMAS * sigma
    fit = [n for n, w in zip(geometry.names, geometry.weights, strict=True) if w > 0]
    face = _twisted_face(geometry)
    asked = _asked(plan, geometry, {}, {face: size} if face else {}, (SHRINK_PERCENT,))
    each = tuple(_touch(geometry, {point: size}) for point in fit)
    note = "" if face else "no twist was planted: no face has four points that could show one"
    return (asked[0], *each, *asked[1:]), note


def _twisted_face(geometry: PlanArrays) -> str:
    """Return the face with most fit points of those whose twist can be seen; empty for none."""
    form = form_plan(geometry.nominals, geometry.normals)
    able = [
        (int(geometry.is_fit[pattern.flat[:, 0] != 0.0].sum()), pattern.face)
        for pattern, state in zip(form.patterns, form.status, strict=True)
        if pattern.kind == TWIST and state != HIDDEN
    ]
    return max(able, key=lambda one: one[0], default=(0, ""))[1]


def _touch(geometry: PlanArrays, sizes: Mapping[str, float]) -> Fault:
    places = {geometry.names.index(point): size for point, size in sizes.items()}
    words = ", ".join(f"{point} reads {size:+g} mm" for point, size in sizes.items())
    return replace(bad_touches(len(geometry.names), places), name=words)


def _twist(geometry: PlanArrays, face: str, size: float) -> Fault:
    try:
        return face_twist(geometry.nominals, geometry.normals, face, size)
    except DataError as error:
        raise InputError(f"{error}", do="name a face as --twist FACE=MM") from None


def _rehearsed(found: Rehearsal, geometry: PlanArrays) -> RehearsedFault:
    check = np.flatnonzero(geometry.weights == 0.0)
    order = check[np.argsort(-np.abs(found.median_shift[check]), kind="stable")][:MOST_SHIFTS]
    return RehearsedFault(
        fault=found.fault.name,
        guilty=tuple(geometry.names[k] for k in found.fault.guilty),
        seen=tuple(
            SeenBy(figure=name, rate=float(rate), error=float(error))
            for name, rate, error in zip(found.figures, found.rates, found.errors, strict=True)
        ),
        named=found.right, named_error=_error(found.right, found.trials),
        misnamed=found.wrong, misnamed_error=_error(found.wrong, found.trials),
        exact=found.exact,
        shifts=tuple(
            Shifted(point=geometry.names[k], shift=float(found.median_shift[k])) for k in order
        ),
    )  # fmt: skip


def _error(rate: float, trials: int) -> float:
    return float(np.sqrt(rate * (1.0 - rate) / trials))
