"""How far the fit moves a piece that nobody moved: the pose of runs that share a set-up.

Where the arm and the piece both stood still, runs of one set-up should find the piece at one place.
What they differ by is probing, carried into the pose by the layout of the fit points. Between
set-ups the pose is where the piece was put, which is free, and nothing of measuring.

References
----------
.. [1] G. W. Snedecor, W. G. Cochran, Statistical Methods, 8th ed. 1989 (variance pooled within
   groups, and its interval by chi-square).
.. [2] A. C. Rencher, G. B. Schaalje, Linear Models in Statistics, 2nd ed. 2008, section 7.3
   (covariance of a least-squares estimate, C y, is C cov(y) Cᵀ).
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from spc.gauge.arrays import FloatArray, IntArray, level_of
from spc.gauge.band import Band

#: The six components: shifts along the part's axes, and turns about them.
POSE = ("shift x", "shift y", "shift z", "turn x", "turn y", "turn z")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoseRepeat:
    """Spread of the pose between runs that share a set-up.

    Parameters
    ----------
    names
        The six components, in the part's frame.
    sd
        Standard deviation of each, (6,), mm; of a turn, as the arc at ``reach``.
    predicted
        What probing alone makes of each, (6,), mm; NaN where it is not known.
    dof
        Degrees of freedom: runs less groups.
    groups
        Set-ups that were probed more than once.
    reach
        Distance from the middle of the fit points that arcs are told at, mm.
    """

    names: tuple[str, ...]
    sd: Band
    predicted: FloatArray
    dof: int
    groups: int
    reach: float


def pose_repeat(
    moves: FloatArray, group: IntArray, predicted: FloatArray, reach: float, level: float = 0.95
) -> PoseRepeat | None:
    """Pool the pose's variance within groups; None where no group has two runs [1]_.

    Parameters
    ----------
    moves
        Pose of each run against any reference of its own group, (runs, 6), mm.
    group
        Code of the set-up that each run belongs to, (runs,).
    predicted
        Standard deviations from `probed_pose`, (6,), mm.
    reach
        Distance that the arcs in ``moves`` are told at, mm.
    level
        Confidence level.
    """
    level = level_of(level)
    codes, inverse, sizes = np.unique(group, return_inverse=True, return_counts=True)
    dof = len(group) - len(codes)
    if dof < 1:
        return None
    means = np.zeros((len(codes), 6))
    np.add.at(means, inverse, moves)
    left = moves - (means / sizes[:, None])[inverse]
    squares = np.square(left).sum(axis=0)
    tail = (1.0 - level) / 2.0
    band = Band(
        value=squares / dof, low=squares / special.chdtri(dof, tail),
        high=squares / special.chdtri(dof, 1.0 - tail), level=level, method="chi-square",
    )  # fmt: skip
    return PoseRepeat(
        names=POSE, sd=band.root(), predicted=predicted, dof=dof,
        groups=int((sizes > 1).sum()), reach=reach,
    )  # fmt: skip


def probed_pose(design: FloatArray, weights: FloatArray, sd: float) -> FloatArray:
    """Return what noise of the points alone makes of the pose, (6,), mm [2]_.

    Parameters
    ----------
    design
        Rows of the plan's geometry, (points, 6), turns as arcs.
    weights
        Weights of the fit, (points,), 0 at check points.
    sd
        Standard deviation of a point (the mean of its hits), mm, alike at every point.
    """
    rows = design.T * weights
    normal = rows @ design
    if np.linalg.matrix_rank(normal) < 6:
        return np.full(6, np.nan)
    gain = np.linalg.solve(normal, rows)
    return np.asarray(sd * np.sqrt(np.square(gain).sum(axis=1)))
