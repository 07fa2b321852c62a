"""Measured point sets: positions in lists or packed, with ball, frame and time of each."""

import base64
import binascii
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.errors import InputError
from spc.ingest.qif.document import Document, is_measured
from spc.ingest.qif.units import Units, set_factor
from spc.ingest.xml_safe import Element

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointSet:
    """A measured point set; lengths in millimetres.

    Parameters
    ----------
    element
        Where it stands.
    positions
        (points, 3).
    measured
        False where they are dummies, set or derived.
    normals
        (points, 3); None where it has none.
    compensated
        (points,) whether the ball's radius was taken off.
    radii
        (points,) radius of the ball; NaN where unknown.
    frame
        Identity of the coordinate system or transform; empty in the common one.
    times
        (points,) when each was measured, as text; empty where unknown.
    """

    element: Element
    positions: Array
    measured: bool
    normals: Array | None
    compensated: NDArray[np.bool_]
    radii: Array
    frame: str
    times: tuple[str, ...]


def point_set(document: Document, element: Element, units: Units) -> PointSet:
    """Read a measured point set; its unit may be its own, and a list's in it again another.

    Raises
    ------
    InputError
        Where a list is not as long as ``count`` says, or holds something else.
    """
    count = _count(document, element)
    own = units.millimetres(document, element, primary=set_factor(document, element, units))
    points = _list_of(element, "Points", "BinaryPoints")
    if points is None:
        raise _wrong(document, element, "a point set without points")
    factor = units.millimetres(document, points, primary=own)
    normals = _list_of(element, "Normals", "BinaryNormals")
    return PointSet(
        element=element,
        positions=_vectors(document, points, count) * factor,
        measured=is_measured(points),
        normals=None if normals is None else _vectors(document, normals, count),
        compensated=_compensated(document, element, count),
        radii=_radii(document, element, count, units, own),
        frame=element.word("CoordinateSystemId") or element.word("TranformId"),
        times=_times(document, element, count),
    )


def _radii(document: Document, element: Element, count: int, units: Units, own: float) -> Array:
    """Return the ball's radius at each point, mm; NaN where it is unknown."""
    found = _list_of(element, "ProbeRadii", "BinaryProbeRadii")
    one = element.first("ProbeRadius")
    if found is not None:
        return _numbers(document, found, count) * units.millimetres(document, found, primary=own)
    if one is not None:
        factor = units.millimetres(document, one, primary=own)
        return np.full(count, document.number(one) * factor)
    return np.full(count, np.nan)


def indices(document: Document, reference: Element, points: PointSet) -> range:
    """Return the places, from 0, that a reference takes from a point set.

    ``SinglePointSetId`` takes the one at ``index``, ``RangePointSetId`` those of ``range``, both
    counted from 1 and inclusive; ``WholePointSetId`` takes all.
    """
    count = len(points.positions)
    if reference.name == "WholePointSetId":
        return range(count)
    said = reference.attributes.get("index") or reference.attributes.get("range") or ""
    words = said.split()
    ends = [int(w) for w in (words[0], words[-1]) if w.isdecimal()] if words else []
    if len(ends) != 2 or not 1 <= ends[0] <= ends[1] <= count:
        raise InputError(
            f"{reference.name} takes '{said}' of {count} points", file=document.name,
            row=reference.line, do="export it again",
        )  # fmt: skip
    return range(ends[0] - 1, ends[1])


def _count(document: Document, element: Element) -> int:
    said = element.attributes.get("count", "").strip()
    if not said.isdecimal() or len(said) > 9:
        raise _wrong(document, element, f"a point set of '{said}' points")
    return int(said)


def _wrong(document: Document, element: Element, what: str) -> InputError:
    return InputError(what, file=document.name, row=element.line, do="export it again")


def _list_of(element: Element, plain: str, packed: str) -> Element | None:
    """Return the list that is written out, else the packed one; None where there is neither."""
    found = element.first(plain)
    return found if found is not None else element.first(packed)


def _vectors(document: Document, found: Element, count: int) -> Array:
    return _numbers(document, found, count, width=3).reshape(count, 3)


def _numbers(document: Document, found: Element, count: int, *, width: int = 1) -> Array:
    """Return the numbers of a list; what it says of its own length counts points or numbers."""
    said = found.attributes.get("count", "").strip()
    if said and said not in (str(count), str(width * count)):
        raise _wrong(document, found, f"{found.name} counts '{said}' in a set of {count} points")
    if found.name.startswith("Binary"):
        return _unpacked(document, found, width * count)
    return np.array(document.numbers(found, width * count))


def _unpacked(document: Document, element: Element, count: int) -> Array:
    """Return packed numbers: base64 of little-endian floats of 8 or 4 bytes."""
    try:
        data = base64.b64decode("".join(element.text.split()), validate=True)
    except (binascii.Error, ValueError):
        raise _wrong(document, element, f"{element.name} is no packed list") from None
    for size, kind in ((8, "<f8"), (4, "<f4")):
        if len(data) == size * count:
            values = np.frombuffer(data, kind).astype(np.float64)
            if np.isfinite(values).all():
                return values
            raise _wrong(document, element, f"{element.name} holds what is no number")
    raise _wrong(document, element, f"{element.name} holds {len(data)} bytes for {count} numbers")


def _compensated(document: Document, element: Element, count: int) -> NDArray[np.bool_]:
    packed = element.first("BinaryCompensated")
    if packed is not None:
        raise _wrong(document, packed, "BinaryCompensated is not read")
    each = element.first("Compensations")
    words = each.text.split() if each is not None else [element.word("Compensated")] * count
    if len(words) != count or not {"true", "false", "1", "0"}.issuperset(words):
        raise _wrong(document, element, "it is not said of every point whether it is compensated")
    return np.array([word in ("true", "1") for word in words], dtype=bool)


def _times(document: Document, element: Element, count: int) -> tuple[str, ...]:
    each = element.first("TimeStamps")
    if each is None:
        return (element.word("TimeStamp"),) * count
    words = each.text.split()
    if len(words) != count:
        raise _wrong(document, each, f"TimeStamps lists {len(words)} times of {count} points")
    return tuple(words)
