"""Which shapes of the part a plan can see at all, and which only added to one another.

A shape c leaves in the deviations only what no rigid motion takes up: R D with D the pattern's
column and R the projection off the six motions. Where R D is zero the shape cannot be seen, and
where several R D depend on each other only their sum can.

References
----------
.. [1] Carlson, J. S. and Söderberg, R. (2003), Assembly root cause analysis: a way to reduce
   dimensional variation in assembled products, Int. J. Flexible Manufacturing Systems 15, 113:
   conditions under which different faults cause the same deviations (from memory).
.. [2] Marquardt, D. W. (1970), Generalized inverses, ridge regression, biased linear estimation,
   and nonlinear estimation, Technometrics 12, 591: variance inflation factors (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_weights
from spc.alignment.faces import Face, find_faces
from spc.alignment.formwords import (
    COMBINED,
    FITTED,
    HIDDEN,
    LEFT_OUT,
    meaning,
    note_of,
    reasons,
)
from spc.alignment.geometry import holds
from spc.alignment.patterns import (
    BOW,
    SIZE,
    SQUARENESS,
    TWIST,
    Pattern,
    bow_of,
    shapely,
    size_patterns,
    squareness_patterns,
    twist_of,
)
from spc.errors import DataError

Array = NDArray[np.float64]

#: What other layers take from here, the words for a shape's status among them.
__all__ = [
    "COMBINED",
    "FITTED",
    "HIDDEN",
    "INFLATION",
    "KINDS",
    "LEFT_OUT",
    "VISIBLE",
    "FormPlan",
    "form_plan",
    "visible_share",
]

#: A shape of which less than this share is left after the best rigid motion counts as hidden.
VISIBLE = 0.02
#: A shape is fitted beside others only where that inflates the variance of none of them by more
#: than this: beyond ten, regression texts call their columns dependent [2]_, and the noise of a
#: few points would be read as two large shapes of opposite effect.
INFLATION = 10.0
#: A shape that adds less than this share of itself to a number is not named in its meaning.
WORTH_A_WORD = 0.1
KINDS = (SIZE, TWIST, BOW, SQUARENESS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FormPlan:
    """The shapes that a plan's points can tell.

    Parameters
    ----------
    patterns
        Every shape considered, K of them.
    columns
        (points, K), deviation in mm per unit of each.
    visible
        (K,), share of the pattern's length left after the best rigid motion, 0 to 1; 0 where the
        points of a face cannot tell it from a tilt of the face.
    sd_alone
        (K,), SD of the amplitude at SD 1 mm of a weight-one reading when this shape is the only
        one; NaN where hidden.
    status
        Of each: ``fitted`` (a number of its own), ``in combination`` (only the sum with others
        can be told), ``hidden`` (leaves nothing), ``left out`` (of a kind that was not asked for).
    reasons
        Why a shape is hidden, combined or left out, in plain words; empty where fitted.
    kept
        Indices of the shapes that are fitted together, M of them.
    meanings
        For each kept shape, what its number stands for; more than one name where combined.
    mixing
        (M, K), the number of a kept shape is mixing · true amplitudes.
    sd_joint
        (M,), SD at SD 1 mm when all kept are fitted together.
    weights
        (points,), of the readings; 0 = point left out.
    nominals, normals
        (points, 3), as checked.
    dof
        Degrees of freedom left: points − 6 − M.
    note
        Why nothing can be told at all, or that nothing is left to judge the fit by; else empty.
    """

    patterns: tuple[Pattern, ...]
    columns: Array
    visible: Array
    sd_alone: Array
    status: tuple[str, ...]
    reasons: tuple[str, ...]
    kept: tuple[int, ...]
    meanings: tuple[str, ...]
    mixing: Array
    sd_joint: Array
    weights: Array
    nominals: Array
    normals: Array
    dof: int
    note: str


def visible_share(
    columns: ArrayLike, nominals: ArrayLike, normals: ArrayLike, weights: ArrayLike = 1.0
) -> Array:
    """Return what share of each column's length is left after the best rigid motion.

    Parameters
    ----------
    columns
        (points, K), deviations.
    nominals, normals, weights
        The points that are measured; (points, 3), (points, 3), (points,).

    Returns
    -------
    numpy.ndarray
        (K,), 0 to 1; 0 for a column of zeros, NaN where the points do not hold the part.
    """
    p, n = as_plan(nominals, normals)
    left, length = _projected(np.asarray(columns, np.float64), p, n, as_weights(weights, (len(p),)))
    return np.asarray(np.linalg.norm(left, axis=0) / np.where(length > 0.0, length, 1.0))


def form_plan(
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike = 1.0,
    *,
    kinds: tuple[str, ...] = (SIZE, TWIST, BOW),
) -> FormPlan:
    """Work out which shapes the points of a plan, fit and check ones together, can tell.

    Parameters
    ----------
    nominals, normals
        (points, 3), mm and unit normals of all points that are measured.
    weights
        (points,) or one for all; 0 leaves a point out.
    kinds
        Which shapes are fitted together: ``size``, ``twist``, ``bow``, ``squareness``. All are
        judged one at a time.

    Returns
    -------
    FormPlan
        For a degenerate plan everything hidden with a note, never an exception.

    Notes
    -----
    Uniform size is the sum of the three sizes along the axes, so one or the other is fitted:
    those along the axes that can be seen if they can be told apart, else the uniform one.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (len(p),))
    unknown = set(kinds) - set(KINDS)
    if unknown:
        raise DataError(f"unknown kind of shape {sorted(unknown)[0]!r}; one of {', '.join(KINDS)}")
    faces = find_faces(p, n, w > 0.0)
    patterns = _catalogue(p, n, faces)
    columns = np.stack([pattern.column for pattern in patterns], axis=1)
    left, length = _projected(columns, p, n, w)
    reach = np.linalg.norm(left, axis=0)
    own = np.array([bool(shapely(pattern, w[None])[0]) for pattern in patterns])
    share = np.clip(reach / np.where(length > 0.0, length, 1.0), 0.0, 1.0)
    visible = np.where(own, share, 0.0 * share)
    seen = visible > VISIBLE
    wanted, out = _wanted(patterns, seen, left, kinds)
    kept = _independent(left, wanted)
    mixing = _mixing(left, kept, wanted)
    status = _status(seen, kept, wanted, mixing)
    spare = int((w > 0.0).sum()) - 6 - len(kept)
    return FormPlan(
        patterns=patterns,
        columns=columns,
        visible=visible,
        sd_alone=np.where(seen, 1.0 / np.where(seen, reach, 1.0), np.nan),
        status=status,
        reasons=reasons(patterns, status, columns, faces, kept, mixing, out),
        kept=kept,
        meanings=tuple(meaning(patterns, row) for row in mixing),
        mixing=mixing,
        sd_joint=_sd_joint(left[:, list(kept)]),
        weights=w,
        nominals=p,
        normals=n,
        dof=spare,
        note=note_of(visible, kept, spare),
    )


def _catalogue(p: Array, n: Array, faces: tuple[Face, ...]) -> tuple[Pattern, ...]:
    found = list(size_patterns(p, n))
    found += [twist_of(face, p) for face in faces]
    found += [bow_of(face, p, k) for face in faces for k in (0, 1)]
    return (*found, *squareness_patterns(p, n))


def _projected(columns: Array, p: Array, n: Array, w: Array) -> tuple[Array, Array]:
    """Return the weighted columns off the six motions, and their lengths before."""
    held = holds(p, n, w[None])
    root = np.sqrt(w)[:, None]
    rigid = root * held.lever[0]
    weighted = root * columns
    return weighted - rigid @ (rigid.T @ weighted), np.linalg.norm(weighted, axis=0)


def _wanted(
    patterns: tuple[Pattern, ...], seen: Array, left: Array, kinds: tuple[str, ...]
) -> tuple[list[int], dict[int, str]]:
    """Return the shapes to fit together in order of priority, and why others are left out."""
    out = {
        k: "this kind of shape was not asked for"
        for k, pattern in enumerate(patterns)
        if pattern.kind not in kinds
    }
    sizes = [k for k in (1, 2, 3) if seen[k]]
    by_axis = bool(sizes) and len(_independent(left, sizes)) == len(sizes)
    if SIZE in kinds and by_axis:
        out[0] = "it is the sum of the sizes along the axes, which are fitted instead"
    elif SIZE in kinds:
        told = "the sizes along the axes cannot be told apart, so the uniform size is fitted"
        out |= dict.fromkeys(sizes, told)
    rank = {kind: k for k, kind in enumerate(KINDS)}
    order = sorted(range(len(patterns)), key=lambda k: (rank[patterns[k].kind], k))
    return [k for k in order if seen[k] and k not in out], out


def _independent(left: Array, order: list[int]) -> tuple[int, ...]:
    """Return those of ``order`` that can be told beside the ones before, and leave them told."""
    kept: list[int] = []
    for k in order:
        if _inflation(left[:, [*kept, k]]) <= INFLATION:
            kept.append(k)
    return tuple(kept)


def _inflation(columns: Array) -> float:
    """Return the largest factor by which the columns inflate each other's variance."""
    _, s, vt = np.linalg.svd(columns / np.linalg.norm(columns, axis=0), full_matrices=False)
    if s[-1] < np.sqrt(np.finfo(np.float64).eps):
        return np.inf
    return float((vt**2 / s[:, None] ** 2).sum(axis=0).max())


def _mixing(left: Array, kept: tuple[int, ...], wanted: list[int]) -> Array:
    """Return how the true amplitudes of all wanted shapes add up in each kept one's number."""
    mixing = np.zeros((len(kept), left.shape[1]))
    if not kept:
        return mixing
    # lstsq refuses nothing: the kept columns are independent by construction.
    found = np.linalg.lstsq(left[:, list(kept)], left[:, wanted], rcond=None)[0]
    # The dependence is not exact to the last digit; small change is not worth a word.
    reach = np.linalg.norm(left, axis=0)
    share = np.abs(found) * reach[list(kept)][:, None] / reach[wanted]
    mixing[:, wanted] = np.where(share > WORTH_A_WORD, found, 0.0)
    mixing[:, list(kept)] = np.eye(len(kept))
    return mixing


def _status(
    seen: Array, kept: tuple[int, ...], wanted: list[int], mixing: Array
) -> tuple[str, ...]:
    mixed = set(np.flatnonzero((mixing != 0.0).sum(axis=1) > 1))
    status = []
    for k in range(len(seen)):
        if not seen[k]:
            status.append(HIDDEN)
        elif k not in wanted:
            status.append(LEFT_OUT)
        elif k in kept and kept.index(k) not in mixed:
            status.append(FITTED)
        else:
            status.append(COMBINED)
    return tuple(status)


def _sd_joint(kept: Array) -> Array:
    if not kept.shape[1]:
        return np.zeros(0)
    _, s, vt = np.linalg.svd(kept, full_matrices=False)
    return np.asarray(np.linalg.norm(vt / s[:, None], axis=0))
