"""What a document says of pieces, their making and their measuring.

The standard has no element for a mould or a cavity: a mapping says where they are, or they stay
unknown. Nothing is told from a free text unless a mapping's own expression takes it out.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spc.errors import InputError
from spc.ingest.checked import Lookup
from spc.ingest.qif.document import Document
from spc.ingest.xml_safe import Element

_PROCESSES = "ManufacturingProcessTraceabilities/ManufacturingProcessTraceability"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """Where a document tells of a piece and of one set of its results.

    Parameters
    ----------
    results
        The set of measurement results.
    component
        The actual component; None where the document has none.
    """

    results: Element
    component: Element | None

    @property
    def trace(self) -> Element | None:
        """Return what is told of the piece's making and inspection."""
        return None if self.component is None else self.component.first("Traceability")


def names_of(document: Document, piece: Piece, rules: dict[str, Lookup]) -> dict[str, str]:
    """Return what a document tells of a run, by our column names; empty where it tells nothing."""
    part, revision = part_of(document, piece.component)
    names = {
        "part": part,
        "revision": revision,
        "serial": _place(document, piece, "SerialNumber")
        or _place(document, piece, "SampleNumber"),
        "run": _run(document, piece.results),
        "batch": _place(document, piece, "LotNumber"),
        "operator": _operator(document, piece),
    }
    looked_up = {
        column: _matched(document, piece, column, rule)
        for column, rule in rules.items()
        if column != "point"
    }
    return names | looked_up


def _matched(document: Document, piece: Piece, column: str, rule: Lookup) -> str:
    text = _place(document, piece, rule.place)
    if not rule.match or not text:
        return text
    found = re.search(rule.match, text)
    if found is None:
        raise InputError(
            f"{rule.place} is '{text}', which does not match '{rule.match}' of the mapping",
            file=document.name, row=piece.results.line, column=column,
            do="correct [qif] in the mapping",
        )  # fmt: skip
    return (found.group(1) if found.re.groups else found.group(0)) or ""


def _place(document: Document, piece: Piece, place: str) -> str:
    head, _, name = place.partition(":")
    return _PLACES[head](document, piece, name).strip()


def _of_component(name: str) -> Callable[[Document, Piece, str], str]:
    return lambda _document, piece, _: "" if piece.component is None else piece.component.word(name)


def _of_trace(name: str) -> Callable[[Document, Piece, str], str]:
    return lambda _document, piece, _: "" if piece.trace is None else piece.trace.word(name)


def _of_process(name: str) -> Callable[[Document, Piece, str], str]:
    def find(document: Document, piece: Piece, _: str) -> str:
        process = _process(document, piece)
        return "" if process is None else process.word(name)

    return find


def _process(document: Document, piece: Piece) -> Element | None:
    return document.target(piece.trace, "ManufacturingProcessId")


def _model(document: Document, piece: Piece, _: str) -> str:
    return part_of(document, piece.component)[0]


def _fixture(document: Document, piece: Piece, _: str) -> str:
    found = document.target(piece.trace, "FixtureId")
    return "" if found is None else found.word("Name") or found.word("SerialNumber")


def _attribute(document: Document, piece: Piece, name: str) -> str:
    """Return a user's own attribute: of the piece, else of the set of results."""
    for owner in (piece.component, piece.results):
        for attribute in owner.all("Attributes/*") if owner is not None else ():
            if attribute.attributes.get("name", "").strip() == name:
                return attribute.attributes.get("value", attribute.text)
    return ""


def _parameter(document: Document, piece: Piece, name: str) -> str:
    process = _process(document, piece)
    for parameter in process.all("ProcessParameters/Parameter") if process is not None else ():
        if parameter.word("ParameterType") == name:
            return parameter.word("ParameterValue")
    return ""


_PLACES: dict[str, Callable[[Document, Piece, str], str]] = {
    "SerialNumber": _of_component("SerialNumber"),
    "SampleNumber": _of_trace("SampleNumber"),
    "LotNumber": _of_trace("LotNumber"),
    "ModelNumber": _model,
    "FixtureId": _fixture,
    **{
        name: _of_process(name)
        for name in ("MachineIdentifier", "OperatorIdentifier", "Path", "Shift", "Job")
    },
    "Attribute": _attribute,
    "Parameter": _parameter,
}


def part_of(document: Document, component: Element | None) -> tuple[str, str]:
    """Return model number and version: of the piece's own place in the product, else the sole."""
    own = own_part(document, component)
    if own is not None:
        return own.word("ModelNumber"), own.word("Version")
    parts = list(document.root.all("Product/PartSet/Part"))
    if len(parts) == 1:
        return parts[0].word("ModelNumber"), parts[0].word("Version")
    return "", ""


def own_part(document: Document, component: Element | None) -> Element | None:
    """Return the part that a piece's own place in the product names."""
    path = document.target(component, "AsmPathId")
    for placed in document.targets(path, "ComponentIds/Id"):
        part = document.target(placed, "Part/Id") or document.target(placed, "PartId")
        if part is not None and part.word("ModelNumber"):
            return part
    return None


def _run(document: Document, results: Element) -> str:
    """Return a label that stays the same whenever the document is read; letter case is none."""
    own = results.word("ThisResultsInstanceQPId").lower()
    whole = document.root.word("QPId").lower()
    identity = results.attributes.get("id", "").strip()
    return own or (f"{whole}/{identity}" if whole else identity)


def _operator(document: Document, piece: Piece) -> str:
    """Return who measured; ``OperatorIdentifier`` of the making is somebody else."""
    for traced in _traced(document, piece):
        found = traced.first("InspectionOperator")
        if found is not None and (name := found.word("Name") or found.word("EmployeeId")):
            return name
    return ""


def _traced(document: Document, piece: Piece) -> list[Element]:
    """Return what is told of an inspection, the nearest to the piece first."""
    found = (
        piece.trace,
        piece.results.first("InspectionTraceability"),
        document.root.first("Results/InspectionTraceability"),
    )
    return [traced for traced in found if traced is not None]


def inspection_start(document: Document, piece: Piece) -> str:
    """Return when the inspection of a piece began, as the document writes it."""
    for traced in _traced(document, piece):
        if start := traced.word("InspectionStart") or traced.word("InspectionEnd"):
            return start
    return ""


def device_names(document: Document, owners: Sequence[Element | None]) -> set[str]:
    """Return names of the devices that elements say were used."""
    names = set()
    for owner in owners:
        for path in ("MeasurementDeviceIds/Id", "MeasurementDeviceId"):
            for device in document.targets(owner, path):
                names.add(device.word("Name") or device.word("SerialNumber"))
    return names - {""}
