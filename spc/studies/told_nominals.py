"""Nominals that a results file tells itself, beside those of the plan."""

import numpy as np
from numpy.typing import NDArray

from spc.ingest.checked import Results
from spc.plan import Plan
from spc.units import spoken_length

Array = NDArray[np.float64]
#: Nominals of a file may differ from the plan's by their printed digits, mm; normals by a degree.
_NOMINAL, _NORMAL_COSINE = 0.01, 0.99985


def other_nominals(checked: Results, plan: Plan) -> list[str]:
    """Say where a file's own nominals are not the plan's: it may be of another revision."""
    if checked.nominals is None:
        return []
    own = checked.nominals.set_index("point")
    points = [p for p in plan.points if p.id in own.index]
    if not points:
        return []
    here = own.loc[[p.id for p in points]]
    off = np.linalg.norm(here[["x", "y", "z"]].to_numpy() - [p.nominal for p in points], axis=1)
    cosine = _cosines(here[["i", "j", "k"]].to_numpy(), np.array([p.normal for p in points]))
    moved, turned = off > _NOMINAL, cosine < _NORMAL_COSINE
    if not (moved | turned).any():
        return []
    if moved.any():
        worst = int(np.argmax(off))
        how = f"{spoken_length(off[worst], plan.unit, more=1)} apart"
    else:
        worst = int(np.argmin(np.where(turned, cosine, 1.0)))
        how = f"its normal turned by {np.degrees(np.arccos(max(cosine[worst], -1.0))):.0f} degrees"
    return [
        f"{int((moved | turned).sum())} of {len(points)} nominals in the file are not those of the "
        f"plan of {plan.part} {plan.revision}, most at {points[worst].id} ({how}): "
        "is it of another revision?"
    ]


def _cosines(normals: Array, planned: Array) -> Array:
    """Return the cosine between each normal and the planned one, of whatever length it is."""
    with np.errstate(invalid="ignore", divide="ignore"):
        cosines: Array = (normals * planned).sum(axis=1) / np.linalg.norm(normals, axis=1)
    return cosines
