"""What the alignment leaves of a deviation, exactly, to first order.

After a least-squares fit of the rigid pose to the fit points, the deviation seen at point c is
``d_c - g_c (JᵀJ)⁻¹ Jᵀ d_fit`` with rows ``g = [n, p × n]``. It is a linear map, so a covariance C
before alignment is seen as ``M C Mᵀ`` after it.
"""

import numpy as np
from numpy.typing import NDArray

from spc.demo.hood import Hood

Array = NDArray[np.float64]


def pose_rows(hood: Hood) -> Array:
    """Return ``[n, p × n]`` of every point, shape (points, 6)."""
    return np.hstack([hood.normal, np.cross(hood.nominal, hood.normal)])


def carried(hood: Hood) -> Array:
    """Return how a deviation at each fit point moves every point, shape (points, fit points)."""
    rows = pose_rows(hood)
    return np.asarray(rows @ np.linalg.pinv(rows[hood.fit]))


def seen(hood: Hood) -> Array:
    """Return the map M from true deviation to deviation after alignment, (points, points)."""
    m = np.eye(len(hood.patches))
    m[:, hood.fit] -= carried(hood)
    return m


def seen_variance(hood: Hood, covariance: Array) -> Array:
    """Return the variance at each point after alignment, shape (points,), mm²."""
    m = seen(hood)
    return np.asarray(np.einsum("ij,jk,ik->i", m, covariance, m))
