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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Holds:
    """The same for a stack of weightings of one plan.

    Parameters
    ----------
    weights
        (k, points).
    centre, size
        (k, 3) and (k,), mm.
    design
        (k, points, 6).
    lever
        (k, points, 6); the product of two rows is the covariance of the alignment's part in two
        deviations, for a reading of weight one with SD one: design (JᵀWJ)⁻¹ designᵀ. NaN where
        the rank is below 6.
    singular, motions
        (k, 6) and (k, 6, 6).
    rank, condition
        (k,).
    """

    weights: Array
    centre: Array
    size: Array
    design: Array
    lever: Array
    singular: Array
    motions: Array
    rank: Ints
    condition: Array


def design_matrix(nominals: Array, normals: Array, centre: Array, size: Array) -> Array:
    """Return the rows [n, ((p − centre) × n) / size], (k, points, 6)."""
    arms = np.cross(nominals - centre[:, None], normals) / size[:, None, None]
    return np.concatenate([np.broadcast_to(normals, arms.shape), arms], axis=-1)


def holds(nominals: Array, normals: Array, weights: Array) -> Holds:
    """Work out what the fit points hold under each weighting.

    Parameters
    ----------
    nominals
        (points, 3), checked; or (k, points, 3) where each weighting has its own.
    normals
        (points, 3), checked.
    weights
        (k, points), checked.
    """
    total = weights.sum(-1)
    safe = np.where(total > 0.0, total, 1.0)
    centre = (weights[..., None] * nominals).sum(-2) / safe[:, None]
    squares = ((nominals - centre[:, None]) ** 2).sum(-1)
    size = np.sqrt((weights * squares).sum(-1) / safe)
    size = np.where(size > 0.0, size, 1.0)
    design = design_matrix(nominals, normals, centre, size)
    mean = safe / np.maximum((weights > 0.0).sum(-1), 1)
    root = np.sqrt(weights / mean[:, None])
    padding = np.zeros((len(weights), 6, 6))
    _, singular, motions = np.linalg.svd(
        np.concatenate([root[..., None] * design, padding], axis=1), full_matrices=False
    )
    limit = np.maximum(RANK_TOLERANCE * singular[:, :1], np.finfo(np.float64).tiny)
    rank = (singular > limit).sum(-1)
    held = np.where(rank == 6, singular[:, 5], np.nan)
    divisor = singular * np.sqrt(mean)[:, None]
    divisor = np.where((rank == 6)[:, None], divisor, np.nan)
    return Holds(
        weights=weights,
        centre=centre,
        size=size,
        design=design,
        lever=design @ np.swapaxes(motions, -1, -2) / divisor[:, None],
        singular=singular,
        motions=motions,
        rank=rank,
        condition=np.where(rank == 6, singular[:, 0] / held, np.inf),
    )


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
    held = holds(p, n, as_weights(weights, (1, len(p))))
    return Geometry(
        centre=held.centre[0],
        size=float(held.size[0]),
        design=held.design[0],
        weights=held.weights[0],
        singular=held.singular[0],
        motions=held.motions[0],
        rank=int(held.rank[0]),
        condition=float(held.condition[0]),
    )


def unique_rows(rows: Array) -> tuple[Array, Ints]:
    """Return the distinct rows, (k, points), and for each row which of them it is, (runs,)."""
    if len(rows) == 0 or bool((rows == rows[0]).all()):
        return rows[:1], np.zeros(len(rows), dtype=np.int64)
    # Rows compared as one block of bytes: many times faster than column by column. Adding zero
    # turns a negative zero into a positive one, which has other bytes.
    packed = np.ascontiguousarray(rows + 0.0)
    blocks = packed.view(np.dtype((np.void, packed.dtype.itemsize * packed.shape[1])))
    _, first, inverse = np.unique(blocks.reshape(-1), return_index=True, return_inverse=True)
    return rows[first], np.asarray(inverse.reshape(-1), dtype=np.int64)


def rank_by_run(nominals: Array, normals: Array, weights: Array) -> Ints:
    """Return how many motions each run's own fit points hold, (runs,).

    Parameters
    ----------
    nominals, normals
        (points, 3).
    weights
        (runs, points), zero where a point is missing or not in the fit.
    """
    distinct, which = unique_rows(weights)
    return np.asarray(holds(nominals, normals, distinct).rank[which], dtype=np.int64)
