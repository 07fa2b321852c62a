"""Best fit of measured points onto the nominal planes of a plan, all runs at once.

The fit finds the rotation R and the shift t of each run that minimise Σ w d² with
d = n·(R m + t − p): the distance of the moved point from the plane through the nominal position.
Six numbers are spent on the pose, so the residuals of N points keep N − 6 degrees of freedom.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_points, as_positive, as_weights
from spc.alignment.geometry import rank_by_run
from spc.alignment.rotation import (
    Superposition,
    rotation_from_vector,
    superpose,
    weighted_centroid,
)

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Runs solved together; keeps the working arrays of a large batch in the processor's cache.
CHUNK = 4096
#: A mirrored part: reflecting brings the points this many times nearer to their nominals ...
MIRROR_RATIO = 4.0
#: ... and they are off by at least this share of the part's size otherwise.
MIRROR_FLOOR = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaneFit:
    """Best fits of a batch of runs; NaN = missing or not computable.

    Parameters
    ----------
    rotation
        (runs, 3, 3), carries measured axes to the plan's axes.
    translation
        (runs, 3), mm; a measured point m lies at rotation · m + translation in the plan.
    deviations
        (runs, points), mm, signed along the nominal normal, positive outwards, of every measured
        point; at a fit point it is the residual.
    n_points
        (runs,), measured fit points.
    dof
        (runs,), n_points − 6; zero or below means that the fit checks nothing.
    ssr
        (runs,), weighted sum of squared residuals, mm².
    sigma
        (runs,), sqrt(ssr / dof), mm, the noise of a reading of weight one; NaN where dof ≤ 0.
    worst
        (runs,), index of the fit point with the largest |residual|; −1 where there is no fit.
    tangential
        (runs, points), mm, distance of the moved point from its nominal within the plane.
    iterations
        (runs,), steps taken.
    converged
        (runs,), true where the last step was below the tolerance; where false there is no result.
    rank
        (runs,), motions held by the run's measured fit points; below 6 there is no fit.
    mirrored
        (runs,), true where a reflection would bring the points far nearer to their nominals.
    """

    rotation: Array
    translation: Array
    deviations: Array
    n_points: Ints
    dof: Ints
    ssr: Array
    sigma: Array
    worst: Ints
    tangential: Array
    iterations: Ints
    converged: Bools
    rank: Ints
    mirrored: Bools


@dataclass(slots=True, kw_only=True, eq=False)
class _Poses:
    """Poses of a batch while they are being found; fields as in :class:`PlaneFit`."""

    rotation: Array
    translation: Array
    iterations: Ints
    converged: Bools
    mirrored: Bools


def fit_planes(
    points: ArrayLike,
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    max_iterations: int = 50,
    tolerance: float = 1e-12,
) -> PlaneFit:
    """Fit each run's points onto the nominal planes, from any start pose.

    Parameters
    ----------
    points
        (runs, points, 3), mm, NaN = missing.
    nominals, normals
        (points, 3), mm and outward unit normals.
    weights
        (points,) or (runs, points); 0 = not in the fit (check point, or left out in that run).
    max_iterations
        Steps at most; five do for good points, twenty for points 50 mm off.
    tolerance
        A run has converged when its step is below this share of the part's size.

    Returns
    -------
    PlaneFit
        A run whose measured fit points do not hold all six motions, or whose steps have not come
        to rest, has NaN results and ``converged`` false; never an exception.

    Raises
    ------
    DataError
        Shapes that do not agree, infinite coordinates, negative weights.

    Notes
    -----
    Gauss-Newton with rotation-vector steps about the centroid of the fit points, lengths scaled
    by their spread. The start is the proper point-to-point superposition (Umeyama 1991), so a
    part measured upside down needs no help, and points up to 80 mm from their places still
    converge; shortening steps was tried and changed nothing.
    """
    p, n = as_plan(nominals, normals)
    m = as_points(points, len(p))
    as_positive(tolerance, "tolerance")
    as_positive(max_iterations, "max_iterations")
    measured = ~np.isnan(m[..., 0])
    w = as_weights(weights, m.shape[:2]) * measured
    rank = rank_by_run(p, n, w)
    poses = _unknown_poses(len(m))
    solvable = np.flatnonzero(rank == 6)
    # Check points say nothing of a pose, and there are often three times as many.
    at = np.flatnonzero((w > 0.0).any(0))
    for start in range(0, len(solvable), CHUNK):
        rows = solvable[start : start + CHUNK]
        held = np.ix_(rows, at)
        filled = np.where(measured[held][..., None], m[held], 0.0)
        _store(poses, rows, _solve(filled, p[at], n[at], w[held], max_iterations, tolerance))
    return _result(m, p, n, w, rank, poses)


def _unknown_poses(runs: int) -> _Poses:
    return _Poses(
        rotation=np.full((runs, 3, 3), np.nan),
        translation=np.full((runs, 3), np.nan),
        iterations=np.zeros(runs, dtype=np.int64),
        converged=np.zeros(runs, dtype=np.bool_),
        mirrored=np.zeros(runs, dtype=np.bool_),
    )


def _store(into: _Poses, rows: Ints, found: _Poses) -> None:
    into.rotation[rows] = found.rotation
    into.translation[rows] = found.translation
    into.iterations[rows] = found.iterations
    into.converged[rows] = found.converged
    into.mirrored[rows] = found.mirrored


def _is_mirrored(start: Superposition) -> Bools:
    far = start.rms > MIRROR_FLOOR * start.size
    return np.asarray(far & (start.rms > MIRROR_RATIO * start.rms_mirrored))


def _solve(m: Array, p: Array, n: Array, w: Array, max_iterations: int, tolerance: float) -> _Poses:
    """Find the poses of runs that all have rank 6; works about the centroids for precision."""
    m_mean, p_mean = weighted_centroid(m, w), weighted_centroid(p[None], w)
    mc, pc = m - m_mean[:, None], p[None] - p_mean[:, None]
    start = superpose(mc, pc, w)
    out = _unknown_poses(len(m))
    out.mirrored = _is_mirrored(start)
    out.rotation, out.translation = start.rotation.copy(), start.translation.copy()
    for _ in range(max_iterations):
        rows = np.flatnonzero(~out.converged)
        if not len(rows):
            break
        _step(out, rows, mc[rows], pc[rows], n, w[rows], start.size[rows], tolerance)
    shift = out.translation + p_mean
    out.translation = shift - (out.rotation @ m_mean[..., None])[..., 0]
    return out


def _step(
    out: _Poses,
    rows: Ints,
    mc: Array,
    pc: Array,
    n: Array,
    w: Array,
    size: Array,
    tolerance: float,
) -> None:
    """Take one step in each of ``rows``, in place."""
    q = _moved(out.rotation[rows], out.translation[rows], mc)
    d = np.einsum("rpk,pk->rp", q - pc, n)
    jacobian = np.concatenate(
        [np.broadcast_to(n, q.shape), np.cross(q, n) / size[:, None, None]], axis=-1
    )
    weighted = np.swapaxes(jacobian * w[..., None], -1, -2)
    step = -_solve_six(weighted @ jacobian, (weighted @ d[..., None])[..., 0])
    turn = rotation_from_vector(step[:, 3:] / size[:, None])
    out.rotation[rows] = turn @ out.rotation[rows]
    out.translation[rows] = (turn @ out.translation[rows][..., None])[..., 0] + step[:, :3]
    out.iterations[rows] += 1
    out.converged[rows] = np.abs(step).max(-1) <= tolerance * size


def _moved(rotation: Array, translation: Array, m: Array) -> Array:
    return np.asarray(m @ np.swapaxes(rotation, -1, -2) + translation[:, None])


def _solve_six(normal: Array, right: Array) -> Array:
    """Solve the normal equations with a trace so small that it cannot move a held pose.

    The rank was judged on the nominal geometry; a run measured far from it may still be singular
    at some step, and one such run must not stop the batch.
    """
    trace = np.trace(normal, axis1=-2, axis2=-1)
    damped = normal + (1e-14 * trace)[:, None, None] * np.eye(6)
    return np.asarray(np.linalg.solve(damped, right[..., None])[..., 0])


def _result(m: Array, p: Array, n: Array, w: Array, rank: Ints, poses: _Poses) -> PlaneFit:
    solved = poses.converged
    rotation = np.where(solved[:, None, None], poses.rotation, np.nan)
    translation = np.where(solved[:, None], poses.translation, np.nan)
    gap = _moved(rotation, translation, m) - p
    deviations = np.einsum("rpk,pk->rp", gap, n)
    used = w > 0.0
    n_points = used.sum(-1)
    dof = n_points - 6
    residuals = np.where(used & solved[:, None], deviations, 0.0)
    ssr = np.where(solved, (w * residuals**2).sum(-1), np.nan)
    sigma = np.sqrt(np.where(dof > 0, ssr / np.maximum(dof, 1), np.nan))
    size = np.where(used, np.abs(residuals), -1.0)
    return PlaneFit(
        rotation=rotation,
        translation=translation,
        deviations=deviations,
        n_points=n_points,
        dof=dof,
        ssr=ssr,
        sigma=sigma,
        worst=np.where(solved, size.argmax(-1) if m.shape[1] else -1, -1),
        tangential=_lengths(gap - deviations[..., None] * n),
        iterations=poses.iterations,
        converged=solved,
        rank=rank,
        mirrored=poses.mirrored,
    )


def _lengths(vectors: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("...k,...k->...", vectors, vectors)))
