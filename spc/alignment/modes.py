"""What the residuals of a fit can say at all, as a few named numbers.

The residuals of N points carry only N − 6 numbers. An orthonormal basis of that space, turned to
shapes that the plan's geometry lets one name, gives scores that are uncorrelated, all with the
variance of one reading, and the same from any start pose, stand or arm position.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_rows, as_weights
from spc.alignment.faces import Face, find_faces
from spc.alignment.modewords import Named, describe, leftover
from spc.alignment.nullspace import complement, null_basis, orthonormal, supported, without
from spc.alignment.patterns import (
    BOW,
    OFFSET,
    Pattern,
    bow_of,
    offset_of,
    shapely,
    tilt_of,
    twist_of,
)

Array = NDArray[np.float64]

#: A shape of which less than this share reaches the residuals gives no mode its name.
NAMEABLE = 0.05
#: A loading below this share of the largest is not told in words, and does not spoil a score.
SPEAKABLE, NEGLIGIBLE = 0.1, 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResidualModes:
    """The residual space of a plan's fit, turned to shapes with names.

    Parameters
    ----------
    names
        Unique names; ``mode k`` where no shape fits.
    kinds
        ``twist``, ``bow``, ``squareness``, ``size``, ``taper`` or ``other``.
    descriptions
        What a positive score means, in plain words, with the points that make it up.
    positive, negative
        Points that push the score up and down when they stand out.
    loadings
        (points, modes); score = loadingsᵀ · deviations. Zero at check points. The columns are
        orthonormal in the weights: loadingsᵀ W⁻¹ loadings = 1.
    units
        Of the amplitude of each mode: ``mm`` or ``mm/m``.
    scale
        (modes,), amplitude = scale · score, and its SD = scale · σ, where the shape of that name
        is the only one at work; NaN for ``other``.
    n_points
        Fit points.
    note
        Why there are no modes; empty where there are.
    """

    names: tuple[str, ...]
    kinds: tuple[str, ...]
    descriptions: tuple[str, ...]
    positive: tuple[tuple[int, ...], ...]
    negative: tuple[tuple[int, ...], ...]
    loadings: Array
    units: tuple[str, ...]
    scale: Array
    n_points: int
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    """A shape that may give a mode its name.

    Parameters
    ----------
    pattern
        The shape.
    column
        Its column in the coordinates of the null basis.
    length
        Its weighted length before, without its mean.
    face
        On which it lies.
    """

    pattern: Pattern
    column: Array
    length: float
    face: Face


def residual_modes(
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    labels: tuple[str, ...] | None = None,
) -> ResidualModes:
    """Find and name what the residuals of a plan's fit can say.

    Parameters
    ----------
    nominals, normals, weights
        The plan; (points, 3), (points, 3), (points,) with 0 = check point.
    labels
        Names of the points for the descriptions; ``point 0`` and so on where not given.

    Returns
    -------
    ResidualModes
        N − 6 modes, in the order in which they were named: shapes of a single face first, then
        those for which two faces and more must be compared. None, with a note, where the fit
        leaves nothing or is not possible.

    Notes
    -----
    Of the shapes of one face (then of two, three, all) that are orthogonal to the modes already
    named, the one of which the largest share reaches the residuals is taken next. A mode is that
    visible part, so its name holds exactly and its points are those that its loadings show.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (len(p),))
    names = labels or tuple(f"point {k}" for k in range(len(p)))
    null = null_basis(p, n, w)
    if null is None or null.shape[1] == 0:
        return _none(w, null is None)
    faces = find_faces(p, n, w > 0.0)
    found = _name_all(null, _candidates(null, p, w, faces), faces)
    vectors = np.stack([mode.vector for mode in found], axis=1)
    loadings = np.sqrt(w)[:, None] * (null @ vectors)
    words = [describe(mode, loadings[:, k], faces, names) for k, mode in enumerate(found)]
    signs = [_signs(loadings[:, k]) for k in range(len(found))]
    return ResidualModes(
        names=_unique(tuple(word.name for word in words)),
        kinds=tuple(word.kind for word in words),
        descriptions=tuple(word.description for word in words),
        positive=tuple(sign[0] for sign in signs),
        negative=tuple(sign[1] for sign in signs),
        loadings=loadings,
        units=tuple(word.unit for word in words),
        scale=np.array([_scale(mode, loadings[:, k]) for k, mode in enumerate(found)]),
        n_points=int((w > 0.0).sum()),
        note="",
    )


def mode_scores(modes: ResidualModes, deviations: ArrayLike) -> Array:
    """Return the scores of runs, (runs, modes), mm; each has the variance of one reading.

    Parameters
    ----------
    modes
        Of the plan.
    deviations
        (runs, points), mm, after any alignment close to the plan; NaN = missing.

    Returns
    -------
    numpy.ndarray
        A score is NaN where a point that it needs is missing, and stays exact where the missing
        point has no part in it.
    """
    d = as_rows(deviations, len(modes.loadings))
    size = np.abs(modes.loadings)
    # An all-zero column cannot occur: the loadings are orthonormal.
    needed = size > NEGLIGIBLE * size.max(axis=0, initial=0.0)
    missing = np.isnan(d)
    spoiled = (missing.astype(np.float64) @ needed.astype(np.float64)) > 0.0
    return np.where(spoiled, np.nan, np.where(missing, 0.0, d) @ modes.loadings)


def _none(weights: Array, degenerate: bool) -> ResidualModes:
    reason = (
        "the fit points do not hold all six motions of the part, so there is no fit"
        if degenerate
        else "six fit points: the residuals are always zero and say nothing"
    )
    return ResidualModes(
        names=(),
        kinds=(),
        descriptions=(),
        positive=(),
        negative=(),
        loadings=np.zeros((len(weights), 0)),
        units=(),
        scale=np.zeros(0),
        n_points=int((weights > 0.0).sum()),
        note=reason,
    )


def _candidates(null: Array, p: Array, w: Array, faces: tuple[Face, ...]) -> tuple[_Candidate, ...]:
    found = []
    for face in faces:
        shapes = [twist_of(face, p), bow_of(face, p, 0), bow_of(face, p, 1)]
        shapes += [tilt_of(face, p, 0), tilt_of(face, p, 1), offset_of(face, p)]
        for shape in shapes:
            if not shapely(shape, w[None])[0]:
                continue
            on = shape.column[list(face.points)]
            free = on if shape.kind == OFFSET else on - on.mean()
            length = float(np.sqrt((w[list(face.points)] * free**2).sum()))
            if length > 1e-6 * float(np.abs(on).max(initial=0.0)):
                column = null.T @ (np.sqrt(w) * shape.column)
                found.append(_Candidate(pattern=shape, column=column, length=length, face=face))
    return tuple(found)


def _name_all(
    null: Array, candidates: tuple[_Candidate, ...], faces: tuple[Face, ...]
) -> list[Named]:
    chosen: list[Named] = []
    for count in range(1, min(3, len(faces)) + 1):
        _name_by_faces(chosen, null, candidates, tuple(combinations(faces, count)))
    _name_by_faces(chosen, null, candidates, (faces,))
    rest = complement(_vectors(chosen), null.shape[1])
    while rest.shape[1]:
        reach = np.linalg.norm(null @ rest, axis=1)
        # Rounding must not decide between points that reach equally far.
        point = int(np.argmax(np.round(reach, 9)))
        vector = rest @ (rest.T @ null[point])
        chosen.append(leftover(vector / np.linalg.norm(vector), point))
        rest = complement(_vectors(chosen), null.shape[1])
    return chosen


def _name_by_faces(
    chosen: list[Named],
    null: Array,
    candidates: tuple[_Candidate, ...],
    supports: tuple[tuple[Face, ...], ...],
) -> None:
    """Name modes that live on one of the given sets of faces, the most visible first."""
    local = [supported(null, support) for support in supports]
    while True:
        best: tuple[float, Named] | None = None
        for support, space in zip(supports, local, strict=True):
            free = orthonormal(without(_vectors(chosen), space))
            here = tuple(c for c in candidates if free.shape[1] and c.face in support)
            for candidate in here:
                vector = free @ (free.T @ candidate.column)
                share = round(float(np.linalg.norm(vector)) / candidate.length, 9)
                if share > NAMEABLE and (best is None or share > best[0]):
                    best = share, _named(vector, candidate, here, free)
        if best is None:
            return
        chosen.append(best[1])


def _named(
    vector: Array, candidate: _Candidate, others: tuple[_Candidate, ...], free: Array
) -> Named:
    """Return the mode, with a note of whether a bow across the face would look the same."""
    unit = vector / np.linalg.norm(vector)
    twin = False
    for other in others:
        same = other.face is candidate.face and other.pattern.kind == candidate.pattern.kind
        if same and other is not candidate and candidate.pattern.kind == BOW:
            image = free @ (free.T @ other.column)
            twin |= abs(float(unit @ image)) > (1.0 - 1e-6) * float(np.linalg.norm(image)) > 1e-9
    return Named(vector=unit, pattern=candidate.pattern, point=-1, twin=twin)


def _vectors(chosen: list[Named]) -> list[Array]:
    return [mode.vector for mode in chosen]


def _signs(loading: Array) -> tuple[tuple[int, ...], tuple[int, ...]]:
    limit = SPEAKABLE * np.abs(loading).max()
    return (
        tuple(int(i) for i in np.flatnonzero(loading > limit)),
        tuple(int(i) for i in np.flatnonzero(loading < -limit)),
    )


def _scale(mode: Named, loading: Array) -> float:
    if mode.pattern is None:
        return float("nan")
    return float(1.0 / (loading @ mode.pattern.column))


def _unique(names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(
        f"{name} ({names[: k + 1].count(name)})" if names.count(name) > 1 else name
        for k, name in enumerate(names)
    )
