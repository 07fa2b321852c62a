"""Faces of a part as a plan shows them: points whose normals look nearly the same way."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

AXES = ("x", "y", "z")
#: Normals closer than this belong to one face; wider than mould draft, narrower than a corner.
SAME_FACE_DEGREES = 15.0
#: A direction this close to a plan axis is called by the axis.
NAMED_AXIS_DEGREES = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """Points that look one way.

    Parameters
    ----------
    name
        The plan axis that the face looks along, such as ``+z``; the direction in numbers where
        none is near.
    points
        Indices in the plan, ascending.
    normal
        Mean unit normal, (3,).
    centre
        Middle of the span of its points, (3,), mm.
    across
        Two unit vectors in the face, (2, 3), as near to plan axes as they can be.
    across_names
        Names of the plan axes that they follow.
    span
        Extent of the points along them, (2,), mm.
    """

    name: str
    points: tuple[int, ...]
    normal: Array
    centre: Array
    across: Array
    across_names: tuple[str, str]
    span: Array


def direction_name(direction: Array) -> str:
    """Return ``+x`` ... ``-z`` for a direction near a plan axis, else its numbers."""
    axis = int(np.argmax(np.abs(direction)))
    if np.abs(direction[axis]) >= np.cos(np.radians(NAMED_AXIS_DEGREES)):
        return f"{'+' if direction[axis] > 0 else '-'}{AXES[axis]}"
    # Adding zero turns a rounded −0.00 into 0.00.
    numbers = ", ".join(f"{round(float(value), 2) + 0.0:.2f}" for value in direction)
    return f"({numbers})"


def find_faces(nominals: Array, normals: Array, members: Bools) -> tuple[Face, ...]:
    """Group points by the way they look.

    Parameters
    ----------
    nominals, normals
        (points, 3).
    members
        (points,), which points to group.

    Returns
    -------
    tuple of Face
        In the order +x, −x, +y, −y, +z, −z of the nearest axis; independent of the order of the
        points.
    """
    # Sparse matrices take half a second to load, and few commands look for faces.
    from scipy.sparse.csgraph import connected_components

    index = np.flatnonzero(members)
    if not len(index):
        return ()
    close = normals[index] @ normals[index].T >= np.cos(np.radians(SAME_FACE_DEGREES))
    count, label = connected_components(close, directed=False)
    found = [_face(nominals, normals, index[label == k]) for k in range(count)]
    found.sort(key=_order)
    return tuple(_renamed(found))


def _order(face: Face) -> tuple[float, ...]:
    axis = int(np.argmax(np.abs(face.normal)))
    rounded = [round(float(value), 6) for value in (*-face.normal, *face.centre)]
    return (float(axis), float(face.normal[axis] < 0), *rounded)


def _renamed(found: list[Face]) -> list[Face]:
    """Give faces that would share a name a number each."""
    names = [face.name for face in found]
    return [
        _with_name(face, f"{face.name} ({names[: k + 1].count(face.name)})")
        if names.count(face.name) > 1
        else face
        for k, face in enumerate(found)
    ]


def _with_name(face: Face, name: str) -> Face:
    return Face(
        name=name,
        points=face.points,
        normal=face.normal,
        centre=face.centre,
        across=face.across,
        across_names=face.across_names,
        span=face.span,
    )


def _face(nominals: Array, normals: Array, index: NDArray[np.int64]) -> Face:
    total = normals[index].sum(axis=0)
    length = np.linalg.norm(total)
    # A ring of normals sums to nothing; then any of them must do, and the lowest index is one.
    normal = total / length if length > 1e-9 else normals[index[0]]
    first, second = (k for k in range(3) if k != int(np.argmax(np.abs(normal))))
    u = np.eye(3)[first] - normal[first] * normal
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    v *= 1.0 if v[second] >= 0.0 else -1.0
    across = np.stack([u, v])
    along = nominals[index] @ across.T
    low, high = along.min(axis=0), along.max(axis=0)
    height = float((nominals[index] @ normal).mean())
    return Face(
        name=direction_name(normal),
        points=tuple(int(i) for i in index),
        normal=normal,
        centre=0.5 * (low + high) @ across + height * normal,
        across=across,
        across_names=(AXES[first], AXES[second]),
        span=high - low,
    )
