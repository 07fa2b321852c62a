"""A QIF document: its root, its objects by identity, and the references between them.

Names of elements and attributes are those of the schemas of ISO 23952 (QIF 3.0).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import isfinite

from spc.errors import InputError
from spc.ingest.xml_safe import Element, parse

#: Namespace of the version that is read; 2.x calls measurements by other names.
SPACE = "http://qifstandards.org/xsd/qif3"
_FAMILY = "http://qifstandards.org/xsd/"
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
#: What the object of a reference is, by the end of its name; one of another kind is none.
_KINDS = {
    "FeatureItemId": "FeatureItem",
    "FeatureNominalId": "FeatureNominal",
    "CharacteristicItemId": "CharacteristicItem",
    "CharacteristicNominalId": "CharacteristicNominal",
    "CharacteristicDefinitionId": "CharacteristicDefinition",
    "ActualComponentId": "ActualComponent",
    **dict.fromkeys(("WholePointSetId", "RangePointSetId", "SinglePointSetId"), "MeasuredPointSet"),
}
#: Words under which a value was measured; DUMMY, MOOT, DERIVED and SET ones were not.
_MEASURED = {"", "REPORTED"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Document:
    """A document.

    Parameters
    ----------
    name
        Name of the file.
    root
        The root element.
    objects
        Elements by their ``id``.
    twice
        Identities that more than one element has.
    lost
        How many references of each name led nowhere, or to an object of another kind; filled
        while the document is read.
    """

    name: str
    root: Element
    objects: dict[str, Element]
    twice: frozenset[str]
    lost: dict[str, int] = field(default_factory=dict)

    def target(self, element: Element | None, path: str = "") -> Element | None:
        """Return what an element, or the one at a path below it, refers to; None where nothing.

        Raises
        ------
        InputError
            Where the object stands in another document, or more than one has its identity.
        """
        reference = element.first(path) if element is not None and path else element
        if reference is None:
            return None
        if "xId" in reference.attributes:
            raise InputError(
                f"{reference.name} refers to object {reference.attributes['xId']} of another "
                "document",
                file=self.name, row=reference.line, do="export one document that holds everything",
            )  # fmt: skip
        if reference.text in self.twice:
            raise InputError(
                f"{reference.name} refers to {reference.text}, and more than one object has that "
                "identity",
                file=self.name, row=reference.line, do="export it again",
            )  # fmt: skip
        found = self.objects.get(reference.text)
        if found is not None and found.name.endswith(_KINDS.get(reference.name, "")):
            return found
        where = "nowhere" if found is None else "to an object of another kind"
        words = f"{reference.name} lead {where}"
        self.lost[words] = self.lost.get(words, 0) + 1
        return None

    def targets(self, element: Element | None, path: str) -> Iterator[Element]:
        """Yield every object that the references at a path lead to."""
        for reference in element.all(path) if element is not None else ():
            found = self.target(reference)
            if found is not None:
                yield found

    def number(self, element: Element) -> float:
        """Return the one number that an element holds.

        Raises
        ------
        InputError
            Where it holds none.
        """
        (value,) = self.numbers(element, 1)
        return value

    def numbers(self, element: Element, count: int) -> list[float]:
        """Return the numbers that an element lists; comments between them do not count.

        Raises
        ------
        InputError
            Where there are more or fewer, or one is no plain finite number.
        """
        words = element.text.split()
        if element.children:
            raise InputError(
                f"{element.name} holds {element.children[0].name} among its numbers",
                file=self.name, row=element.line, do="export it again",
            )  # fmt: skip
        if len(words) != count:
            raise InputError(
                f"{element.name} lists {len(words)} numbers where {count} belong",
                file=self.name, row=element.line, do="export it again",
            )  # fmt: skip
        for word in words:
            if not _NUMBER.fullmatch(word) or not isfinite(float(word)):
                raise InputError(
                    f"'{word}' where a number belongs", file=self.name, row=element.line,
                    column=element.name, do="leave out what was not measured",
                )  # fmt: skip
        return [float(word) for word in words]


def open_document(data: bytes, name: str) -> Document:
    """Return the document that bytes hold.

    Raises
    ------
    InputError
        For XML of another kind, and for another version of QIF.
    """
    root = parse(data, name)
    if root.space != SPACE or root.name != "QIFDocument":
        if root.space.startswith(_FAMILY):
            version = root.space.removeprefix(_FAMILY)
            raise InputError(
                f"QIF of another version ('{version}')", file=name, do="export it as QIF 3.0"
            )
        raise InputError("XML, but no QIF document", file=name, do="export QIF 3.0 Results, or CSV")
    objects: dict[str, Element] = {}
    twice: set[str] = set()
    for element in root.walk():
        identity = element.attributes.get("id", "").strip()
        if identity and element.space == SPACE:
            if identity in objects:
                twice.add(identity)
            objects[identity] = element
    return Document(name=name, root=root, objects=objects, twice=frozenset(twice))


def is_measured(element: Element) -> bool:
    """Tell whether a value was measured, by its ``validity`` and those of its coordinates."""
    return all(
        element.attributes.get(key, "").strip() in _MEASURED
        for key in ("validity", "xValidity", "yValidity", "zValidity")
    )
