"""The small plane that three or more hits on a patch make, against the nominal normal."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats, as_plan
from spc.errors import DataError

Array = NDArray[np.float64]

#: Hits whose second extent is below this share of the first are on a line and make no plane.
LINE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchNormals:
    """Planes through the hits of patches. NaN where fewer than three hits, or hits on a line.

    Parameters
    ----------
    normals
        (runs, points, 3), unit normals in the plan's axes, on the side of the nominal normal.
    angles
        (runs, points), degrees from the nominal normal, 0 to 90.
    extent
        (runs, points), mm, root mean square distance of the hits from their mean within the
        plane: a small patch makes an uncertain plane.
    """

    normals: Array
    angles: Array
    extent: Array


def patch_normals(hits: ArrayLike, rotation: ArrayLike, normals: ArrayLike) -> PatchNormals:
    """Return the planes through the hits of each patch.

    Parameters
    ----------
    hits
        (runs, points, hits, 3), mm; NaN = no such hit.
    rotation
        (runs, 3, 3), of the fit.
    normals
        (points, 3).

    Returns
    -------
    PatchNormals
        The side is taken from the nominal normal, so a plane cannot be more than 90° off.
    """
    h, r = as_floats(hits, "hits"), as_floats(rotation, "rotation")
    n = as_plan(np.zeros_like(np.asarray(normals, dtype=np.float64)), normals)[1]
    if h.ndim != 4 or h.shape[1] != len(n) or h.shape[-1] != 3 or r.shape != (len(h), 3, 3):
        raise DataError(f"hits {h.shape} and rotation {r.shape} do not fit {len(n)} points")
    present: NDArray[np.bool_] = np.asarray(~np.isnan(h.sum(-1)))
    count = present.sum(-1)
    usable = (count >= 3) & ~np.isnan(r[:, :1, 0])
    weight = present / np.maximum(count[..., None], 1)
    mean = (np.where(present[..., None], h, 0.0) * weight[..., None]).sum(-2)
    about = np.where(present[..., None], h - mean[..., None, :], 0.0)
    turned = about @ np.swapaxes(np.nan_to_num(r), -1, -2)[:, None]
    cover = np.swapaxes(turned, -1, -2) @ turned / np.maximum(count, 1)[..., None, None]
    values, vectors = np.linalg.eigh(cover)
    broad = np.sqrt(np.maximum(values, 0.0))
    plane = usable & (broad[..., 1] > LINE * broad[..., 2])
    normal = vectors[..., 0] * np.where((vectors[..., 0] * n).sum(-1) < 0.0, -1.0, 1.0)[..., None]
    across = np.linalg.norm(np.cross(normal, n), axis=-1)
    angle = np.degrees(np.arctan2(across, (normal * n).sum(-1)))
    return PatchNormals(
        normals=np.where(plane[..., None], normal, np.nan),
        angles=np.where(plane, angle, np.nan),
        extent=np.where(plane, np.sqrt(np.maximum(values[..., 1:].sum(-1), 0.0)), np.nan),
    )
