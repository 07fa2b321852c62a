"""Rotations in batches, and the point-to-point superposition that a plane fit starts from."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Superposition:
    """The rigid motion that carries measured points best onto nominal ones, point to point.

    Parameters
    ----------
    rotation
        Proper rotations, (runs, 3, 3); determinant +1.
    translation
        (runs, 3), mm; nominal ≈ rotation · measured + translation.
    rms
        Weighted root mean square distance left, (runs,), mm.
    rms_mirrored
        The same if the part might also be mirrored, (runs,), mm; never above ``rms``.
    size
        Weighted root mean square distance of the nominal points from their centroid, (runs,), mm.
    """

    rotation: Array
    translation: Array
    rms: Array
    rms_mirrored: Array
    size: Array


def cross_matrix(vectors: Array) -> Array:
    """Return the matrices (..., 3, 3) with ``matrix @ a == cross(vector, a)``."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    zero = np.zeros_like(x)
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def rotation_from_vector(vectors: Array) -> Array:
    """Return rotation matrices of rotation vectors (axis times angle in radians).

    Parameters
    ----------
    vectors
        (..., 3), radians.

    Returns
    -------
    numpy.ndarray
        (..., 3, 3), by Rodrigues' formula; exact to rounding at any angle, zero included.
    """
    angle = np.linalg.norm(vectors, axis=-1)[..., None, None]
    k = cross_matrix(vectors)
    # np.sinc is sin(πx)/(πx), so both factors stay accurate at angle zero.
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2
    return np.asarray(np.eye(3) + first * k + second * (k @ k))


def vector_from_rotation(rotation: Array) -> Array:
    """Return the rotation vectors (..., 3), radians, angle at most π, of rotation matrices."""
    from scipy.spatial.transform import Rotation

    flat = Rotation.from_matrix(rotation.reshape(-1, 3, 3)).as_rotvec()
    return np.asarray(flat.reshape(rotation.shape[:-1]), dtype=np.float64)


def weighted_centroid(points: Array, weights: Array) -> Array:
    """Return Σ w p / Σ w over the points axis; (..., points, 3) and (..., points) to (..., 3)."""
    return np.asarray((weights[..., None] * points).sum(-2) / weights.sum(-1)[..., None])


def superpose(measured: Array, nominal: Array, weights: Array) -> Superposition:
    """Carry measured points onto nominal ones by the best proper rotation and shift.

    Parameters
    ----------
    measured, nominal
        (runs, points, 3), mm, finite (put anything finite where a weight is zero).
    weights
        (runs, points), at least one above zero in each run.

    Returns
    -------
    Superposition

    Notes
    -----
    Least squares of Σ w |R m + t − p|² by singular values, with the sign that keeps the rotation
    proper: Kabsch (1976), Acta Cryst. A32, 922; Umeyama (1991), IEEE Trans. PAMI 13, 376.
    """
    total = weights.sum(-1)
    m_mean, p_mean = weighted_centroid(measured, weights), weighted_centroid(nominal, weights)
    m, p = measured - m_mean[:, None], nominal - p_mean[:, None]
    cross = np.swapaxes(weights[..., None] * p, -1, -2) @ m
    u, s, vt = np.linalg.svd(cross)
    sign = np.where(np.linalg.det(u @ vt) < 0.0, -1.0, 1.0)
    u = u.copy()
    u[..., 2] *= sign[:, None]
    rotation = u @ vt
    translation = p_mean - (rotation @ m_mean[..., None])[..., 0]
    spread = (weights[..., None] * (m**2 + p**2)).sum((-1, -2))

    def rms(kept: Array) -> Array:
        return np.asarray(np.sqrt(np.maximum(spread - 2.0 * kept, 0.0) / total))

    size = np.sqrt((weights[..., None] * p**2).sum((-1, -2)) / total)
    proper = s[:, 0] + s[:, 1] + sign * s[:, 2]
    return Superposition(
        rotation=rotation,
        translation=translation,
        rms=rms(proper),
        rms_mirrored=rms(s.sum(-1)),
        size=size,
    )
