"""Measured characteristics of a run: deviations of points, and statuses told and recomputed."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from math import isnan, nan

from spc.errors import InputError
from spc.ingest.qif.document import Document
from spc.ingest.qif.points import Reader, was_set
from spc.ingest.qif.runs import Run
from spc.ingest.qif.tolerances import (
    FAIL,
    PASS,
    POINT_PROFILE,
    Limits,
    is_length,
    kind_of,
    reported_status,
    status_of,
    value_of,
    worst_of,
)
from spc.ingest.xml_safe import Element

#: Statuses under which a value of 0 was not measured.
_NOT_DONE = {"NOT_ANALYZED", "INDETERMINATE", "SYSERROR", "UNDEFINED"}
#: A deviation that the file tells may differ from its own numbers by this, mm: printed digits.
DIGITS = 0.0051


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One measured characteristic; lengths in millimetres.

    Parameters
    ----------
    name
        Its name or designator.
    kind
        Its kind in the standard's words, such as PointProfile or Diameter.
    point
        The point it is of; empty where it is of none or several.
    value
        Its value; NaN where it has none.
    limits
        Its limits.
    worst
        Its largest deviations to either side, where it tells them.
    reported, recomputed
        Its status as the file reports it, and by value and limits; empty where not told.
    stamp
        When it was measured, as the document writes it; empty where it does not.
    line
        Where it stands.
    """

    name: str
    kind: str
    point: str
    value: float
    limits: Limits
    worst: tuple[float, ...]
    reported: str
    recomputed: str
    stamp: str
    line: int

    @property
    def tells(self) -> bool:
        """Tell whether it is a deviation of a point, and no filler for none analysed."""
        filler = self.value == 0 and self.reported in _NOT_DONE
        return self.kind == POINT_PROFILE and bool(self.point) and not (isnan(self.value) or filler)


def judged(document: Document, reader: Reader, run: Run) -> list[Judged]:
    """Return the characteristics measured in a run."""
    return [_judged(document, reader, one, run.names) for one in run.characteristics]


def _judged(
    document: Document, reader: Reader, measurement: Element, names: dict[str, str]
) -> Judged:
    item = document.target(measurement, "CharacteristicItemId")
    limits = reader.limits(item)
    value = value_of(document, measurement, reader.units)
    # What is no length has a status, but no value in millimetres.
    length = is_length(measurement)
    return Judged(
        name=_name(item),
        kind=kind_of(measurement),
        point=_point(document, reader, measurement, item, names),
        value=value if length else nan,
        limits=limits if length else Limits(unresolved="no length"),
        worst=worst_of(document, measurement, reader.units),
        reported=reported_status(measurement),
        recomputed=status_of(value, limits),
        stamp=measurement.word("TimeStamp"),
        line=measurement.line,
    )


def _name(item: Element | None) -> str:
    if item is None:
        return "without a name"
    return item.word("Name") or item.word("CharacteristicDesignator/Designator") or "without a name"


def _point(
    document: Document, reader: Reader, measurement: Element, item: Element | None,
    names: dict[str, str],
) -> str:  # fmt: skip
    references = list(measurement.all("FeatureMeasurementIds/Id"))
    measured = list(document.targets(measurement, "FeatureMeasurementIds/Id"))
    if references:
        ids = [m.attributes["id"].strip() for m in measured]
        return names.get(ids[0], "") if len(references) == len(ids) == 1 else ""
    # Two are enough to tell that it is of several, however many a document lists.
    features = list(islice(document.targets(item, "FeatureItemIds/Id"), 2))
    # What is told of a point that was set is no measurement.
    return reader.name_of(features[0]) if len(features) == 1 and not was_set(features[0]) else ""


def deviations(document: Document, reader: Reader, found: Sequence[Judged]) -> list[Judged]:
    """Return the point profiles of a run that tell a deviation, one a point.

    A value of 0 beside another one, or of a characteristic that was not analysed, is a filler.
    """
    by_point: dict[str, list[Judged]] = {}
    for one in found:
        if one.tells:
            _refuse_widths(document, one)
            by_point.setdefault(one.point, []).append(one)
        elif one.kind != POINT_PROFILE or not one.point or isnan(one.value):
            reader.left["characteristics that are no deviation of a point"] += 1
        else:
            reader.left["deviations of 0 that were not analysed"] += 1
    return [_only(document, reader, repeats) for repeats in by_point.values()]


def _refuse_widths(document: Document, one: Judged) -> None:
    """Refuse a value beyond the deviations it is made of: a width, or a size without its sign."""
    ends = one.worst if len(one.worst) == 2 else (0.0, *one.worst)
    if one.worst and not min(ends) - DIGITS <= one.value <= max(ends) + DIGITS:
        told = ", ".join(f"{w:.4g}" for w in one.worst)
        raise InputError(
            f"the value {one.value:.4g} mm of '{one.name}' is no signed deviation, being beyond "
            f"its own largest ones ({told} mm)",
            file=document.name, row=one.line, do="export positions, or signed deviations",
        )  # fmt: skip


def _only(document: Document, reader: Reader, repeats: list[Judged]) -> Judged:
    values = {one.value for one in repeats} - {0.0} or {0.0}
    if len(values) > 1:
        raise InputError(
            f"'{repeats[0].point}' has two deviations in one run, in row {repeats[0].line} too",
            file=document.name, row=repeats[1].line, do="keep one",
        )  # fmt: skip
    if len(repeats) > 1:
        reader.left["repeats of a point without another value"] += len(repeats) - 1
    return next(one for one in repeats if one.value in values)


def differences(found: Sequence[Judged], label: str) -> Iterator[str]:
    """Yield where the status that the file reports is not the one by its own numbers."""
    for one in found:
        if {one.reported, one.recomputed} == {PASS, FAIL}:
            of = f" of {one.point}" if one.point and one.point != one.name else ""
            by = "its value by its limits"
            if not isnan(one.value):
                by = f"its value {one.value:.6g} mm by its limits {_span(one.limits)}"
            yield (
                f"row {one.line}: '{one.name}'{of} of {label} is reported as {one.reported}; {by} "
                f"is {one.recomputed}"
            )


def _span(limits: Limits) -> str:
    if isnan(limits.lower):
        return f"up to {limits.upper:.6g} mm"
    if isnan(limits.upper):
        return f"from {limits.lower:.6g} mm"
    return f"{limits.lower:.6g} to {limits.upper:.6g} mm"
