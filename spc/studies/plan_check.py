"""A plan judged before anyone measures: what its fit holds, shows and hides."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.alignment.plan_check import PlanCheck
from spc.alignment.reliability import PlanReliability
from spc.errors import DataError
from spc.plan import Plan
from spc.studies.arrays import plan_arrays
from spc.studies.plan_better import Better, better_points
from spc.studies.plan_hold import (
    DETECT_ALPHA,
    DETECT_POWER,
    geometry_warnings,
    held_or_refused,
    listed,
    motion_words,
    trust_of,
)
from spc.studies.plan_panels import PanelCheck, panels_checked
from spc.studies.plan_points import (
    CheckPointCheck,
    FitPointCheck,
    Unseen,
    check_point,
    clusters,
    fit_point,
    unseen_at,
)
from spc.studies.plan_shapes import ShapesChecked, shapes_checked

SOUND, LIMITED, UNCHECKED = "sound", "limited", "unchecked"
#: Standard deviation of one point's reading where neither the user nor the plan says one, mm.
ASSUMED_SIGMA = 0.05
ASSUMED_WORDS = "assumed: common practice, no published source"
#: A plan whose weakest motion grows the noise by more than this is called weak in it (common
#: practice, no published source).
WEAK_GAIN = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WeakestMotion:
    """The motion of the part that the fit points hold worst.

    Parameters
    ----------
    words
        The motion, places in the plan's unit.
    kind
        ``shift``, ``turn`` or ``screw``.
    gain
        mm by which the part moves in it, where it moves most, for each mm of probing noise.
    moved
        The same at the stated noise, mm (one standard deviation).
    point
        The point of the plan where it moves most.
    """

    words: str
    kind: str
    gain: float
    moved: float
    point: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChecked:
    """A plan judged before it is measured; lengths in mm unless a field says otherwise.

    Parameters
    ----------
    part, revision, name, unit, method
        As the plan has them.
    fit_points, check_points, dof
        How many, and the degrees of freedom that the fit leaves.
    verdict, headline, reasons
        ``sound``, ``limited`` or ``unchecked``; the same in a sentence, and what it stands on.
    sigma, sigma_source
        Standard deviation of one reading that the figures stand for, and where it comes from.
    rank, condition, size
        Motions held; best over worst held motion, turns measured at the size of the part; that
        size, the root mean square distance of the fit points from their middle.
    alpha, power
        Of the test of one residual that ``detectable`` stands for.
    weakest
        The motion held worst.
    points, checks
        The tables.
    tied, near
        Sets of fit points that cannot, and that can hardly, be told apart.
    unseen
        Points whose error passes unseen.
    shapes
        Which changes of form the plan sees.
    panels
        How far the probe pushes soft panels.
    better
        Further fit points that would help most.
    """

    part: str
    revision: str
    name: str
    unit: str
    method: str
    fit_points: int
    check_points: int
    dof: int
    verdict: str
    headline: str
    reasons: tuple[str, ...]
    sigma: float
    sigma_source: str
    rank: int
    condition: float
    size: float
    alpha: float
    power: float
    weakest: WeakestMotion
    points: tuple[FitPointCheck, ...]
    checks: tuple[CheckPointCheck, ...]
    tied: tuple[tuple[str, ...], ...]
    near: tuple[tuple[str, ...], ...]
    unseen: tuple[Unseen, ...]
    shapes: ShapesChecked
    panels: tuple[PanelCheck, ...]
    better: Better


def stated_sigma(plan: Plan, sigma: float | None) -> tuple[float, str]:
    """Return the probing noise that figures stand for, mm, and where it comes from."""
    if sigma is not None:
        return sigma, "as asked for"
    if plan.probe is not None and plan.probe.sigma is not None:
        return plan.probe.sigma, "set by the plan"
    return ASSUMED_SIGMA, ASSUMED_WORDS


def checked_plan(plan: Plan, *, sigma: float | None = None, file: str = "") -> PlanChecked:
    """Judge a plan.

    Parameters
    ----------
    plan
        The plan.
    sigma
        Standard deviation of one reading, mm; None for the plan's, else an assumed one.
    file
        Name for a refusal.

    Raises
    ------
    PlanError
        Where the fit points do not hold six degrees of freedom.
    """
    held = held_or_refused(plan, file or f"{plan.part} {plan.revision}")
    noise, source = stated_sigma(plan, sigma)
    trust, geometry = trust_of(plan), plan_arrays(plan)
    shapes = shapes_checked(plan, noise)
    names = geometry.names
    tied = tuple(_named(group, names) for group in trust.groups if len(group) > 1)
    near = tuple(_named(group, names) for group in clusters(trust))
    unseen = tuple(unseen_at(trust, geometry, k) for k in trust.unchecked)
    weakest = _weakest(plan, held, noise)
    reasons = _reasons(plan, trust, weakest, near, shapes)
    verdict = UNCHECKED if trust.dof == 0 else LIMITED if reasons else SOUND
    return PlanChecked(
        part=plan.part, revision=plan.revision, name=plan.name, unit=plan.unit,
        method=plan.method, fit_points=trust.n_points,
        check_points=len(plan.points) - trust.n_points, dof=trust.dof,
        verdict=verdict, headline=_HEADLINES[verdict], reasons=reasons, sigma=noise,
        sigma_source=source, rank=held.rank, condition=held.condition, size=held.size,
        alpha=DETECT_ALPHA, power=DETECT_POWER, weakest=weakest,
        points=tuple(fit_point(plan, trust, k, noise) for k in _where(trust.weights > 0)),
        checks=tuple(
            check_point(plan, trust, geometry, k, noise) for k in _where(trust.weights == 0)
        ),
        tied=tied, near=near, unseen=unseen, shapes=shapes, panels=panels_checked(plan),
        better=better_points(plan, noise),
    )  # fmt: skip


_HEADLINES = {
    SOUND: "The fit points hold all six motions of the part and check one another.",
    LIMITED: "The fit points hold all six motions of the part; what they check has gaps.",
    UNCHECKED: "The fit points hold all six motions of the part and check nothing: every residual "
    "is zero, whatever is probed.",
}


def _reasons(
    plan: Plan,
    trust: PlanReliability,
    weakest: WeakestMotion,
    near: tuple[tuple[str, ...], ...],
    shapes: ShapesChecked,
) -> tuple[str, ...]:
    said = list(geometry_warnings(plan, trust))
    if trust.dof > 0:
        said += [f"{listed(list(group))} can hardly be told apart" for group in near]
    if weakest.gain > WEAK_GAIN:
        said.append(
            f"the part is held loosely in {weakest.words}: noise moves it {weakest.gain:.1f} times "
            f"as far at {weakest.point}"
        )
    if shapes.blind_to_size:
        said.append(shapes.blind_to_size)
    return tuple(said)


def _weakest(plan: Plan, held: PlanCheck, sigma: float) -> WeakestMotion:
    motion = held.weakest
    if motion is None:
        raise DataError(f"the plan holds {held.rank} of six motions; it has no weakest one")
    return WeakestMotion(
        words=motion_words(motion, plan.unit), kind=motion.kind, gain=held.weakest_gain,
        moved=held.weakest_gain * sigma, point=plan.points[held.weakest_point].id,
    )  # fmt: skip


def _where(true: npt.NDArray[np.bool_]) -> list[int]:
    return [int(k) for k in np.flatnonzero(true)]


def _named(group: tuple[int, ...], names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(names[k] for k in group)
