"""A plan judged before anyone measures: what its fit holds, shows and hides."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.alignment.plan_check import PlanCheck
from spc.alignment.reliability import PlanReliability
from spc.errors import DataError
from spc.plan import Plan
from spc.studies.arrays import Array, PlanArrays, plan_arrays
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
from spc.studies.plan_shapes import ShapesChecked, shapes_checked

SOUND, LIMITED, UNCHECKED = "sound", "limited", "unchecked"
#: Standard deviation of one point's reading where neither the user nor the plan says one, mm.
ASSUMED_SIGMA = 0.05
ASSUMED_WORDS = "assumed: common practice, no published source"
#: A plan whose weakest motion grows the noise by more than this is called weak in it (common
#: practice, no published source).
WEAK_GAIN = 3.0
#: Harms told of one point that nothing checks.
MOST_HARMS = 3
#: A share of an error below this is rounding.
SHOWS = 1e-9


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
class FitPointCheck:
    """One fit point; lengths in mm.

    Parameters
    ----------
    point, group
        Its names.
    weight
        Its weight in the fit.
    leverage, redundancy
        Share of an error that moves the whole part, and share that shows there; they add to one.
    detectable
        Smallest error found (0.1 % false alarms, 80 % power); infinite where nothing checks it.
    harm, harmed
        Largest shift that such an error brings to another point unseen, and that point; a check
        point where there is one. Infinite where nothing checks the point, NaN where no point of the
        plan would show it.
    tied
        Points that it cannot be told from.
    near
        Points that it can hardly be told from (residuals correlated beyond 0.9).
    """

    point: str
    group: str
    weight: float
    leverage: float
    redundancy: float
    detectable: float
    harm: float
    harmed: str
    tied: tuple[str, ...]
    near: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPointCheck:
    """One check point; lengths in mm.

    Parameters
    ----------
    point, group
        Its names.
    alignment
        Standard deviation that the alignment alone brings there.
    inflation
        How many times noisier it is than its own probing.
    share
        Six of these standard deviations over the width of the tolerance; NaN without one.
    """

    point: str
    group: str
    alignment: float
    inflation: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Harm:
    """What an error of 1 mm does elsewhere.

    Parameters
    ----------
    point
        Where.
    per_mm
        Change of the deviation there, mm, signed.
    """

    point: str
    per_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unseen:
    """A fit point whose error passes unseen.

    Parameters
    ----------
    point
        The point.
    harms
        Where an error there does most, the largest first; none where no point would show it.
    """

    point: str
    harms: tuple[Harm, ...]


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
    near = tuple(_named(group, names) for group in _clusters(trust))
    unseen = tuple(_unseen(trust, geometry, k) for k in trust.unchecked)
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
        points=tuple(_fit_point(plan, trust, k, noise) for k in _where(trust.weights > 0)),
        checks=tuple(
            _check_point(plan, trust, geometry, k, noise) for k in _where(trust.weights == 0)
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
            f"the part is held loosely in {weakest.words}: 1 mm of noise moves it by "
            f"{weakest.gain:.1f} mm at {weakest.point}"
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


def _clusters(trust: PlanReliability) -> tuple[tuple[int, ...], ...]:
    """Return sets of points that near ties join, tied ones among them, in the plan's order."""
    sets = [set(group) for group in trust.groups]
    for tie in trust.near_ties:
        joined = [s for s in sets if tie.first in s or tie.second in s]
        sets = [s for s in sets if s not in joined] + [set().union(*joined)]
    plain = {frozenset(group) for group in trust.groups}
    found = [tuple(sorted(s)) for s in sets if frozenset(s) not in plain]
    return tuple(sorted(found))


def _harmed(trust: PlanReliability, at: int) -> tuple[int, ...]:
    """Return where harm is looked for: check points, else the other fit points."""
    check = np.flatnonzero(trust.weights == 0)
    return tuple(int(k) for k in (check if len(check) else range(len(trust.weights))) if k != at)


def _fit_point(plan: Plan, trust: PlanReliability, at: int, sigma: float) -> FitPointCheck:
    names = [p.id for p in plan.points]
    where = _harmed(trust, at)
    harm = np.abs(trust.hidden_shift[list(where), at])
    # Where no point of the plan would show it, nothing can be said of the harm.
    worst = int(np.argmax(harm)) if len(where) and harm.max() > SHOWS else -1
    group = next((g for g in trust.groups if at in g), ())
    pairs = {(t.first, t.second) for t in trust.near_ties if at in (t.first, t.second)}
    near = sorted({b if a == at else a for a, b in pairs})
    return FitPointCheck(
        point=names[at], group=plan.points[at].group, weight=float(trust.weights[at]),
        leverage=float(trust.leverage[at]), redundancy=float(trust.redundancy[at]),
        detectable=float(trust.detectable[at] * sigma),
        harm=float(harm[worst] * sigma) if worst >= 0 else np.nan,
        harmed=names[where[worst]] if worst >= 0 else "",
        tied=tuple(names[k] for k in group if k != at), near=tuple(names[k] for k in near),
    )  # fmt: skip


def _check_point(
    plan: Plan, trust: PlanReliability, geometry: PlanArrays, at: int, sigma: float
) -> CheckPointCheck:
    alignment = float(trust.alignment_sigma[at] * sigma)
    return CheckPointCheck(
        point=geometry.names[at], group=plan.points[at].group, alignment=alignment,
        inflation=float(trust.inflation[at]),
        share=float(6.0 * alignment / (geometry.upper[at] - geometry.lower[at])),
    )  # fmt: skip


def _shown(shift: Array) -> int:
    return int((np.abs(shift) > SHOWS).sum())


def _unseen(trust: PlanReliability, geometry: PlanArrays, at: int) -> Unseen:
    where = list(_harmed(trust, at))
    shift = trust.response[where, at]
    order = np.argsort(-np.abs(shift), kind="stable")[: min(MOST_HARMS, _shown(shift))]
    return Unseen(
        point=geometry.names[at],
        harms=tuple(
            Harm(point=geometry.names[where[k]], per_mm=float(shift[k])) for k in order
        ),
    )  # fmt: skip
