"""What the fit would be without one of its points, for every point in turn."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_points, as_weights
from spc.alignment.cofactors import cofactors
from spc.alignment.fit import fit_planes
from spc.alignment.geometry import holds, unique_rows

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeaveOneOut:
    """Refits of each run without each one of its fit points; NaN where there is no such fit.

    Parameters
    ----------
    omitted
        (omissions,), index of the point that is left out.
    applies
        (runs, omissions), false where the run does not have that point in its fit anyway.
    deviations
        (runs, omissions, points), mm, of all measured points, the omitted one included.
    ssr
        (runs, omissions), weighted, mm².
    sigma
        (runs, omissions), mm; NaN where no degree of freedom is left.
    dof
        (runs, omissions).
    worst
        (runs, omissions), fit point left with the largest |residual|; −1 where no fit.
    rank
        (runs, omissions), motions still held; below 6 the point cannot be left out.
    condition
        (runs, omissions), of the scaled design that is left.
    unchecked
        (runs, omissions, points), fit points whose residual would always be zero: after the
        omission nothing there is checked.
    """

    omitted: Ints
    applies: Bools
    deviations: Array
    ssr: Array
    sigma: Array
    dof: Ints
    worst: Ints
    rank: Ints
    condition: Array
    unchecked: Bools


def leave_one_out(
    points: ArrayLike, nominals: ArrayLike, normals: ArrayLike, weights: ArrayLike
) -> LeaveOneOut:
    """Refit every run without each one of its fit points.

    Parameters
    ----------
    points
        (runs, points, 3), mm, NaN = missing.
    nominals, normals
        (points, 3).
    weights
        (points,) or (runs, points); 0 = check point.

    Returns
    -------
    LeaveOneOut
        Full refits, all in one batch, not the linear shortcut.
    """
    p, n = as_plan(nominals, normals)
    m = as_points(points, len(p))
    w = as_weights(weights, m.shape[:2]) * ~np.isnan(m[..., 0])
    omitted = np.flatnonzero((w > 0.0).any(axis=0))
    keep = np.arange(len(p)) != omitted[:, None]
    each = (w[:, None] * keep).reshape(-1, len(p))
    shape = (len(m), len(omitted))
    fit = fit_planes(np.repeat(m, len(omitted), axis=0), p, n, each)
    distinct, which = unique_rows(each)
    held = holds(p, n, distinct)
    blind = (distinct > 0.0) & (cofactors(held).label < 0) & (held.rank == 6)[:, None]
    applies = w[:, omitted] > 0.0

    def known(values: Array) -> Array:
        return np.where(applies, values.reshape(shape), np.nan)

    return LeaveOneOut(
        omitted=omitted,
        applies=applies,
        deviations=np.where(applies[..., None], fit.deviations.reshape(*shape, len(p)), np.nan),
        ssr=known(fit.ssr),
        sigma=known(fit.sigma),
        dof=fit.dof.reshape(shape),
        worst=np.where(applies, fit.worst.reshape(shape), -1),
        rank=fit.rank.reshape(shape),
        condition=known(held.condition[which]),
        unchecked=blind[which].reshape(*shape, len(p)) & applies[..., None],
    )
