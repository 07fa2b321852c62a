"""The plan's geometry: what each point's reading says about the six motions of the part.

A small motion of the part by the shift s and the rotation vector w about the centre c changes the
deviation of a point at p with the normal n by n·s + ((p − c) × n)·w. These rows make the design
matrix. Rotations are scaled by the size of the part, so that all six columns are lengths per
length and a condition number means something.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_weights

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A singular value below this share of the largest counts as zero. Coarser than rounding of
#: floats, because plans are written with four to six digits.
RANK_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Geometry:
    """Design matrix of a plan and how well its fit points hold the part.

    Parameters
    ----------
    centre
        Weighted centroid of the fit points, (3,), mm.
    size
        Weighted root mean square distance of the fit points from the centre, mm; 1 where all
        coincide.
    design
        (points, 6), rows [n, ((p − centre) × n) / size]: change of the deviation per mm of shift
        and per mm of arc at the distance ``size``.
    weights
        (points,); 0 marks a point that is not in the fit.
    singular
        Singular values of the weighted rows of the fit points, (6,), largest first; weights are
        scaled to a mean of one for this.
    motions
        (6, 6), the unit motions that belong to the singular values, one a row, in scaled units.
    rank
        Number of motions that the fit points hold, 0 to 6.
    condition
        Largest over smallest singular value; infinite where the rank is below 6.
    """

    centre: Array
    size: float
    design: Array
    weights: Array
    singular: Array
    motions: Array
    rank: int
    condition: float


def design_matrix(nominals: Array, normals: Array, centre: Array, size: float = 1.0) -> Array:
    """Return the rows [n, ((p − centre) × n) / size], (points, 6)."""
    return np.concatenate([normals, np.cross(nominals - centre, normals) / size], axis=-1)


def geometry(nominals: ArrayLike, normals: ArrayLike, weights: ArrayLike) -> Geometry:
    """Work out what the fit points of a plan hold.

    Parameters
    ----------
    nominals, normals
        (points, 3), mm and unit vectors.
    weights
        (points,); 0 = check point.

    Returns
    -------
    Geometry
        Never an exception for a degenerate plan: see ``rank``.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (len(p),))
    total = w.sum()
    centre = (w @ p) / total if total > 0.0 else p.mean(axis=0) if len(p) else np.zeros(3)
    size = float(np.sqrt(w @ ((p - centre) ** 2).sum(1) / total)) if total > 0.0 else 0.0
    size = size if size > 0.0 else 1.0
    design = design_matrix(p, n, centre, size)
    scaled = np.sqrt(w / w[w > 0.0].mean()) if total > 0.0 else w
    padded = np.vstack([scaled[:, None] * design, np.zeros((6, 6))])
    _, singular, motions = np.linalg.svd(padded, full_matrices=False)
    rank = int((singular > RANK_TOLERANCE * singular[0]).sum()) if singular[0] > 0.0 else 0
    return Geometry(
        centre=centre,
        size=size,
        design=design,
        weights=w,
        singular=singular,
        motions=motions,
        rank=rank,
        condition=float(singular[0] / singular[5]) if rank == 6 else float("inf"),
    )


def rank_by_run(nominals: Array, normals: Array, used: Bools) -> Ints:
    """Return the rank of each run's own fit points, (runs,).

    Parameters
    ----------
    nominals, normals
        (points, 3).
    used
        (runs, points), true where a point is measured and in the fit.
    """
    patterns, inverse = np.unique(used, axis=0, return_inverse=True)
    ranks = [geometry(nominals, normals, row.astype(np.float64)).rank for row in patterns]
    return np.asarray(ranks, dtype=np.int64)[inverse.reshape(-1)]
