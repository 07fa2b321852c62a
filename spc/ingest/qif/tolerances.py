"""Characteristics: their limits in every form that the standard has, and their status."""

import re
from dataclasses import dataclass
from math import inf, isnan, nan

from spc.ingest.qif.document import Document, is_measured
from spc.ingest.qif.units import Units
from spc.ingest.xml_safe import Element

PASS, FAIL = "PASS", "FAIL"
#: Floating arithmetic at a limit, relative to it; a value on its limit is inside.
_AT_LIMIT = 1e-9
#: Kinds whose value is a signed distance; the others of geometry are widths of a zone from 0.
POINT_PROFILE = "PointProfile"
PROFILES = (POINT_PROFILE, "LineProfile", "SurfaceProfile")
#: Kinds that are no lengths; an angularity is one.
_NO_LENGTH = re.compile(
    r"Angle|AngularCoordinate|Taper$|Attribute|Temperature|Pressure|Force|Mass|Time|Speed|UserDefined"
)
#: Units of single values that are no lengths; values in different ones are not compared.
_OTHER_UNITS = ("angularUnit", "temperatureUnit", "areaUnit", "forceUnit", "massUnit", "timeUnit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of a characteristic; lengths in millimetres.

    Parameters
    ----------
    lower, upper
        Limits of its value; NaN where that side has none.
    unresolved
        Why they cannot be told; empty where they can.
    """

    lower: float = nan
    upper: float = nan
    unresolved: str = ""


def kind_of(element: Element) -> str:
    """Return the kind of a characteristic or feature by its element's name."""
    for aspect in ("Measurement", "Nominal", "Definition", "Item"):
        for what in ("Characteristic", "Feature"):
            if element.name.endswith(what + aspect):
                return element.name.removesuffix(what + aspect)
    return element.name


def limits_of(
    document: Document, nominal: Element | None, units: Units, *, signed: bool = False
) -> Limits:
    """Return the limits of a characteristic from its nominal and its definition.

    A zone of a profile is returned as limits on the signed deviation from the nominal where
    ``signed`` says so, else as limits on the characteristic's own value.
    """
    definition = document.target(nominal, "CharacteristicDefinitionId")
    if nominal is None or definition is None:
        return Limits(unresolved="no definition")
    zone = definition.first("ToleranceValue")
    if zone is not None:
        return _zone(document, nominal, definition, zone, units, signed)
    tolerance = definition.first("Tolerance")
    if tolerance is None:
        return Limits()
    return _dimensional(document, nominal, tolerance, units)


def _zone(
    document: Document, nominal: Element, definition: Element, zone: Element, units: Units,
    signed: bool,
) -> Limits:  # fmt: skip
    """Return the limits of a geometric characteristic: a zone of a width.

    The schema's own words are followed: ``OuterDisposition`` is the upper limit of the zone,
    ``UnequallyDisposedZone`` its centre, both positive outside the material.
    """
    width = _length(document, zone, units)
    if width < 0:
        return Limits(unresolved="a zone of a width below 0")
    if definition.word("MaterialCondition") not in ("", "NONE", "REGARDLESS"):
        return Limits(unresolved="a bonus from the feature's size")
    target = nominal.first("TargetValue")
    if definition.word("OffsetZone") in ("true", "1") or (
        target is not None and document.number(target) != 0
    ):
        return Limits(unresolved="a zone that may be offset")
    if kind_of(definition) != POINT_PROFILE and not signed:
        return Limits(lower=0.0, upper=width)
    outer, center = definition.first("OuterDisposition"), definition.first("UnequallyDisposedZone")
    upper = width / 2
    if outer is not None:
        upper = _length(document, outer, units)
    elif center is not None:
        upper = _length(document, center, units) + width / 2
    return Limits(lower=upper - width, upper=upper)


def _dimensional(document: Document, nominal: Element, tolerance: Element, units: Units) -> Limits:
    """Return the limits of a dimension, absolute or relative to its target, one-sided or not."""
    if tolerance.first("DefinitionId") is not None:
        found = document.target(tolerance, "DefinitionId")
        if found is None:
            return Limits(unresolved="a tolerance defined elsewhere")
        tolerance = found.first("Tolerance") or found
    ends = [_first_length(document, tolerance, name, units) for name in ("MinValue", "MaxValue")]
    if ends[0] > ends[1]:
        return Limits(unresolved="limits the wrong way round")
    if tolerance.word("DefinedAsLimit") in ("true", "1"):
        return Limits(lower=ends[0], upper=ends[1])
    target = _first_length(document, nominal, "TargetValue", units)
    if isnan(target) and not (isnan(ends[0]) and isnan(ends[1])):
        return Limits(unresolved="no target value")
    return Limits(lower=target + ends[0], upper=target + ends[1])


def _first_length(document: Document, element: Element, name: str, units: Units) -> float:
    found = element.first(name)
    return nan if found is None else _length(document, found, units)


def _length(document: Document, element: Element, units: Units) -> float:
    return document.number(element) * units.millimetres(document, element)


def value_of(document: Document, measurement: Element, units: Units) -> float:
    """Return the value of a measured characteristic, mm; NaN where it has none that was measured.

    Values that are no lengths are returned in a unit of their own; so are their limits.
    """
    value = measurement.first("Value")
    if value is None or not value.text or not is_measured(value):
        return nan
    if kind_of(measurement).endswith("Attribute") or any(
        k in value.attributes for k in _OTHER_UNITS
    ):
        return nan
    return _length(document, value, units)


def is_length(measurement: Element) -> bool:
    """Tell whether what a characteristic measures is a length."""
    value = measurement.first("Value")
    other = value is not None and any(k in value.attributes for k in _OTHER_UNITS)
    return not other and _NO_LENGTH.search(kind_of(measurement)) is None


def worst_of(document: Document, measurement: Element, units: Units) -> tuple[float, ...]:
    """Return the largest deviations to either side that a profile tells, mm; empty for none."""
    found = (measurement.first(f"Worst{side}Deviation") for side in ("Positive", "Negative"))
    return tuple(
        _length(document, one, units)
        for one in found
        if one is not None and one.text and is_measured(one)
    )


def reported_status(measurement: Element) -> str:
    """Return the status that the file reports of a characteristic; empty where it does not."""
    status = measurement.first("Status")
    if status is None:
        return ""
    return status.word("CharacteristicStatusEnum") or status.word("OtherCharacteristicStatus")


def status_of(value: float, limits: Limits) -> str:
    """Return the status of a value by its limits; empty where it cannot be told.

    A value on its limit passes, with the slack of floating arithmetic.
    """
    lower = -inf if isnan(limits.lower) else limits.lower
    upper = inf if isnan(limits.upper) else limits.upper
    if isnan(value) or limits.unresolved or (lower == -inf and upper == inf):
        return ""
    slack = _AT_LIMIT * max(1.0, abs(value))
    return PASS if lower - slack <= value <= upper + slack else FAIL
