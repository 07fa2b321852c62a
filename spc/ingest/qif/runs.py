"""Runs of a document: one for each piece in each set of measurement results."""

from dataclasses import dataclass, field, replace

import numpy as np

from spc.errors import InputError
from spc.ingest.qif.document import Document
from spc.ingest.qif.names import Piece
from spc.ingest.qif.points import Measured, Reader
from spc.ingest.xml_safe import Element


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One run.

    Parameters
    ----------
    piece
        The set of results and the piece.
    points
        Its measured points, each once.
    characteristics
        Its measured characteristics.
    names
        Name of the point by the identity of each measurement of it, repeats among them.
    """

    piece: Piece
    points: list[Measured] = field(default_factory=list)
    characteristics: list[Element] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)


def runs_of(document: Document, reader: Reader) -> list[Run]:
    """Return the runs of a document in its order.

    Raises
    ------
    InputError
        Where it is not told which piece something was measured on, or a point stands twice.
    """
    runs: list[Run] = []
    for results in document.root.all("Results/MeasurementResultsSet/MeasurementResults"):
        by_piece: dict[str, Run] = {}
        listed = list(document.targets(results, "ActualComponentIds/Id"))
        for feature in results.all("MeasuredFeatures/*"):
            measured = reader.measured(feature)
            if measured is not None:
                _run(document, results, listed, feature, by_piece).points.append(measured)
        for one in results.all("MeasuredCharacteristics/CharacteristicMeasurements/*"):
            _run(document, results, listed, one, by_piece).characteristics.append(one)
        runs += by_piece.values()
    if not runs:
        raise InputError(
            "no measurement results in it", file=document.name, do="export the results"
        )
    return [_once(document, reader, run) for run in runs]


def _run(
    document: Document, results: Element, listed: list[Element], measured: Element,
    by_piece: dict[str, Run],
) -> Run:  # fmt: skip
    component = _component(document, listed, measured)
    identity = "" if component is None else component.attributes.get("id", "")
    piece = Piece(results=results, component=component)
    return by_piece.setdefault(identity, Run(piece=piece))


def _component(document: Document, listed: list[Element], measured: Element) -> Element | None:
    if measured.first("ActualComponentId") is not None:
        return document.target(measured, "ActualComponentId")
    if not listed:
        path = "Results/ActualComponentSets/ActualComponentSet/ActualComponent"
        listed = list(document.root.all(path))
    if len(listed) > 1:
        raise InputError(
            f"it is not told which of {len(listed)} pieces {measured.name} was measured on",
            file=document.name, row=measured.line, do="export one set of results a piece",
        )  # fmt: skip
    return listed[0] if listed else None


def _once(document: Document, reader: Reader, run: Run) -> Run:
    """Return a run with each point once: empty repeats are fillers, equal ones are the same."""
    by_name: dict[str, list[Measured]] = {}
    for point in run.points:
        by_name.setdefault(point.name, []).append(point)
    kept = []
    for name, repeats in by_name.items():
        filled = [p for p in repeats if len(p.hits) or p.location is not None]
        for other in filled[1:]:
            if not _same(filled[0], other):
                raise InputError(
                    f"'{name}' was measured twice in one run, in row {filled[0].feature.line} too",
                    file=document.name, row=other.feature.line,
                    do="keep one, or export the second measurement as a run of its own",
                )  # fmt: skip
        if filled:
            reader.left["repeats of a point without another value"] += len(repeats) - 1
        kept.append(filled[0] if filled else repeats[0])
    # A characteristic may be of a repeat that is dropped here; it is of the same point.
    names = {p.feature.attributes.get("id", "").strip(): p.name for p in run.points}
    return replace(run, points=kept, names=names)


def _same(one: Measured, other: Measured) -> bool:
    first, second = (
        p.location if p.location is not None else np.full(3, np.nan) for p in (one, other)
    )
    return np.array_equal(one.hits, other.hits) and bool(
        np.array_equal(first, second, equal_nan=True)
    )
