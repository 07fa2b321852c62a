"""Mistakes that an alignment can recognise: exchanged points, a mirrored part, another unit.

All look at where points are, not at small deviations: a point is probed within some millimetres
of its nominal, so point-to-point distances after the best superposition tell gross mistakes.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats, as_plan, as_points, as_rows
from spc.alignment.rotation import superpose, weighted_centroid
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: An explanation counts when it brings the points at least this many times nearer ...
FAR_BETTER = 3.0
#: ... and they are off by at least this share of the part's size without it.
FLOOR = 2e-2
#: Ratios of measured to planned size that a mixed-up unit gives, by what was mixed up.
UNIT_RATIOS = {
    "a factor of 25.4, as where mm are taken for inches": 25.4,
    "a factor of 1/25.4, as where inches are taken for mm": 1.0 / 25.4,
    "a factor of 1000, as where micrometres are taken for mm, or thou for inches": 1000.0,
    "a factor of 1/1000, as where metres are taken for mm, or inches for thou": 0.001,
    "a factor of 39.37, as where thou are taken for mm": 1.0 / 0.0254,
    "a factor of 1/39.37, as where mm are taken for thou": 0.0254,
}
#: How far the ratio may be off: no moulded part is this much too large or small.
RATIO_SLACK = 0.08
#: Runs whose exchanges are tried together; bounds the memory.
CHUNK = 512


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recognised:
    """Gross mistakes found in a batch of runs; NaN where a run has too few points to say.

    Parameters
    ----------
    rms
        (runs,), mm, point-to-point distance from the nominals after the best superposition.
    exchanged
        (runs, 2), the two points that were probed in each other's place; −1 where none.
    rms_exchanged
        (runs,), mm, with the best exchange of two points undone; NaN where the points are near
        enough to their places not to ask.
    mirrored
        (runs,), true where the part is the mirror image of the plan.
    rms_mirrored
        (runs,), mm, if the part might be mirrored.
    ratio
        (runs,), measured over planned size.
    unit
        What unit was mixed up, in words, one text a run; empty where none. Never converted: ask.
    n_points
        (runs,), measured points.
    """

    rms: Array
    exchanged: Ints
    rms_exchanged: Array
    mirrored: Bools
    rms_mirrored: Array
    ratio: Array
    unit: tuple[str, ...]
    n_points: Ints


def recognise(points: ArrayLike, nominals: ArrayLike, normals: ArrayLike) -> Recognised:
    """Look for exchanged points, a mirrored part and another unit.

    Parameters
    ----------
    points
        (runs, points, 3), mm, in any pose, fit and check points; NaN = missing.
    nominals, normals
        (points, 3).

    Returns
    -------
    Recognised
        At least four measured points are needed for anything to be said.
    """
    p, _ = as_plan(nominals, normals)
    m = as_points(points, len(p))
    present = ~np.isnan(m[..., 0])
    enough = present.sum(-1) >= 4
    w = np.where(enough[:, None], present, 1.0).astype(np.float64)
    filled = np.where(present[..., None], m, 0.0)
    nominal = np.broadcast_to(p, m.shape)
    ratio = np.where(enough, _ratio(filled, nominal, w), np.nan)
    unit = tuple(_unit(float(value)) for value in ratio)
    # A wrong unit is undone for the other questions, which are about arrangement.
    scale = np.where([bool(text) for text in unit], ratio, 1.0)
    found = superpose(filled / scale[:, None, None], nominal, w)
    off = enough & (found.rms > FLOOR * found.size)
    pair, better = _exchanges(filled / scale[:, None, None], p, w, off)
    mirrored = off & (found.rms > FAR_BETTER * found.rms_mirrored)
    swapped = off & ~mirrored & (found.rms > FAR_BETTER * better)
    return Recognised(
        rms=np.where(enough, found.rms, np.nan),
        exchanged=np.where(swapped[:, None], pair, -1),
        rms_exchanged=better,
        mirrored=mirrored,
        rms_mirrored=np.where(enough, found.rms_mirrored, np.nan),
        ratio=ratio,
        unit=unit,
        n_points=present.sum(-1),
    )


def wrong_face(
    tangential: ArrayLike,
    normal_angles: ArrayLike | None = None,
    *,
    distance_limit: float = 25.0,
    angle_limit: float = 30.0,
) -> Bools:
    """Return which points were probably probed on another face or far from their place.

    Parameters
    ----------
    tangential
        (runs, points), mm, from the fit: distance from the nominal within the plane.
    normal_angles
        (runs, points), degrees between measured and nominal normal
        (:func:`spc.alignment.patch.patch_normals`); None where unknown.
    distance_limit, angle_limit
        Beyond which a point is flagged, mm and degrees (common practice, no published source).

    Returns
    -------
    numpy.ndarray
        (runs, points); false where nothing is measured.
    """
    far = as_floats(tangential, "tangential")
    d = as_rows(far, far.shape[-1] if far.ndim else 0, "tangential")
    flagged = d > distance_limit
    if normal_angles is not None:
        angles = as_rows(normal_angles, d.shape[1], "normal_angles")
        if angles.shape != d.shape:
            raise DataError(f"normal_angles must be {d.shape}, not {angles.shape}")
        flagged |= angles > angle_limit
    return flagged


def _ratio(m: Array, p: Array, w: Array) -> Array:
    def spread(x: Array) -> Array:
        about = x - ((w[..., None] * x).sum(1) / w.sum(-1)[:, None])[:, None]
        return np.asarray(np.sqrt((w[..., None] * about**2).sum((-1, -2))))

    planned = spread(p)
    return np.where(planned > 0.0, spread(m) / np.where(planned > 0.0, planned, 1.0), np.nan)


def _unit(ratio: float) -> str:
    near = [text for text, value in UNIT_RATIOS.items() if abs(ratio / value - 1.0) <= RATIO_SLACK]
    return near[0] if near else ""


def _exchanges(m: Array, p: Array, w: Array, asked: Bools) -> tuple[Ints, Array]:
    """Try to exchange every two points of the runs asked for; return the best and what it leaves.

    Exchanging the nominals of two points takes (p_i − p_j)(m_i − m_j)ᵀ off the matrix whose
    singular values give the distance after superposition, and leaves all else, so that no pair
    needs a superposition of its own.
    """
    pairs = np.array(list(combinations(range(len(p)), 2)), dtype=np.int64).reshape(-1, 2)
    best, left = np.full((len(m), 2), -1, dtype=np.int64), np.full(len(m), np.nan)
    rows = np.flatnonzero(asked) if len(pairs) else np.zeros(0, dtype=np.int64)
    for start in range(0, len(rows), CHUNK):
        part = rows[start : start + CHUNK]
        rms = _left(m[part], p, w[part], pairs)
        first = rms.argmin(axis=1)
        best[part], left[part] = pairs[first], rms[np.arange(len(part)), first]
    return best, left


def _left(m: Array, p: Array, w: Array, pairs: Ints) -> Array:
    """Return the distance left with each pair exchanged, (runs, pairs); weights are 0 or 1."""
    total = w.sum(-1)
    about_m = w[..., None] * (m - weighted_centroid(m, w)[:, None])
    about_p = w[..., None] * (p - weighted_centroid(np.broadcast_to(p, m.shape), w)[:, None])
    spread = (about_m**2 + about_p**2).sum((-1, -2))
    matrix = np.swapaxes(about_p, -1, -2) @ about_m
    first, second = pairs.T
    change = (p[first] - p[second])[:, :, None] * (m[:, first] - m[:, second])[:, :, None]
    exchanged = matrix[:, None] - change
    s = np.linalg.svd(exchanged, compute_uv=False)
    sign = np.where(np.linalg.det(exchanged) < 0.0, -1.0, 1.0)
    kept = s[..., 0] + s[..., 1] + sign * s[..., 2]
    rms = np.sqrt(np.maximum(spread[:, None] - 2.0 * kept, 0.0) / total[:, None])
    return np.where(w[:, pairs].min(axis=-1) > 0.0, rms, np.inf)
