"""Shapes that a moulded part takes, as deviations of the points of a plan per unit of each shape.

A pattern is a column: what the deviation along each point's normal would be. Bow and twist are
those of one face. Size and squareness are those of the whole part. Tilt and offset of one face
serve only to name what the residuals of a fit can say.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.alignment.faces import AXES, Face

Array = NDArray[np.float64]

TWIST, BOW, TILT, OFFSET = "twist", "bow", "tilt", "offset"
SIZE, SQUARENESS = "size", "squareness"
#: Deviation in mm per mm of a per-cent change of size.
PER_CENT = 0.01
#: Deviation in mm per mm of a change of direction by 1 mm in 1 m.
MM_PER_M = 1e-3
#: A face this narrow, in mm, has no shape across it.
NO_SPAN = 1e-6
#: A point this near to the ends of a span, as a share of the rise, is at the ends.
NO_RISE = 1e-6
#: With less than this share left beside an offset and tilts of its face, a shape is none.
SHAPELY = 0.05
#: A face with points narrower than this share of their length counts as a line along it.
NARROW = 0.2
#: Points of a face that its shape needs at least.
LEAST_POINTS = {TWIST: 4, BOW: 3}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pattern:
    """One shape.

    Parameters
    ----------
    name
        Unique in its set, in words.
    kind
        ``size``, ``squareness``, ``twist``, ``bow``, ``tilt`` or ``offset``.
    face
        Name of the face, empty where it is of the whole part.
    axis
        Plan axis along which it runs; two letters for twist and squareness; empty for uniform
        size.
    unit
        Of the amplitude: ``%``, ``mm`` or ``mm/m``.
    meaning
        What an amplitude of plus one means, in words.
    column
        (points,), deviation in mm per unit of amplitude.
    flat
        (points, 3), what an offset and the tilts of the same face would be; the shape of a face
        is one only by what these do not take up. Zero for a shape of the whole part.
    """

    name: str
    kind: str
    face: str
    axis: str
    unit: str
    meaning: str
    column: Array
    flat: Array


def _local(face: Face, nominals: Array) -> Array:
    """Return the face's own coordinates about its middle, (points of the face, 2), mm."""
    return np.asarray((nominals[list(face.points)] - face.centre) @ face.across.T)


def _on_face(face: Face, values: Array, points: int) -> Array:
    column = np.zeros(points)
    column[list(face.points)] = values
    return column


def _flat(face: Face, nominals: Array) -> Array:
    long = max(float(face.span.max()), NO_SPAN)
    # The points of a narrow strip differ a little in height; a lean that steep explains nothing.
    wide = face.span >= NARROW * long
    local = np.where(wide, _local(face, nominals) / long, 0.0)
    columns = (np.ones(len(local)), local[:, 0], local[:, 1])
    return np.stack([_on_face(face, values, len(nominals)) for values in columns], axis=1)


def shapely(pattern: Pattern, weights: Array) -> NDArray[np.bool_]:
    """Return under which weightings (k, points) a shape is more than a tilt of its face, (k,).

    A face probed at three points has no twist of its own: whatever they read is a plane.
    """
    if not pattern.face or pattern.kind in (TILT, OFFSET):
        return np.ones(len(weights), dtype=np.bool_)
    root = np.sqrt(weights)
    column = root * pattern.column
    enough = ((weights > 0.0) & (pattern.flat[:, 0] > 0.0)).sum(-1) >= LEAST_POINTS[pattern.kind]
    u, s, _ = np.linalg.svd(root[..., None] * pattern.flat, full_matrices=False)
    u = u * (s > 1e-9 * np.maximum(s[:, :1], NO_SPAN))[:, None]
    rest = column - (u @ (np.swapaxes(u, -1, -2) @ column[..., None]))[..., 0]
    limit = SHAPELY * np.linalg.norm(column, axis=-1)
    return np.asarray(enough & (np.linalg.norm(rest, axis=-1) > np.maximum(limit, NO_SPAN)))


def twist_of(face: Face, nominals: Array) -> Pattern:
    """Return the twist of a face: two opposite corners 1 mm out, the other two 1 mm in."""
    half = 0.5 * np.where(face.span > NO_SPAN, face.span, np.inf)
    u, v = (_local(face, nominals) / half).T
    return Pattern(
        name=f"twist of the {face.name} face",
        kind=TWIST,
        face=face.name,
        axis="".join(face.across_names),
        unit="mm",
        meaning="two opposite corners of the span 1 mm out, the other two 1 mm in",
        column=_on_face(face, u * v, len(nominals)),
        flat=_flat(face, nominals),
    )


def bow_of(face: Face, nominals: Array, which: int) -> Pattern:
    """Return the bow of a face along one of its axes: the middle 1 mm out, the ends held.

    Zero across a strip: points that differ a little in height do not show a bow that way.
    """
    span = face.span[which]
    wide = span > max(NO_SPAN, NARROW * float(face.span.max()))
    u = 2.0 * _local(face, nominals)[:, which] / span if wide else np.ones(1)
    rise = 1.0 - u**2
    axis = face.across_names[which]
    return Pattern(
        name=f"bow of the {face.name} face along {axis}",
        kind=BOW,
        face=face.name,
        axis=axis,
        unit="mm",
        meaning=f"the middle 1 mm out against the ends of the span along {axis}",
        # Points at the ends have no rise; rounding must not give them one.
        column=_on_face(face, np.where(rise > NO_RISE, rise, 0.0), len(nominals)),
        flat=_flat(face, nominals),
    )


def tilt_of(face: Face, nominals: Array, which: int) -> Pattern:
    """Return the tilt of a face against the rest of the part, 1 mm in 1 m along one axis."""
    axis = face.across_names[which]
    return Pattern(
        name=f"tilt of the {face.name} face along {axis}",
        kind=TILT,
        face=face.name,
        axis=axis,
        unit="mm/m",
        meaning=f"the face leans out by 1 mm for each metre along {axis}",
        column=_on_face(face, MM_PER_M * _local(face, nominals)[:, which], len(nominals)),
        flat=_flat(face, nominals),
    )


def offset_of(face: Face, nominals: Array) -> Pattern:
    """Return the shift of a face by 1 mm outwards against the rest of the part."""
    return Pattern(
        name=f"offset of the {face.name} face",
        kind=OFFSET,
        face=face.name,
        axis="",
        unit="mm",
        meaning="the face stands 1 mm further out",
        column=_on_face(face, np.ones(len(face.points)), len(nominals)),
        flat=_flat(face, nominals),
    )


def size_patterns(nominals: Array, normals: Array) -> tuple[Pattern, ...]:
    """Return uniform size and the size along each plan axis, 1 % larger each."""
    about = nominals - nominals.mean(axis=0) if len(nominals) else nominals
    products = PER_CENT * normals * about
    whole = Pattern(
        name="size",
        kind=SIZE,
        face="",
        axis="",
        unit="%",
        meaning="the part 1 % larger in every direction",
        column=products.sum(axis=1),
        flat=np.zeros((len(nominals), 3)),
    )
    along = tuple(
        Pattern(
            name=f"size along {axis}",
            kind=SIZE,
            face="",
            axis=axis,
            unit="%",
            meaning=f"the part 1 % longer along {axis}",
            column=products[:, k],
            flat=np.zeros((len(nominals), 3)),
        )
        for k, axis in enumerate(AXES)
    )
    return (whole, *along)


def squareness_patterns(nominals: Array, normals: Array) -> tuple[Pattern, ...]:
    """Return the shear of the part in each plane of two plan axes, 1 mm in 1 m each."""
    about = nominals - nominals.mean(axis=0) if len(nominals) else nominals
    pairs = ((0, 1), (0, 2), (1, 2))
    return tuple(
        Pattern(
            name=f"squareness of {AXES[a]} and {AXES[b]}",
            kind=SQUARENESS,
            face="",
            axis=AXES[a] + AXES[b],
            unit="mm/m",
            meaning=f"the angle between {AXES[a]} and {AXES[b]} narrower by 1 mm in 1 m",
            column=0.5 * MM_PER_M * (normals[:, a] * about[:, b] + normals[:, b] * about[:, a]),
            flat=np.zeros((len(nominals), 3)),
        )
        for a, b in pairs
    )
