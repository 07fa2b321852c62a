"""The fit as it would be without each point, and whether the check points then fall into place."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.alignment.fit import fit_planes
from spc.alignment.omission import LeaveOneOut, leave_one_out
from spc.alignment.reliability import reliability
from spc.studies.arrays import Array, PlanArrays
from spc.studies.reference import Reference, off_usual

#: With fewer fit points left no residual can be told from another: the fit checks itself no more.
SELF_CHECKED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Omission:
    """The fit without one point; lengths in mm.

    Parameters
    ----------
    point
        The point left out.
    possible
        False where the others no longer hold six degrees of freedom.
    dof
        Degrees of freedom left.
    noise
        Noise estimate; NaN without degrees of freedom.
    worst_point, worst_residual
        Largest residual left.
    deviation
        Deviation of the omitted point itself, which the fit then leaves free.
    unchecked
        Points whose residual is then always zero.
    self_checked
        False with fewer than eight points left.
    off_before, off
        How far the check points lie from usual with and without the point, root mean square in
        standard deviations of such a fit; NaN without a history. A wrong touch moves them all, a
        warped part is not put right by leaving a point out.
    """

    point: str
    possible: bool
    dof: int
    noise: float
    worst_point: str
    worst_residual: float
    deviation: float
    unchecked: tuple[str, ...]
    self_checked: bool
    off_before: float
    off: float


def omissions_tried(
    means: Array, geometry: PlanArrays, weights: Array, known: Reference | None
) -> tuple[Omission, ...]:
    """Refit one run without each of its fit points.

    Parameters
    ----------
    means
        (1, points, 3), surface points in the arm's frame, mm.
    geometry, weights
        The plan, and the weights of the working fit.
    known
        What is usual for the mould, or None.
    """
    without = leave_one_out(means, geometry.aims, geometry.normals, weights)
    spread = None if known is None else _spreads(geometry, weights, known, without.omitted)
    whole = fit_planes(means, geometry.aims, geometry.normals, weights).deviations[0]
    check = ~geometry.is_fit
    before = np.nan if known is None else float(off_usual(whole, known.mean, known.sd, check))
    return tuple(
        _omission(without, geometry, known, spread, before, k, int(at))
        for k, at in enumerate(without.omitted)
    )


def _spreads(
    geometry: PlanArrays, weights: Array, known: Reference, omitted: npt.NDArray[np.int64]
) -> Array:
    """Return usual spreads (omissions, points) as they would be without each point.

    A fit with a point less is held less well, so every point then varies more from piece to piece:
    by what the alignment brings beyond that of the whole fit.
    """
    used = np.broadcast_to(weights, (1, len(known.sd)))[0]
    noise = known.noise if np.isfinite(known.noise) else 0.0

    def brought(w: Array) -> Array:
        trust = reliability(geometry.nominals, geometry.normals, w)
        return np.nan_to_num(trust.alignment_sigma) ** 2

    whole = brought(used)
    rows = []
    for at in omitted:
        less = np.where(np.arange(len(used)) == at, 0.0, used)
        more = np.maximum(brought(less) - whole, 0.0)
        rows.append(np.sqrt(known.sd**2 + noise**2 * more))
    return np.array(rows)


def _omission(
    without: LeaveOneOut, geometry: PlanArrays, known: Reference | None, spread: Array | None,
    before: float, k: int, at: int,
) -> Omission:  # fmt: skip
    deviations = without.deviations[0, k]
    worst = int(without.worst[0, k])
    check = ~geometry.is_fit
    left = int(without.dof[0, k]) + 6
    return Omission(
        point=geometry.names[at],
        possible=bool(without.rank[0, k] == 6),
        dof=int(without.dof[0, k]),
        noise=float(without.sigma[0, k]),
        worst_point=geometry.names[worst] if worst >= 0 else "",
        worst_residual=float(deviations[worst]) if worst >= 0 else np.nan,
        deviation=float(deviations[at]),
        unchecked=tuple(geometry.names[i] for i in np.flatnonzero(without.unchecked[0, k])),
        self_checked=left >= SELF_CHECKED,
        off_before=before,
        off=np.nan
        if known is None or spread is None
        else float(off_usual(deviations, known.mean, spread[k], check)),
    )
