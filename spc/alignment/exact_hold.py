"""Exact hold: six points brought to zero, the classic 3-2-1, which checks nothing by itself."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_plan, as_weights
from spc.alignment.faces import find_faces
from spc.alignment.fit import PlaneFit, fit_planes
from spc.errors import DataError

Array = NDArray[np.float64]

NOTE = "six points held exactly: every residual is zero by construction and nothing is checked"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExactHold:
    """Runs aligned by six points held exactly.

    Parameters
    ----------
    fit
        The poses and the deviations of all points; those of the six are zero.
    order
        The six points by face, the face with most first: three, two and one in a 3-2-1.
    classic
        True where the faces hold three, two and one.
    note
        What a reader must know about residuals of zero.
    """

    fit: PlaneFit
    order: tuple[tuple[int, ...], ...]
    classic: bool
    note: str


def exact_hold(
    points: ArrayLike, nominals: ArrayLike, normals: ArrayLike, weights: ArrayLike
) -> ExactHold:
    """Align runs so that six points have no deviation.

    Parameters
    ----------
    points
        (runs, points, 3), mm, NaN = missing; a run that misses one of the six has no alignment.
    nominals, normals
        (points, 3).
    weights
        (points,); exactly six above zero. Their size does not matter.

    Returns
    -------
    ExactHold
        Six points that do not hold all six motions give NaN, never an exception.

    Raises
    ------
    DataError
        Not exactly six points.
    """
    p, n = as_plan(nominals, normals)
    six = as_weights(weights, (len(p),)) > 0.0
    if six.sum() != 6:
        raise DataError(f"exact hold needs exactly 6 fit points, not {int(six.sum())}")
    faces = sorted(find_faces(p, n, six), key=lambda face: -len(face.points))
    return ExactHold(
        fit=fit_planes(points, p, n, six.astype(np.float64)),
        order=tuple(face.points for face in faces),
        classic=tuple(len(face.points) for face in faces) == (3, 2, 1),
        note=NOTE,
    )
