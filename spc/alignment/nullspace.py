"""The space of residuals that no small motion of the part reaches, and parts of it."""

import numpy as np
from numpy.typing import NDArray

from spc.alignment.faces import Face
from spc.alignment.geometry import holds

Array = NDArray[np.float64]

#: A singular value of unit columns below this counts as zero.
ZERO = 1e-7


def null_basis(p: Array, n: Array, w: Array) -> Array | None:
    """Return orthonormal columns (points, N − 6) that no small motion reaches.

    None where the fit points do not hold all six motions. The columns refer to deviations times
    the root of their weights.
    """
    held = holds(p, n, w[None])
    if held.rank[0] < 6:
        return None
    fit = np.flatnonzero(w > 0.0)
    q, _ = np.linalg.qr(np.sqrt(w[fit])[:, None] * held.design[0][fit], mode="complete")
    null = np.zeros((len(p), len(fit) - 6))
    null[fit] = q[:, 6:]
    return null


def supported(null: Array, support: tuple[Face, ...]) -> Array:
    """Return the part of the null space (in its own coordinates) that is zero off the faces."""
    inside = np.zeros(len(null), dtype=np.bool_)
    for face in support:
        inside[list(face.points)] = True
    outside = null[~inside]
    if not len(outside):
        return np.eye(null.shape[1])
    _, s, vt = np.linalg.svd(outside, full_matrices=True)
    return np.asarray(vt[int((s > ZERO).sum()) :].T)


def without(taken: list[Array], space: Array) -> Array:
    """Return the columns of ``space`` off the orthonormal vectors that are taken already."""
    if not taken or not space.shape[1]:
        return space
    used = np.stack(taken, axis=1)
    return np.asarray(space - used @ (used.T @ space))


def orthonormal(columns: Array) -> Array:
    """Return an orthonormal basis of what the columns span."""
    if not columns.shape[1]:
        return columns
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(u[:, s > ZERO])


def complement(taken: list[Array], dimensions: int) -> Array:
    """Return an orthonormal basis of all that is not taken yet."""
    return orthonormal(without(taken, np.eye(dimensions)))
