"""From a piece's deviations to the hits that an arm would report."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.demo.hood import Hood
from spc.demo.settings import Settings

Array = NDArray[np.float64]
HITS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Poses:
    """Where each run's piece stands in the arm's frame: ``x_arm = rotation @ x + shift``.

    Parameters
    ----------
    rotation
        Shape (runs, 3, 3).
    shift
        Shape (runs, 3), mm.
    """

    rotation: Array
    shift: Array


def turned(yaw: Array, pitch: Array, roll: Array) -> Array:
    """Return rotations about z, then y, then x from angles in radians, shape (..., 3, 3)."""
    zero, one = np.zeros_like(yaw), np.ones_like(yaw)
    cz, sz, cy, sy, cx, sx = (f(a) for a in (yaw, pitch, roll) for f in (np.cos, np.sin))
    about_z = np.stack([cz, -sz, zero, sz, cz, zero, zero, zero, one], -1)
    about_y = np.stack([cy, zero, sy, zero, one, zero, -sy, zero, cy], -1)
    about_x = np.stack([one, zero, zero, zero, cx, -sx, zero, sx, cx], -1)
    z, y, x = (m.reshape(*yaw.shape, 3, 3) for m in (about_z, about_y, about_x))
    return np.asarray(z @ y @ x)


def poses(rng: np.random.Generator, stand: NDArray[np.intp], upside_down: Array) -> Poses:
    """Return a pose per run: the stand is put anywhere for a session, each piece a little off.

    Parameters
    ----------
    rng
        Source of the positions.
    stand
        Shape (runs,), which session the run belongs to.
    upside_down
        Shape (runs,), 1 where the piece lies on its deck, else 0.
    """
    sessions = int(stand.max()) + 1
    yaw = rng.uniform(-np.pi, np.pi, sessions)[stand] + rng.normal(0, 0.01, stand.size)
    tilt = rng.normal(0, 0.03, (sessions, 2))[stand] + rng.normal(0, 0.004, (stand.size, 2))
    reach = np.stack(
        [rng.uniform(a, b, sessions) for a, b in ((700, 1100), (-400, 400), (-250, 150))]
    )
    shift = reach.T[stand] + rng.normal(0, 8.0, (stand.size, 3))
    return Poses(rotation=turned(yaw, tilt[:, 0], tilt[:, 1] + np.pi * upside_down), shift=shift)


def probe(hood: Hood, s: Settings, rng: np.random.Generator, deviation: Array) -> Array:
    """Return the hits on each piece in the part's own frame, shape (runs, points, 3 hits, 3).

    Three hits stand in a small triangle in the patch's tangent plane, its middle off by the
    operator's placing; along the normal a hit has the patch's deviation and its own error.
    """
    shape = deviation.shape
    miss = _polar(rng.uniform(*s.placement, shape), rng.uniform(0, 2 * np.pi, shape))
    start = rng.uniform(0, 2 * np.pi, shape)[..., None] + np.arange(HITS) * 2 * np.pi / HITS
    angle = start + rng.normal(0, 0.15, start.shape)
    corner = _polar(rng.uniform(*s.triangle, shape)[..., None] * np.ones(HITS), angle)
    along = deviation[..., None] + rng.normal(0, s.hit_sd, (*shape, HITS))
    flat = (miss[:, :, None, :] + corner) @ _tangents(hood.normal)
    on_normal = along[..., None] * hood.normal[:, None, :]
    return np.asarray(hood.nominal[:, None, :] + flat + on_normal)


def placed(hits: Array, where: Poses) -> Array:
    """Return hits in the arm's frame, same shape."""
    turned_hits = np.einsum("rij,rphj->rphi", where.rotation, hits)
    return np.asarray(turned_hits + where.shift[:, None, None, :])


def _polar(radius: Array, angle: Array) -> Array:
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], -1)


def _tangents(normal: Array) -> Array:
    """Return two unit vectors across each normal, shape (points, 2, 3)."""
    axis = np.eye(3)[np.argmin(np.abs(normal), axis=1)]
    first = np.cross(normal, axis)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, np.cross(normal, first)], 1)
