"""Measured points of a run: hits and locations, freed from the ball, and what was left out."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.errors import InputError
from spc.ingest.qif.document import Document, is_measured
from spc.ingest.qif.hits import PointSet, indices, point_set
from spc.ingest.qif.tolerances import Limits, kind_of, limits_of
from spc.ingest.qif.units import Units
from spc.ingest.xml_safe import Element

Array = NDArray[np.float64]
#: Features that are one place on the part.
POINT_KINDS = ("Point", "EdgePoint")
#: How far a normal's length may be off one; beyond, it is not taken for a direction.
UNIT_LENGTH = 1e-6
#: Many points may take the same hits, so that a small document could ask for any number of them. A
#: thousand pieces of a hundred points stay below, and a million take some 1.3 GB to read.
MOST_HITS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nominal:
    """The nominal of a point; lengths in millimetres.

    Parameters
    ----------
    name
        Name of the point.
    position
        (3,).
    normal
        (3,) outward; None where the document has none.
    element
        Where it stands.
    """

    name: str
    position: Array
    normal: Array | None
    element: Element

    @property
    def crooked(self) -> bool:
        """Tell whether it has a normal that is not 1 long."""
        return self.normal is not None and (
            abs(float(np.linalg.norm(self.normal)) - 1.0) > UNIT_LENGTH
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """What was measured of one point in one run.

    Parameters
    ----------
    feature
        The feature's measurement.
    name
        Name of the point.
    hits
        (hits, 3) positions of the surface, mm; empty where there are none.
    location
        (3,) its location, mm; None where there is none that was measured.
    frame
        Frame of the hits; empty for the common one.
    times
        When each hit was measured.
    nominal
        Its nominal; None where the document has none.
    sets
        The point sets that its hits stand in.
    """

    feature: Element
    name: str
    hits: Array
    location: Array | None
    frame: str
    times: tuple[str, ...]
    nominal: Nominal | None
    sets: tuple[Element, ...]


class Reader:
    """Reads the points of one document; point sets are read once.

    Parameters
    ----------
    document, units
        The document and its units.
    called
        What a point is called by: FeatureName, UUID, CharacteristicName or Designator.
    """

    def __init__(self, document: Document, units: Units, called: str) -> None:
        self.document, self.units, self.called = document, units, called
        #: What was left out or changed, and how often.
        self.left: Counter[str] = Counter()
        self._sets: dict[str, PointSet] = {}
        self._taken = 0
        self._limits: dict[int, Limits] = {}
        self._nominals: dict[tuple[int, str], Nominal | None] = {}
        by_them = called in ("CharacteristicName", "Designator")
        self._characteristics = _characteristics(document) if by_them else {}

    def name_of(self, item: Element | None, own: str = "") -> str:
        """Return the name of a feature; ``own`` is what its measurement itself says."""
        if self.called == "FeatureName":
            return own or ("" if item is None else item.word("FeatureName"))
        if item is None:
            return ""
        if self.called == "UUID":
            return item.word("UUID").lower()
        characteristic = self._characteristics.get(item.attributes.get("id", "").strip())
        path = (
            "Name" if self.called == "CharacteristicName" else "CharacteristicDesignator/Designator"
        )
        return "" if characteristic is None else characteristic.word(path)

    def limits(self, item: Element | None) -> Limits:
        """Return the limits of a characteristic's item."""
        if id(item) not in self._limits:
            nominal = self.document.target(item, "CharacteristicNominalId")
            limits = limits_of(self.document, nominal, self.units)
            self._limits[id(item)] = limits
            if limits.unresolved:
                self.left[f"tolerances without limits here: {limits.unresolved}"] += 1
        return self._limits[id(item)]

    def nominal_of(self, item: Element | None, name: str) -> Nominal | None:
        """Return the nominal of a feature item; None where there is none with a location."""
        key = (id(item), name)
        if key not in self._nominals:
            self._nominals[key] = self._nominal(item, name)
        return self._nominals[key]

    def _nominal(self, item: Element | None, name: str) -> Nominal | None:
        element = self.document.target(item, "FeatureNominalId")
        location = element.first("Location") if element is not None else None
        if element is None or location is None:
            return None
        normal = element.first("Normal")
        nominal = Nominal(
            name=name,
            position=self.position(location),
            normal=None if normal is None else np.array(self.document.numbers(normal, 3)),
            element=element,
        )
        if nominal.crooked:
            self.left["nominal normals that are not 1 long, of which no use is made"] += 1
        return nominal

    def position(self, location: Element) -> Array:
        """Return a location in millimetres."""
        factor = self.units.millimetres(self.document, location)
        return np.array(self.document.numbers(location, 3)) * factor

    def measured(self, feature: Element) -> Measured | None:
        """Return what was measured of a feature; None where it is no point or was not measured."""
        if kind_of(feature) not in POINT_KINDS:
            self.left[f"features of the kind {kind_of(feature)}, which are no points"] += 1
            return None
        item = self.document.target(feature, "FeatureItemId")
        name = self.name_of(item, feature.word("FeatureName"))
        if not name:
            raise InputError(
                f"a measured feature without {self.called}", file=self.document.name,
                row=feature.line, do="export it with names, or say under [qif] what names a point",
            )  # fmt: skip
        if was_set(item):
            self.left["points that were set, not measured"] += 1
            return None
        nominal = self.nominal_of(item, name)
        hits, frame, times, sets = self._hits(feature, nominal, name)
        return Measured(
            feature=feature, name=name, hits=hits, location=self._location(feature, nominal),
            frame=frame, times=times, nominal=nominal, sets=sets,
        )  # fmt: skip

    def _location(self, feature: Element, nominal: Nominal | None) -> Array | None:
        location = feature.first("Location")
        if location is None or not location.text:
            return None
        if not is_measured(location):
            self.left["locations that were not measured (DUMMY, MOOT, DERIVED or SET)"] += 1
            return None
        place = self.position(location)
        if _is_filler(place, nominal):
            self.left["locations of 0 0 0, fillers for none measured"] += 1
            return None
        return place

    def _hits(
        self, feature: Element, nominal: Nominal | None, name: str
    ) -> tuple[Array, str, tuple[str, ...], tuple[Element, ...]]:
        found, frames, times, sets = [], set(), [], []
        references = [r for r in feature.all("PointList/*") if r.name.endswith("PointSetId")]
        for reference in references:
            element = self.document.target(reference)
            if element is None:
                continue
            points = self._set(element)
            taken = indices(self.document, reference, points)
            self._taken += len(taken)
            if self._taken > MOST_HITS:
                raise InputError(
                    f"more than {MOST_HITS} hits, more than one file of results can hold",
                    file=self.document.name, row=reference.line, do="split the file",
                )  # fmt: skip
            for at in taken:
                if not points.measured:
                    self.left["hits that were not measured (DUMMY, MOOT, DERIVED or SET)"] += 1
                    continue
                if _is_filler(points.positions[at], None if points.frame else nominal):
                    self.left["hits of 0 0 0, fillers for none measured"] += 1
                    continue
                found.append(self._surface(points, at, nominal, name))
                times.append(points.times[at])
            frames.add(points.frame)
            sets.append(element)
        if len(frames) > 1:
            self.left["points with hits in several frames, of which only the location is used"] += 1
            return np.empty((0, 3)), "", (), ()
        return np.array(found).reshape(-1, 3), "".join(frames), tuple(times), tuple(sets)

    def _set(self, element: Element) -> PointSet:
        identity = element.attributes.get("id", "")
        if identity not in self._sets:
            self._sets[identity] = point_set(self.document, element, self.units)
        return self._sets[identity]

    def _surface(self, points: PointSet, at: int, nominal: Nominal | None, name: str) -> Array:
        """Return a hit on the surface: a centre of the ball less the radius along the normal."""
        position: Array = points.positions[at]
        if points.compensated[at]:
            return position
        radius = float(points.radii[at])
        normal = points.normals[at] if points.normals is not None else None
        drawn = nominal.normal if nominal is not None and not points.frame else None
        if normal is not None and drawn is not None and float(normal @ drawn) < 0.0:
            raise self._refused(points, name, "a normal that points into the material")
        normal = drawn if normal is None else normal
        if normal is None:
            raise self._refused(points, name, "no normal in the frame of the hits")
        if np.isnan(radius):
            raise self._refused(points, name, "no radius of the ball")
        if radius <= 0.0:
            raise self._refused(points, name, f"a radius of the ball of {radius:g} mm")
        if abs(float(np.linalg.norm(normal)) - 1.0) > UNIT_LENGTH:
            raise self._refused(points, name, "a normal that is not 1 long")
        self.left["hits that were centres of the ball and were brought to the surface"] += 1
        surface: Array = position - radius * normal
        return surface

    def _refused(self, points: PointSet, name: str, without: str) -> InputError:
        return InputError(
            f"hits of '{name}' are centres of the ball, and the document gives {without}",
            file=self.document.name, row=points.element.line, do="export compensated points",
        )  # fmt: skip


def was_set(item: Element | None) -> bool:
    """Tell whether a feature is set, not measured."""
    return item is not None and item.first("DeterminationMode/Set") is not None


def _is_filler(place: Array, nominal: Nominal | None) -> bool:
    """Tell a filler for none: 0 0 0 to the last digit, where the nominal stands elsewhere."""
    return not place.any() and (nominal is None or bool(nominal.position.any()))


def _characteristics(document: Document) -> dict[str, Element]:
    """Return the item of the one characteristic of each feature item that has only one."""
    found: dict[str, list[Element]] = {}
    for item in document.root.all("Characteristics/CharacteristicItems/*"):
        for feature in document.targets(item, "FeatureItemIds/Id"):
            found.setdefault(feature.attributes["id"].strip(), []).append(item)
    return {identity: items[0] for identity, items in found.items() if len(items) == 1}
