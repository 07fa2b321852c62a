"""From the centre of the probe's ball to the surface that it touches."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats, as_plan, as_points
from spc.errors import DataError

Array = NDArray[np.float64]


def compensate_ball(
    centres: ArrayLike, rotation: ArrayLike, normals: ArrayLike, radius: ArrayLike
) -> Array:
    """Move ball centres onto the surface along the nominal normals.

    Parameters
    ----------
    centres
        (runs, points, 3), mm, in measured coordinates.
    rotation
        (runs, 3, 3), of the fit: carries measured axes to the plan's.
    normals
        (points, 3), outward.
    radius
        Of the ball, mm, zero or above, one or (runs,).

    Returns
    -------
    numpy.ndarray
        (runs, points, 3), mm. Where only centres are known, fit them to the nominals moved
        outwards by the radius (:func:`ball_nominals`), which needs no rotation beforehand and
        gives the same deviations.
    """
    n = as_plan(np.zeros_like(np.asarray(normals, dtype=np.float64)), normals)[1]
    m, r = as_points(centres, len(n)), as_floats(rotation, "rotation")
    if r.shape != (len(m), 3, 3):
        raise DataError(f"rotation must be ({len(m)}, 3, 3), not {r.shape}")
    # The rotation carries measured to plan, so its transpose carries the normals back.
    return np.asarray(m - _radius(radius, len(m))[:, None, None] * (n @ r))


def ball_nominals(nominals: ArrayLike, normals: ArrayLike, radius: float) -> Array:
    """Return where the ball's centre should be at each nominal point, (points, 3), mm."""
    p, n = as_plan(nominals, normals)
    return np.asarray(p + _radius(radius, 1)[0] * n)


def direction_error(radius: ArrayLike, degrees: ArrayLike) -> Array:
    """Return the error of compensating along a direction that is off by an angle, mm.

    r (1 / cos α − 1): radius 3 mm and 10° give 0.046 mm.
    """
    angle = np.radians(as_floats(degrees, "degrees"))
    if (np.abs(angle) >= 0.5 * np.pi).any():
        raise DataError(f"degrees is {np.abs(np.degrees(angle)).max():g}; it must be below 90")
    return np.asarray(as_floats(radius, "radius") * (1.0 / np.cos(angle) - 1.0))


def _radius(radius: ArrayLike, runs: int) -> Array:
    r = as_floats(radius, "radius")
    if (r < 0.0).any() or r.shape not in ((), (1,), (runs,)):
        raise DataError(f"radius must be 0 or above, one or ({runs},), not {r}")
    return np.broadcast_to(r, (runs,)).copy()
