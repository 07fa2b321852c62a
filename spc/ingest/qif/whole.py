"""What a document says of itself as a whole: lists that miscount, statuses of runs, exclusions."""

from collections.abc import Iterator, Sequence

from spc.ingest.qif.characteristics import Judged
from spc.ingest.qif.document import Document
from spc.ingest.qif.names import Piece
from spc.ingest.qif.tolerances import FAIL, PASS
from spc.ingest.xml_safe import Element

_RESULTS = "Results/MeasurementResultsSet/MeasurementResults"
_CHARACTERISTICS = f"{_RESULTS}/MeasuredCharacteristics/CharacteristicMeasurements"
_PIECES = "Results/ActualComponentSets"
#: Lists that say how many they hold; one that is shorter may lack what was measured.
_LISTS = (
    "Product/PartSet",
    "Features/*",
    "Characteristics/*",
    "Characteristics/CharacteristicItems/*/FeatureItemIds",
    "Results/MeasurementResultsSet",
    f"{_RESULTS}/MeasuredFeatures",
    f"{_RESULTS}/MeasuredFeatures/*/PointList",
    f"{_RESULTS}/MeasuredPointSets",
    _CHARACTERISTICS,
    f"{_CHARACTERISTICS}/*/FeatureMeasurementIds",
    f"{_RESULTS}/ActualComponentIds",
    _PIECES,
    f"{_PIECES}/ActualComponentSet",
)
#: What ends the names of attributes for how sure a value is.
_DOUBTS = ("uncertainty", "meanerror")
#: Deviations of single hits, which follow from the hits and the fit.
_DEVIATIONS_OF_HITS = {
    f"{_CHARACTERISTICS}/*/PointDeviations": "deviations of points (PointDeviations)",
    f"{_RESULTS}/MeasuredPointSets/*/Deviations": "deviations of a set's points (Deviations)",
    f"{_RESULTS}/MeasuredPointSets/*/BinaryDeviations":
        "deviations of a set's points (BinaryDeviations)",
}  # fmt: skip
#: Where a remark stands on a measurement.
_NOTED = (f"{_RESULTS}/MeasuredFeatures/*/NotedEventIds", f"{_CHARACTERISTICS}/*/NotedEventIds")


def miscounted(document: Document) -> Iterator[str]:
    """Yield which lists do not hold as many as they say."""
    for path in _LISTS:
        for found in document.root.all(path):
            said = found.attributes.get("n", "").strip()
            held = sum(child.name != "Attributes" for child in found.children)
            if said and said.lstrip("0") != str(held).lstrip("0"):
                counts = f"{found.name} counts '{said}' and holds {held}"
                yield f"row {found.line}: {counts}: is something missing?"


def set_aside(document: Document) -> Iterator[str]:
    """Yield what the document says of measurements to be left out, which nobody here decides."""
    noted = sum(1 for path in _NOTED for _ in document.root.all(path))
    if noted:
        yield f"{noted} measurements with noted events, which are not read"
    statistics = document.root.first("Statistics")
    told = statistics.walk() if statistics is not None else iter(())
    excluded = sum(element.name == "Exclusion" for element in told)
    if excluded:
        yield f"{excluded} exclusions from statistics, which are not applied"


def unread(document: Document) -> Iterator[str]:
    """Yield what a document tells that has no place here, so that nobody thinks it was taken."""
    told = [*document.root.all(f"{_CHARACTERISTICS}/*/Value"),
            *document.root.all(f"{_RESULTS}/MeasuredFeatures/*/Location")]  # fmt: skip
    uncertain = sum(
        any(name.lower().endswith(_DOUBTS) for name in value.attributes) for value in told
    )
    if uncertain:
        yield f"{uncertain} values with an uncertainty or a mean error, which are not read"
    for path, what in _DEVIATIONS_OF_HITS.items():
        lists = sum(1 for _ in document.root.all(path))
        if lists:
            yield f"{lists} lists of {what}, which are not read: hits tell them"


def whole_differences(piece: Piece, found: Sequence[Judged], label: str) -> Iterator[str]:
    """Yield where the status of a run or a piece as a whole is not that of its characteristics."""
    failed = sum(one.recomputed == FAIL for one in found)
    for owner, path in ((piece.results, "InspectionStatus"), (piece.component, "Status")):
        reported = "" if owner is None else _status(owner, path)
        if owner is not None and (
            (reported == PASS and failed) or (reported == FAIL and not failed)
        ):
            yield (
                f"row {owner.line}: {label} is reported as {reported} as a whole ({owner.name}); "
                f"{failed} of its {len(found)} characteristics are {FAIL} by their own numbers"
            )


def _status(owner: Element, path: str) -> str:
    return owner.word(f"{path}/InspectionStatusEnum")
