"""A small motion of the part as people say it: a shift, a turn about an axis, or a screw."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.alignment.faces import AXES

Array = NDArray[np.float64]

SHIFT, TURN, SCREW = "shift", "turn", "screw"
#: A direction within this of a plan axis is called by its name.
ON_AXIS_DEGREES = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """A small motion of the whole part.

    Parameters
    ----------
    kind
        ``shift``, ``turn`` or ``screw`` (a turn with a shift along its axis).
    direction
        (3,), unit vector of the shift or of the axis; its largest component is positive.
    point
        (3,), mm, point of the axis nearest to the middle of the fit points; NaN for a shift.
    pitch
        Shift along the axis in mm per radian; zero for a turn, NaN for a shift.
    words
        The motion in words.
    """

    kind: str
    direction: Array
    point: Array
    pitch: float
    words: str


def motion_of(
    shift: Array, turn: Array, centre: Array, size: float, tolerance: float = 1e-6
) -> Motion:
    """Put a motion into words.

    Parameters
    ----------
    shift, turn
        (3,) each: shift of the centre in mm and rotation vector in radians.
    centre
        (3,), mm.
    size
        Length in mm at which a turn is compared with a shift.
    tolerance
        What is smaller than this share of the motion is left out of the words.
    """
    arc = float(np.linalg.norm(turn)) * size
    length = float(np.linalg.norm(shift))
    whole = float(np.hypot(arc, length))
    if arc <= tolerance * whole or arc == 0.0:
        direction = _forward(shift / length if length > 0.0 else np.eye(3)[0])
        words = f"a shift along {axis_words(direction)}"
        nowhere = np.full(3, np.nan)
        return Motion(
            kind=SHIFT, direction=direction, point=nowhere, pitch=float("nan"), words=words
        )
    axis = turn / np.linalg.norm(turn)
    square = float(turn @ turn)
    point = centre + np.cross(turn, shift) / square
    pitch = float(turn @ shift) / square
    screwed = abs(pitch) > tolerance * size
    return _turn(axis, point, pitch if screwed else 0.0)


def _turn(axis: Array, point: Array, pitch: float) -> Motion:
    direction = _forward(axis)
    where = ", ".join(f"{round(float(x), 1) + 0.0:g}" for x in point)
    words = f"a turn about the axis along {axis_words(direction)} through ({where})"
    if pitch:
        words += f" with a shift along it of {abs(pitch) * np.pi / 180.0:.2g} mm per degree"
    return Motion(
        kind=SCREW if pitch else TURN, direction=direction, point=point, pitch=pitch, words=words
    )


def axis_words(direction: Array) -> str:
    """Return ``x``, ``y``, ``z`` or the direction in numbers."""
    k = int(np.argmax(np.abs(direction)))
    if abs(direction[k]) >= np.cos(np.radians(ON_AXIS_DEGREES)):
        return AXES[k]
    return "(" + ", ".join(f"{round(float(x), 2) + 0.0:.2f}" for x in direction) + ")"


def _forward(direction: Array) -> Array:
    """Return the direction or its opposite, so that its largest component is positive."""
    largest = direction[int(np.argmax(np.round(np.abs(direction), 9)))]
    return np.asarray(direction * (1.0 if largest >= 0.0 else -1.0) + 0.0)


def free_motions(null: Array, centre: Array, size: float) -> tuple[Motion, ...]:
    """Return motions that together make up all that a plan leaves free.

    Parameters
    ----------
    null
        (k, 6), orthonormal motions that no fit point sees, in scaled units (shift in mm, arc in
        mm at ``size``).
    centre, size
        To which they refer, mm.

    Returns
    -------
    tuple of Motion
        Pure shifts first, then turns; along plan axes wherever the free space allows it.
    """
    if not len(null):
        return ()
    shift, arc = null[:, :3], null[:, 3:]
    u, s, _ = np.linalg.svd(arc, full_matrices=True)
    turning = int((s > 1e-6).sum())
    shifts = _echelon(u[:, turning:].T @ shift)
    arcs = _echelon(u[:, :turning].T @ arc)
    # Any free shift may be added to a turn. The rows are orthonormal, so the least-norm solution
    # has none: the plainest.
    with_arcs = (arcs @ np.linalg.pinv(arc, rcond=1e-6)) @ shift
    pure = [motion_of(row, np.zeros(3), centre, size) for row in shifts]
    turns = [
        motion_of(row, by / size, centre, size) for row, by in zip(with_arcs, arcs, strict=True)
    ]
    return (*pure, *turns)


def _echelon(rows: Array) -> Array:
    """Return the reduced row echelon form of independent rows: the plainest basis there is."""
    reduced = np.array(rows, dtype=np.float64)
    done = 0
    for column in range(reduced.shape[1]):
        if done == len(reduced):
            break
        pivot = done + int(np.argmax(np.abs(reduced[done:, column])))
        if abs(reduced[pivot, column]) < 1e-6:
            continue
        reduced[[done, pivot]] = reduced[[pivot, done]]
        reduced[done] /= reduced[done, column]
        others = np.arange(len(reduced)) != done
        reduced[others] -= np.outer(reduced[others, column], reduced[done])
        done += 1
    reduced[np.abs(reduced) < 1e-9] = 0.0
    return np.asarray(reduced[:done])
