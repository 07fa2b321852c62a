"""Size, twist, bow and squareness of measured parts, apart from how they were aligned.

The deviations of a run are taken apart as d = A x + D c + e: a rigid motion, shapes, and what is
left. Only what the rigid motion cannot take up counts, so the result is the same from any
alignment close to the plan.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_rows
from spc.alignment.formplan import INFLATION, VISIBLE, FormPlan
from spc.alignment.formwords import HIDDEN
from spc.alignment.geometry import holds, unique_rows
from spc.alignment.patterns import shapely

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Two shapes that a run with missing points can hardly tell apart count as not told apart.
INDEPENDENT = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FormFit:
    """Shapes of a batch of runs. NaN where a run's measured points cannot tell a number.

    Parameters
    ----------
    amplitudes
        (runs, M), of the kept shapes fitted together, in their units; what each stands for is in
        the plan's ``meanings``.
    cofactor
        (runs, M, M), their covariance at SD 1 mm of a weight-one reading; times σ².
    alone
        (runs, K), amplitude of every shape of the catalogue fitted as the only one; NaN where
        hidden.
    alone_sd
        (runs, K), its SD at SD 1 mm of a reading, if no other shape is there.
    explained_alone
        (runs, K), share of ``ssr_rigid`` that the shape explains as the only one.
    explained
        (runs,), share that the kept shapes explain together.
    ssr_rigid
        (runs,), weighted sum of squares that no rigid motion takes up, mm².
    ssr
        (runs,), what is left after the kept shapes too, mm².
    dof_rigid, dof
        (runs,), degrees of freedom of the two.
    left
        (runs, points), local form e, mm: what neither motion nor shapes explain.
    n_points
        (runs,), points used.
    """

    amplitudes: Array
    cofactor: Array
    alone: Array
    alone_sd: Array
    explained_alone: Array
    explained: Array
    ssr_rigid: Array
    ssr: Array
    dof_rigid: Ints
    dof: Ints
    left: Array
    n_points: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solver:
    """Linear maps of k weightings, from weighted deviations to each figure.

    Parameters
    ----------
    root
        (k, points), roots of the weights.
    rigid
        (k, points, 6), orthonormal columns of the six motions; NaN where they are not held.
    shapes
        (k, points, M), orthonormal columns of the kept shapes off the motions.
    gains
        (k, M, points), from deviations to the amplitudes of the kept shapes.
    cofactor
        (k, M, M), of these amplitudes.
    taken
        (k,), dimensions that the kept shapes take.
    single
        (k, points, K), unit column of every shape off the motions.
    length
        (k, K), its length.
    """

    root: Array
    rigid: Array
    shapes: Array
    gains: Array
    cofactor: Array
    taken: Ints
    single: Array
    length: Array


def fit_form(plan: FormPlan, deviations: ArrayLike) -> FormFit:
    """Take the deviations of runs apart into rigid motion, shapes and the rest.

    Parameters
    ----------
    plan
        From :func:`spc.alignment.formplan.form_plan`.
    deviations
        (runs, points), mm, of fit and check points after any alignment; NaN = missing.

    Returns
    -------
    FormFit
        A shape that a run's own points cannot tell is NaN there, even where the full plan can.
    """
    d = as_rows(deviations, len(plan.nominals))
    weights = plan.weights * ~np.isnan(d)
    distinct, which = unique_rows(weights)
    solver = _solver(plan, distinct)
    y = solver.root[which] * np.where(np.isnan(d), 0.0, d)
    y = y - _apply(solver.rigid[which], y)
    held = ~np.isnan(solver.rigid[:, 0, 0]) if len(plan.nominals) else np.zeros(len(distinct), bool)
    ssr_rigid = np.where(held[which], (y**2).sum(-1), np.nan)
    rest = y - _apply(solver.shapes[which], y)
    ssr = np.where(held[which], (rest**2).sum(-1), np.nan)
    inner = (np.swapaxes(solver.single[which], -1, -2) @ y[..., None])[..., 0]
    n_points = (weights > 0.0).sum(-1)
    total = np.where(ssr_rigid > 0.0, ssr_rigid, np.nan)
    root = solver.root[which]
    return FormFit(
        amplitudes=(solver.gains[which] @ y[..., None])[..., 0],
        cofactor=solver.cofactor[which],
        alone=inner / solver.length[which],
        alone_sd=1.0 / solver.length[which],
        explained_alone=inner**2 / total[:, None],
        explained=(ssr_rigid - ssr) / total,
        ssr_rigid=ssr_rigid,
        ssr=ssr,
        dof_rigid=n_points - 6,
        dof=n_points - 6 - solver.taken[which],
        left=np.where(root > 0.0, rest / np.where(root > 0.0, root, 1.0), np.nan),
        n_points=n_points,
    )


def _apply(basis: Array, y: Array) -> Array:
    return np.asarray((basis @ (np.swapaxes(basis, -1, -2) @ y[..., None]))[..., 0])


def _solver(plan: FormPlan, weights: Array) -> _Solver:
    held = holds(plan.nominals, plan.normals, weights)
    root = np.sqrt(weights)
    rigid = root[..., None] * held.lever
    columns = root[..., None] * plan.columns
    left = columns - rigid @ (np.swapaxes(rigid, -1, -2) @ columns)
    length, before = np.linalg.norm(left, axis=1), np.linalg.norm(columns, axis=1)
    seen = length > np.maximum(VISIBLE * before, np.finfo(np.float64).tiny)
    own = np.stack([shapely(pattern, weights) for pattern in plan.patterns], axis=1)
    own &= np.array([state != HIDDEN for state in plan.status])
    length = np.where(seen & own, length, np.nan)
    kept = list(plan.kept)
    # What a rigid motion takes up leaves rounding behind, which must not pass for a shape. A shape
    # that only looks like a tilt of its face stays in, so that the others mean what they do in
    # other runs, but gets no number.
    joint = np.where(seen[:, None, kept], left[..., kept], 0.0)
    shapes, gains, cofactor, taken = _joint(joint, own[:, kept], held.rank == 6)
    return _Solver(
        root=root,
        rigid=rigid,
        shapes=shapes,
        gains=gains,
        cofactor=cofactor,
        taken=taken,
        single=left / length[:, None],
        length=length,
    )


def _joint(left: Array, own: Bools, held: Bools) -> tuple[Array, Array, Array, Ints]:
    """Solve for the kept shapes together; NaN for those that the points left cannot tell."""
    clean = np.where(held[:, None, None], left, 0.0)
    size = np.linalg.norm(clean, axis=1)
    scale = np.where(size > 0.0, size, 1.0)
    u, s, vt = np.linalg.svd(clean / scale[:, None], full_matrices=False)
    good = s > INDEPENDENT
    inverse = np.where(good, 1.0 / np.where(good, s, 1.0), 0.0)
    shapes = u * good[:, None]
    known = (good[..., None] * vt**2).sum(1)
    told = held[:, None] & own & (np.abs(known - 1.0) < 1e-6)
    unit = np.swapaxes(vt, -1, -2) * inverse[:, None]
    told &= (unit**2).sum(-1) <= INFLATION * (1.0 + 1e-9)
    half = unit / scale[..., None]
    gains = np.where(told[..., None], half @ np.swapaxes(u, -1, -2), np.nan)
    both = told[:, :, None] & told[:, None, :]
    cofactor = np.where(both, half @ np.swapaxes(half, -1, -2), np.nan)
    return np.where(held[:, None, None], shapes, np.nan), gains, cofactor, good.sum(-1)
