"""Where one more fit point would pay most."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_weights
from spc.alignment.cofactors import cofactors
from spc.alignment.faces import Face, find_faces
from spc.alignment.geometry import holds

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CHECK_PATCH, NEW_POINT = "check patch", "new point"
#: Proposed points keep this share of the part's extent away from its edges.
MARGIN = 0.1
#: A proposal nearer than this share of the part's size to a fit point of its face is no news.
TOO_NEAR = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFigures:
    """The figures by which plans are compared.

    Parameters
    ----------
    rank
        Motions held.
    tied
        Fit points that cannot be told apart from another.
    unchecked
        Fit points whose residual is always zero.
    min_redundancy
        Smallest redundancy number of a fit point; NaN where the rank is below 6.
    worst_alignment
        Largest SD that the alignment brings to any check patch of the plan as it was, per SD of
        a reading; to any point where it has no check patch. NaN where the rank is below 6.
    condition
        Of the scaled design; infinite where the rank is below 6.
    """

    rank: int
    tied: int
    unchecked: int
    min_redundancy: float
    worst_alignment: float
    condition: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Improvement:
    """One more fit point and what it would change.

    Parameters
    ----------
    kind
        ``check patch`` (one of the plan, taken into the fit as well) or ``new point``.
    index
        Of the check patch in the plan; −1 for a new point.
    face
        Name of the face on which it lies.
    nominal, normal
        (3,) each, mm; of a new point a proposal in the plane of its face, to be checked against
        the part.
    after
        The figures with it.
    """

    kind: str
    index: int
    face: str
    nominal: Array
    normal: Array
    after: PlanFigures


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Improvements:
    """What one more fit point could do for a plan.

    Parameters
    ----------
    before
        The figures of the plan as it is.
    ranked
        Best first: motions held, then fewest unchecked, fewest tied, largest smallest
        redundancy, smallest worst alignment SD.
    """

    before: PlanFigures
    ranked: tuple[Improvement, ...]


def improvements(
    nominals: ArrayLike, normals: ArrayLike, weights: ArrayLike, *, new_points: bool = True
) -> Improvements:
    """Try every check patch, and places on the plan's faces, as one more fit point of weight one.

    Parameters
    ----------
    nominals, normals
        (points, 3), mm and outward unit normals.
    weights
        (points,); 0 = check point.
    new_points
        Whether places on the faces are proposed as well.

    Returns
    -------
    Improvements
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (len(p),))
    faces = find_faces(p, n, np.ones(len(p), dtype=np.bool_))
    of_point = {k: face.name for face in faces for k in face.points}
    check = [int(k) for k in np.flatnonzero(w == 0.0)]
    tried = [(CHECK_PATCH, k, of_point[k], p[k], n[k]) for k in check]
    if new_points:
        spots = [(face, spot) for face in faces for spot in _spots(face, p, w)]
        tried += [(NEW_POINT, -1, face.name, spot, face.normal) for face, spot in spots]
    figures = _figures(p, n, w, [one[3] for one in tried], [one[4] for one in tried])
    found = [
        Improvement(kind=kind, index=index, face=face, nominal=at, normal=along, after=after)
        for (kind, index, face, at, along), after in zip(tried, figures[1:], strict=True)
    ]
    found.sort(key=lambda one: _rank_key(one.after))
    return Improvements(before=figures[0], ranked=tuple(found))


def _rank_key(figures: PlanFigures) -> tuple[float, ...]:
    """Sort key; rounded so that rounding does not order equal plans."""
    held = figures.rank == 6
    return (
        -figures.rank,
        figures.unchecked,
        figures.tied,
        -round(figures.min_redundancy, 6) if held else 0.0,
        round(figures.worst_alignment, 6) if held else 0.0,
    )


def _spots(face: Face, p: Array, w: Array) -> list[Array]:
    """Return a grid of nine places in the face's plane over the extent of the whole part."""
    along = p @ face.across.T
    low, high = along.min(axis=0), along.max(axis=0)
    edge = MARGIN * (high - low)
    grid = [np.linspace(low[k] + edge[k], high[k] - edge[k], 3) for k in (0, 1)]
    height = float(face.centre @ face.normal)
    spots = [
        u * face.across[0] + v * face.across[1] + height * face.normal
        for u in np.unique(grid[0])
        for v in np.unique(grid[1])
    ]
    own = p[[k for k in face.points if w[k] > 0.0]]
    near = TOO_NEAR * float(np.linalg.norm(np.ptp(p, axis=0)))
    return [s for s in spots if not (np.linalg.norm(own - s, axis=1) < near).any()]


def _figures(
    p: Array, n: Array, w: Array, at: list[Array], along: list[Array]
) -> list[PlanFigures]:
    """Return the figures of the plan (first) and of the plan with each extra point."""
    extra = len(at)
    all_p = np.vstack([p, np.reshape(at, (extra, 3))])
    all_n = np.vstack([n, np.reshape(along, (extra, 3))])
    rows = np.zeros((extra + 1, len(p) + extra))
    rows[:, : len(p)] = w
    rows[1:, len(p) :] = np.eye(extra)
    held = holds(all_p, all_n, rows)
    found = cofactors(held)
    judged = np.flatnonzero(w == 0.0) if (w == 0.0).any() else np.arange(len(p))
    alignment = np.linalg.norm(held.lever[:, judged], axis=-1).max(axis=-1, initial=0.0)
    fit = rows > 0.0
    own = np.arange(rows.shape[1])
    sizes = (found.label[:, :, None] == own).sum(axis=1)
    tied = np.where(sizes > 1, sizes, 0).sum(axis=1)
    unchecked = (fit & (found.label < 0)).sum(axis=1)
    least = np.where(fit, found.redundancy, np.inf).min(axis=1, initial=np.inf)
    return [
        PlanFigures(
            rank=int(held.rank[k]),
            tied=int(tied[k]),
            unchecked=int(unchecked[k]) if held.rank[k] == 6 else int(fit[k].sum()),
            min_redundancy=float(least[k]) if held.rank[k] == 6 else float("nan"),
            worst_alignment=float(alignment[k]),
            condition=float(held.condition[k]),
        )
        for k in range(extra + 1)
    ]
