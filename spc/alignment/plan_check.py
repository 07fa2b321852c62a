"""Whether a plan's fit points hold the part, and which motion they hold worst."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_weights
from spc.alignment.geometry import Geometry, geometry
from spc.alignment.motions import Motion, axis_words, free_motions, motion_of

Array = NDArray[np.float64]

#: In the words for the weakest motion, what is smaller than this share is left out.
ROUGHLY = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanCheck:
    """What the fit points of a plan hold.

    Parameters
    ----------
    n_points, dof
        Fit points and n_points − 6.
    rank
        Of the six motions, how many are held.
    condition
        Best held motion over worst held, with turns measured at the size of the part; infinite
        where one is free.
    size
        Root mean square distance of the fit points from their middle, mm.
    free
        The motions that are free; empty where all are held.
    causes
        Why they are free, in plain words; empty where all are held.
    weakest
        The motion that is held worst; None where one is free.
    weakest_gain
        mm by which the part moves in it, at the point of the plan that moves most, per mm of
        noise (SD) of a weight-one reading; NaN where a motion is free.
    weakest_point
        Index of that point; −1 where a motion is free.
    displacement
        (points,), the same at every point, mm per mm.
    deviation
        (points,), what of it shows along the point's normal, mm per mm, signed.
    words
        One sentence that sums it up.
    """

    n_points: int
    dof: int
    rank: int
    condition: float
    size: float
    free: tuple[Motion, ...]
    causes: tuple[str, ...]
    weakest: Motion | None
    weakest_gain: float
    weakest_point: int
    displacement: Array
    deviation: Array
    words: str


def check_plan(nominals: ArrayLike, normals: ArrayLike, weights: ArrayLike) -> PlanCheck:
    """Work out what the fit points of a plan hold.

    Parameters
    ----------
    nominals, normals
        (points, 3), mm and outward unit normals.
    weights
        (points,); 0 = check point.

    Returns
    -------
    PlanCheck
        Never an exception for a degenerate plan.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (len(p),))
    held = geometry(p, n, w)
    return _held(p, held) if held.rank == 6 else _loose(p, n, held)


def _loose(p: Array, n: Array, held: Geometry) -> PlanCheck:
    free = free_motions(held.motions[held.rank :], held.centre, held.size)
    fit = held.weights > 0.0
    causes = _causes(p[fit], n[fit])
    unknown = np.full(len(p), np.nan)
    freedom = "; ".join(motion.words for motion in free)
    return PlanCheck(
        n_points=int(fit.sum()),
        dof=int(fit.sum()) - 6,
        rank=held.rank,
        condition=held.condition,
        size=held.size,
        free=free,
        causes=causes,
        weakest=None,
        weakest_gain=float("nan"),
        weakest_point=-1,
        displacement=unknown,
        deviation=unknown,
        words=f"the fit points leave the part free: {freedom}",
    )


def _held(p: Array, held: Geometry) -> PlanCheck:
    used = held.weights[held.weights > 0.0]
    # One standard deviation of the pose along the worst held motion, in mm per mm of noise.
    spread = 1.0 / (held.singular[5] * np.sqrt(used.mean()))
    shift, turn = held.motions[5, :3] * spread, held.motions[5, 3:] * spread / held.size
    moved = np.linalg.norm(shift + np.cross(turn, p - held.centre), axis=1)
    motion = motion_of(shift, turn, held.centre, held.size, ROUGHLY)
    point = int(np.argmax(np.round(moved, 9)))
    gain = float(moved[point])
    return PlanCheck(
        n_points=len(used),
        dof=len(used) - 6,
        rank=6,
        condition=held.condition,
        size=held.size,
        free=(),
        causes=(),
        weakest=motion,
        weakest_gain=gain,
        weakest_point=point,
        displacement=moved,
        deviation=held.design @ held.motions[5] * spread,
        words=(
            f"all six motions are held; the weakest is {motion.words}: "
            f"1 mm of noise moves the part by {gain:.2g} mm"
        ),
    )


def _causes(p: Array, n: Array) -> tuple[str, ...]:
    """Return what is special about fit points that do not hold the part."""
    found = [f"only {len(p)} fit points; six motions need six"] if len(p) < 6 else []
    if not len(p):
        return tuple(found)
    found += _about_positions(p)
    _, s, directions = np.linalg.svd(n)
    looks = int((s > 1e-6 * s[0]).sum())
    if looks == 1:
        found.append(f"all fit points look along {axis_words(_plus(directions[0]))}")
    elif looks == 2:
        found.append(f"no fit point looks along {axis_words(_plus(directions[2]))}")
    if looks == 3 and len(p) >= 6 and len(found) == 0:
        found.append(_about_lines(p, n))
    return tuple(found)


def _about_positions(p: Array) -> list[str]:
    spread = np.linalg.svd(p - p.mean(axis=0), compute_uv=False)
    reach = max(float(np.abs(p).max()), 1.0)
    if spread[0] <= 1e-9 * reach:
        return ["all fit points are at one place"]
    if len(spread) > 1 and spread[1] <= 1e-6 * spread[0]:
        return ["all fit points are on one line"]
    return []


def _about_lines(p: Array, n: Array) -> str:
    """Tell whether all lines of probing pass through one point or are all square to an arm."""
    across = np.eye(3)[None] - n[:, :, None] * n[:, None, :]
    total = across.sum(axis=0)
    meeting = np.linalg.lstsq(total, (across @ p[..., None]).sum(axis=0)[:, 0], rcond=None)[0]
    off = np.linalg.norm((across @ (p - meeting)[..., None])[..., 0], axis=1).max()
    size = float(np.linalg.norm(p - p.mean(axis=0), axis=1).max())
    if off <= 1e-6 * size:
        return "the directions of all fit points meet in one point"
    return "the directions of the fit points leave one motion that none of them sees"


def _plus(direction: Array) -> Array:
    k = int(np.argmax(np.round(np.abs(direction), 9)))
    return np.asarray(direction * np.sign(direction[k]) + 0.0)
