"""Plain words for the modes of a residual space."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.alignment.faces import Face
from spc.alignment.patterns import BOW, OFFSET, TILT, TWIST, Pattern

Array = NDArray[np.float64]

#: A loading below this share of the largest is not told in words.
SPEAKABLE = 0.1
#: Faces whose normals are closer than this to opposite make a thickness, not a corner.
OPPOSITE = -0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Named:
    """A unit vector of the residual space and the shape that it is the visible part of.

    Parameters
    ----------
    vector
        In the coordinates of the null basis, length one.
    pattern
        The shape; None where none fits.
    point
        Where no shape fits, the point that weighs most; else −1.
    twin
        True where the bow across the same face would look exactly alike.
    """

    vector: Array
    pattern: Pattern | None
    point: int
    twin: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Words:
    """Name, kind, unit of amplitude and description of a mode."""

    name: str
    kind: str
    unit: str
    description: str


def leftover(vector: Array, point: int) -> Named:
    """Return a mode without a shape of its own, told by the point that weighs most in it."""
    return Named(vector=vector, pattern=None, point=point, twin=False)


def describe(
    mode: Named, loading: Array, faces: tuple[Face, ...], labels: tuple[str, ...]
) -> Words:
    """Put a mode into words.

    Parameters
    ----------
    mode
        The mode.
    loading
        (points,), its loadings.
    faces
        Of the fit points.
    labels
        Names of the points.
    """
    out, back = _told(loading, labels)
    against = f"{out} out against {back}" if back else f"{out} out together"
    if mode.pattern is None:
        return Words(
            name=f"mode of {labels[mode.point]}",
            kind="other",
            unit="mm",
            description=f"{against}; no plain shape fits, {labels[mode.point]} weighs most",
        )
    kind = mode.pattern.kind
    if kind == TWIST:
        text = f"{against}: the {mode.pattern.face} face is twisted"
        return Words(name=mode.pattern.name, kind=TWIST, unit="mm", description=text)
    if kind == BOW:
        return _bow(mode.pattern, mode.twin, against)
    return _between(mode.pattern, loading, faces, against)


def _told(loading: Array, labels: tuple[str, ...]) -> tuple[str, str]:
    limit = SPEAKABLE * np.abs(loading).max()
    out = [labels[i] for i in np.flatnonzero(loading > limit)]
    back = [labels[i] for i in np.flatnonzero(loading < -limit)]
    return _list(out), _list(back)


def _list(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def _bow(pattern: Pattern, twin: bool, against: str) -> Words:
    """Tell a bow; where the other direction would look the same, do not claim one."""
    name = f"bow of the {pattern.face} face" if twin else pattern.name
    along = "along either direction" if twin else f"along {pattern.axis}"
    text = f"{against}: the {pattern.face} face is bowed out in the middle, {along}"
    return Words(name=name, kind=BOW, unit="mm", description=text)


def _between(pattern: Pattern, loading: Array, faces: tuple[Face, ...], against: str) -> Words:
    """Tell a mode that compares faces: a corner out of square, a taper, a thickness."""
    own = next(f for f in faces if f.name == pattern.face)
    others = [f for f in faces if f.name != pattern.face]
    weight = [float((loading[list(f.points)] ** 2).sum()) for f in others]
    partner = others[int(np.argmax(np.round(weight, 9)))]
    pair = f"{own.name} and {partner.name}"
    opposite = float(own.normal @ partner.normal) < OPPOSITE
    if pattern.kind == OFFSET:
        text = f"{against}: {pair} faces stand further apart than drawn"
        kind = "size" if opposite else "offset"
        name = f"distance between {pair}" if opposite else f"offset of {own.name} from the rest"
        text = text if opposite else f"{against}: the {own.name} face stands out from the rest"
        return Words(name=name, kind=kind, unit="mm", description=text)
    if pattern.kind == TILT and opposite:
        text = f"{against}: {pair} faces are not parallel as drawn, along {pattern.axis}"
        return Words(
            name=f"taper between {pair} along {pattern.axis}",
            kind="taper",
            unit="mm/m",
            description=text,
        )
    text = f"{against}: the {own.name} and {partner.name} faces are not square as drawn"
    return Words(
        name=f"squareness of {own.name} and {partner.name}",
        kind="squareness",
        unit="mm/m",
        description=text,
    )
