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
        (runs, 3), mm; nominal ≈ scale · rotation · measured + translation.
    scale
        (runs,); one where a rigid motion was asked for.
    rms
        Weighted root mean square distance left, (runs,), mm.
    rms_mirrored
        The same if the part might also be mirrored, (runs,), mm; never above ``rms``.
    size
        Weighted root mean square distance of the nominal points from their centroid, (runs,), mm.
    """

    rotation: Array
    translation: Array
    scale: Array
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


def superpose(
    measured: Array, nominal: Array, weights: Array, *, scaled: bool = False
) -> Superposition:
    """Carry measured points onto nominal ones by the best proper rotation and shift.

    Parameters
    ----------
    measured, nominal
        (runs, points, 3), mm, finite (put anything finite where a weight is zero). Two
        coordinates instead of three work too.
    weights
        (runs, points), at least one above zero in each run.
    scaled
        Whether a common scale is found as well (a similarity instead of a rigid motion).

    Returns
    -------
    Superposition

    Notes
    -----
    Least squares of Σ w |c R m + t − p|² by singular values, with the sign that keeps the
    rotation proper: Kabsch (1976), Acta Cryst. A32, 922; Umeyama (1991), IEEE Trans. PAMI 13,
    376, whose scale is this one.
    """
    total = weights.sum(-1)
    m_mean, p_mean = weighted_centroid(measured, weights), weighted_centroid(nominal, weights)
    m, p = measured - m_mean[:, None], nominal - p_mean[:, None]
    u, s, vt = np.linalg.svd(np.swapaxes(weights[..., None] * p, -1, -2) @ m)
    sign = np.where(np.linalg.det(u @ vt) < 0.0, -1.0, 1.0)
    u = np.concatenate([u[..., :-1], u[..., -1:] * sign[:, None, None]], axis=-1)
    rotation = u @ vt
    spread_m = (weights[..., None] * m**2).sum((-1, -2))
    spread_p = (weights[..., None] * p**2).sum((-1, -2))
    proper, mirrored = s[:, :-1].sum(-1) + sign * s[:, -1], s.sum(-1)
    safe = np.where(spread_m > 0.0, spread_m, 1.0)
    scale = proper / safe if scaled else np.ones(len(m))
    scale_mirrored = mirrored / safe if scaled else np.ones(len(m))
    turned = (rotation @ m_mean[..., None])[..., 0]
    return Superposition(
        rotation=rotation,
        translation=p_mean - scale[:, None] * turned,
        scale=scale,
        rms=_rms(spread_p, spread_m, proper, scale, total),
        rms_mirrored=_rms(spread_p, spread_m, mirrored, scale_mirrored, total),
        size=np.sqrt(spread_p / total),
    )


def _rms(spread_p: Array, spread_m: Array, kept: Array, scale: Array, total: Array) -> Array:
    squares = spread_p + scale**2 * spread_m - 2.0 * scale * kept
    return np.asarray(np.sqrt(np.maximum(squares, 0.0) / total))
