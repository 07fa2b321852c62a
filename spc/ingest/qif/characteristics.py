"""Measured characteristics of a run: deviations of points, and statuses told and recomputed."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isnan, nan

import numpy as np

from spc.errors import InputError
from spc.ingest.qif.document import Document
from spc.ingest.qif.points import UNIT_LENGTH, Measured, Reader
from spc.ingest.qif.runs import Run
from spc.ingest.qif.tolerances import (
    FAIL,
    PASS,
    POINT_PROFILE,
    Limits,
    kind_of,
    reported_status,
    status_of,
    value_of,
)
from spc.ingest.xml_safe import Element

#: Statuses under which a value of 0 was not measured.
_NOT_DONE = {"NOT_ANALYZED", "INDETERMINATE", "SYSERROR", "UNDEFINED"}
#: A deviation that the file tells may differ from its own positions by this, mm: printed digits.
_DIGITS = 0.0051


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
    reported, recomputed
        Its status as the file reports it, and by value and limits; empty where not told.
    line
        Where it stands.
    """

    name: str
    kind: str
    point: str
    value: float
    limits: Limits
    reported: str
    recomputed: str
    line: int


def judged(document: Document, reader: Reader, run: Run) -> list[Judged]:
    """Return the characteristics measured in a run."""
    names = {p.feature.attributes.get("id", "").strip(): p.name for p in run.points}
    return [_judged(document, reader, one, names) for one in run.characteristics]


def _judged(
    document: Document, reader: Reader, measurement: Element, names: dict[str, str]
) -> Judged:
    item = document.target(measurement, "CharacteristicItemId")
    limits = reader.limits(item)
    value = value_of(document, measurement, reader.units)
    return Judged(
        name=_name(item),
        kind=kind_of(measurement),
        point=_point(document, reader, measurement, item, names),
        value=value,
        limits=limits,
        reported=reported_status(measurement),
        recomputed=status_of(value, limits),
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
    measured = [reference.text for reference in measurement.all("FeatureMeasurementIds/Id")]
    if len(measured) == 1:
        return names.get(measured[0], "")
    features = list(document.targets(item, "FeatureItemIds/Id"))
    return reader.name_of(features[0]) if not measured and len(features) == 1 else ""


def deviations(document: Document, reader: Reader, found: Sequence[Judged]) -> list[Judged]:
    """Return the point profiles of a run that tell a deviation, one a point.

    A value of 0 beside another one, or of a characteristic that was not analysed, is a filler.
    """
    by_point: dict[str, list[Judged]] = {}
    for one in found:
        if one.kind != POINT_PROFILE or not one.point or isnan(one.value):
            reader.left["characteristics that are no deviation of a point"] += 1
        elif one.value == 0 and one.reported in _NOT_DONE:
            reader.left["deviations of 0 that were not analysed"] += 1
        else:
            by_point.setdefault(one.point, []).append(one)
    return [_only(document, reader, repeats) for repeats in by_point.values()]


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
            yield (
                f"row {one.line}: '{one.name}'{of} of {label} is reported as {one.reported}; its "
                f"value {one.value:.6g} mm by its limits {_span(one.limits)} is {one.recomputed}"
            )


def _span(limits: Limits) -> str:
    if isnan(limits.lower):
        return f"up to {limits.upper:.6g} mm"
    if isnan(limits.upper):
        return f"from {limits.lower:.6g} mm"
    return f"{limits.lower:.6g} to {limits.upper:.6g} mm"


def contradictions(
    found: Sequence[Judged], points: Sequence[Measured], label: str
) -> Iterator[str]:
    """Yield where a deviation that the file tells is not that of the position it tells."""
    told = {one.point: one for one in found if one.kind == POINT_PROFILE and one.point}
    for point in points:
        one, own = told.get(point.name), _own(point)
        if one is not None and not isnan(one.value) and abs(one.value - own) > _DIGITS:
            how = "without its sign" if abs(one.value - abs(own)) <= _DIGITS else "otherwise"
            yield (
                f"row {one.line}: the deviation of '{point.name}' of {label} is told {how}: "
                f"{one.value:.4g} mm, and {own:.4g} mm by its position"
            )


def _own(point: Measured) -> float:
    """Return the deviation of a point by its position; NaN where it cannot be told."""
    nominal, place = point.nominal, point.location
    if len(point.hits) and not point.frame:
        place = point.hits.mean(axis=0)
    if nominal is None or nominal.normal is None or place is None:
        return nan
    if abs(float(np.linalg.norm(nominal.normal)) - 1.0) > UNIT_LENGTH:
        return nan
    return float((place - nominal.position) @ nominal.normal)
