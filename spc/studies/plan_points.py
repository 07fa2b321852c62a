"""The points of a plan: what the fit shows and hides at each, before anyone measures."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.reliability import PlanReliability
from spc.plan import Plan
from spc.studies.arrays import Array, PlanArrays

#: Harms told of one point that nothing checks.
MOST_HARMS = 3
#: A share of an error below this is rounding.
SHOWS = 1e-9


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


def clusters(trust: PlanReliability) -> tuple[tuple[int, ...], ...]:
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


def fit_point(plan: Plan, trust: PlanReliability, at: int, sigma: float) -> FitPointCheck:
    """Return what the fit shows and hides at a fit point, at a noise of ``sigma`` mm."""
    names = [p.id for p in plan.points]
    where = _harmed(trust, at)
    harm = np.abs(trust.hidden_shift[list(where), at])
    # Where no point of the plan would show it, nothing can be said of the harm.
    # Rounded, so that of points alike the first is named, whatever the last digit is.
    worst = int(np.argmax(np.round(harm, 9))) if len(where) and harm.max() > SHOWS else -1
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


def check_point(
    plan: Plan, trust: PlanReliability, geometry: PlanArrays, at: int, sigma: float
) -> CheckPointCheck:
    """Return what the alignment brings to a check point, at a noise of ``sigma`` mm."""
    alignment = float(trust.alignment_sigma[at] * sigma)
    return CheckPointCheck(
        point=geometry.names[at], group=plan.points[at].group, alignment=alignment,
        inflation=float(trust.inflation[at]),
        share=float(6.0 * alignment / (geometry.upper[at] - geometry.lower[at])),
    )  # fmt: skip


def _shown(shift: Array) -> int:
    return int((np.abs(shift) > SHOWS).sum())


def unseen_at(trust: PlanReliability, geometry: PlanArrays, at: int) -> Unseen:
    """Return where an error does harm at a fit point that nothing checks."""
    where = list(_harmed(trust, at))
    shift = trust.response[where, at]
    order = np.argsort(-np.abs(shift), kind="stable")[: min(MOST_HARMS, _shown(shift))]
    return Unseen(
        point=geometry.names[at],
        harms=tuple(
            Harm(point=geometry.names[where[k]], per_mm=float(shift[k])) for k in order
        ),
    )  # fmt: skip
