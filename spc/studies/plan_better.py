"""Further fit points that would help a plan most, with its figures before and after."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.improve import CHECK_PATCH, Improvement, PlanFigures, improvements
from spc.plan import Plan
from spc.studies.arrays import Array, PlanArrays, plan_arrays

#: Told of each kind, one a face: proposals beside one another on a face do much the same.
MOST = 3
#: Check points tried; of more, those that lie farthest apart (the work grows with their cube).
TRIED = 40
#: A proposed place further outside the points of the plan than this share of their extent along
#: an axis is not on the part.
OUTSIDE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Figures by which plans are compared; lengths in mm.

    Parameters
    ----------
    tied
        Fit points that cannot be told from another.
    unchecked
        Fit points whose error passes unseen.
    least_redundancy
        Smallest share of an error that shows at its own point.
    alignment
        Largest standard deviation that the alignment brings to any check point.
    condition
        Best over worst held motion.
    """

    tied: int
    unchecked: int
    least_redundancy: float
    alignment: float
    condition: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BetterPoint:
    """One more fit point; lengths in mm.

    Parameters
    ----------
    kind
        ``check patch`` (give it the role fit) or ``new point``.
    point
        Name of the check patch; empty for a new point.
    face
        Face on which it lies, named by the axis that it looks along.
    nominal, normal
        Where; of a new point a proposal in the plane of its face, to be held against the part.
    after
        The figures with it.
    """

    kind: str
    point: str
    face: str
    nominal: tuple[float, float, float]
    normal: tuple[float, float, float]
    after: Figures


@dataclass(frozen=True, slots=True, kw_only=True)
class Better:
    """What one more fit point could do.

    Parameters
    ----------
    before
        The figures of the plan as it is.
    ranked
        The best of each face: check patches first, then new points.
    note
        What was left untried; empty where nothing.
    """

    before: Figures
    ranked: tuple[BetterPoint, ...]
    note: str


def better_points(plan: Plan, sigma: float) -> Better:
    """Try further fit points at a probing noise of ``sigma`` mm."""
    geometry = plan_arrays(plan)
    kept = _kept(geometry)
    found = improvements(geometry.nominals[kept], geometry.normals[kept], geometry.weights[kept])
    names = tuple(geometry.names[k] for k in kept)
    inside = [one for one in found.ranked if _on_part(one, geometry.nominals)]
    ranked: list[Improvement] = []
    for kind in dict.fromkeys([CHECK_PATCH, *(one.kind for one in inside)]):
        first = {one.face: one for one in reversed(inside) if one.kind == kind}
        best = sorted(first.values(), key=inside.index)
        ranked += best[:MOST]
    left = len(geometry.names) - len(kept)
    return Better(
        before=_figures(found.before, sigma),
        ranked=tuple(_better(one, names, sigma) for one in ranked),
        note=f"{left} check points were not tried; those tried lie farthest apart" if left else "",
    )


def _kept(geometry: PlanArrays) -> list[int]:
    """Return the fit points and the check points to try, in the plan's order."""
    fit = np.flatnonzero(geometry.weights > 0)
    check = np.flatnonzero(geometry.weights == 0)
    if len(check) <= TRIED:
        return list(range(len(geometry.names)))
    places = geometry.nominals[check]
    gap = np.linalg.norm(places[:, None] - geometry.nominals[fit], axis=2).min(axis=1)
    chosen = []
    for _ in range(TRIED):
        far = int(np.argmax(gap))
        chosen.append(int(check[far]))
        gap = np.minimum(gap, np.linalg.norm(places - places[far], axis=1))
    return sorted([*map(int, fit), *chosen])


def _on_part(one: Improvement, nominals: Array) -> bool:
    low, high = nominals.min(axis=0), nominals.max(axis=0)
    slack = OUTSIDE * (high - low)
    return bool(((one.nominal >= low - slack) & (one.nominal <= high + slack)).all())


def _figures(found: PlanFigures, sigma: float) -> Figures:
    return Figures(
        tied=found.tied, unchecked=found.unchecked, least_redundancy=found.min_redundancy,
        alignment=found.worst_alignment * sigma, condition=found.condition,
    )  # fmt: skip


def _better(one: Improvement, names: tuple[str, ...], sigma: float) -> BetterPoint:
    x, y, z = (float(v) for v in one.nominal)
    i, j, k = (float(v) for v in one.normal)
    return BetterPoint(
        kind=one.kind, point=names[one.index] if one.index >= 0 else "", face=one.face,
        nominal=(x, y, z), normal=(i, j, k), after=_figures(one.after, sigma),
    )  # fmt: skip
