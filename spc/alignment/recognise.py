"""Mistakes that an alignment can recognise: exchanged points, a mirrored part, another unit.

All look at where points are, not at small deviations: a point is probed within some millimetres
of its nominal, so point-to-point distances after the best superposition tell gross mistakes.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats, as_plan, as_points, as_rows
from spc.alignment.rotation import superpose
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: An explanation counts when it brings the points at least this many times nearer ...
FAR_BETTER = 3.0
#: ... and they are off by at least this share of the part's size without it.
FLOOR = 1e-2
#: Ratios of measured to planned size that a mixed-up unit gives, by what was mixed up.
UNIT_RATIOS = {
    "measured in mm against a plan in inches": 25.4,
    "measured in inches against a plan in mm": 1.0 / 25.4,
    "measured in mm against a plan in metres": 1000.0,
    "measured in metres against a plan in mm": 0.001,
    "measured in thou against a plan in mm": 1.0 / 0.0254,
    "measured in mm against a plan in thou": 0.0254,
    "measured in thou against a plan in inches": 1000.0,
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
        (runs,), mm, with the best exchange of two points undone.
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
    pair, better = _exchanges(filled / scale[:, None, None], p, w, present)
    off = found.rms > FLOOR * found.size
    mirrored = enough & off & (found.rms > FAR_BETTER * found.rms_mirrored)
    swapped = enough & off & ~mirrored & (found.rms > FAR_BETTER * better)
    return Recognised(
        rms=np.where(enough, found.rms, np.nan),
        exchanged=np.where(swapped[:, None], pair, -1),
        rms_exchanged=np.where(enough, better, np.nan),
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
    return ", or ".join(near)


def _exchanges(m: Array, p: Array, w: Array, present: Bools) -> tuple[Ints, Array]:
    """Try to exchange every two points; return the best pair and what it leaves."""
    pairs = np.array(list(combinations(range(len(p)), 2)), dtype=np.int64).reshape(-1, 2)
    best, left = np.full((len(m), 2), -1, dtype=np.int64), np.full(len(m), np.inf)
    if not len(pairs):
        return best, left
    order = np.tile(np.arange(len(p)), (len(pairs), 1))
    rows = np.arange(len(pairs))
    order[rows, pairs[:, 0]], order[rows, pairs[:, 1]] = pairs[:, 1], pairs[:, 0]
    target = p[order]
    for start in range(0, len(m), CHUNK):
        part = slice(start, start + CHUNK)
        shape = (len(m[part]), len(pairs), *p.shape)
        each = np.broadcast_to(m[part][:, None], shape).reshape(-1, *p.shape)
        aim = np.broadcast_to(target, shape).reshape(-1, *p.shape)
        weight = np.broadcast_to(w[part][:, None], shape[:3]).reshape(-1, len(p))
        rms = superpose(each, aim, weight).rms.reshape(shape[:2])
        both = present[part][:, pairs].all(-1)
        rms = np.where(both, rms, np.inf)
        top = rms.argmin(axis=1)
        best[part], left[part] = pairs[top], rms[np.arange(len(top)), top]
    return best, left
