"""The plan's points as a QIF 3.0 document (ISO 23952) holds them: features and characteristics.

Elements stand in the order of the schemas Features.xsd and Characteristics.xsd.
"""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from math import isfinite
from xml.etree.ElementTree import Element, SubElement

from spc.pages.html import clean
from spc.plan import Plan, PlanPoint

#: What every characteristic of a point is: the profile of a surface, looked at in a point.
KIND = "PointProfileCharacteristic"


class Ids:
    """The numbers that a document's objects are known by, one after the other."""

    def __init__(self) -> None:
        self.last = 0

    def __call__(self) -> str:
        """Return the next one."""
        self.last += 1
        return str(self.last)


def add(parent: Element, kind: str, text: str = "", /, **attributes: str) -> Element:
    """Add an element with text that is text, whatever it holds; return it."""
    found = SubElement(parent, kind, {k: clean(v) for k, v in attributes.items()})
    found.text = clean(text) or None
    return found


def number(value: float) -> str:
    """Return a number exactly, as the schema's decimal: digits without an exponent."""
    return format(Decimal(repr(float(value))), "f")


def attributes(parent: Element, pairs: Iterable[tuple[str, str]]) -> None:
    """Add what the standard has no element for, by name."""
    told = list(pairs)
    held = add(parent, "Attributes", n=str(len(told)))
    for name, value in told:
        add(held, "AttributeStr", name=name, value=value)


def units(parent: Element) -> None:
    """Add the unit: every length of the document is in millimetres."""
    unit = add(add(add(parent, "FileUnits"), "PrimaryUnits"), "LinearUnit")
    add(unit, "SIUnitName", "meter")
    add(unit, "UnitName", "mm")
    add(add(unit, "UnitConversion"), "Factor", "0.001")


def product(parent: Element, plan: Plan, ids: Ids) -> None:
    """Add the part and its revision."""
    parts = add(add(parent, "Product"), "PartSet", n="1")
    part = add(parts, "Part", id=ids())
    add(part, "ModelNumber", plan.part)
    if plan.revision:
        add(part, "Version", plan.revision)


def features(parent: Element, plan: Plan, ids: Ids) -> dict[str, str]:
    """Add a point feature for every point of the plan; return the numbers of their items."""
    held, points = add(parent, "Features"), plan.points
    definitions, nominals, items = _three(held, "Feature", len(points))
    numbers = {}
    for point in points:
        definition, nominal, numbers[point.id] = ids(), ids(), ids()
        add(definitions, "PointFeatureDefinition", id=definition)
        at = add(nominals, "PointFeatureNominal", id=nominal)
        add(at, "FeatureDefinitionId", definition)
        add(at, "Location", " ".join(number(v) for v in point.nominal))
        add(at, "Normal", " ".join(number(v) for v in point.normal))
        item = add(items, "PointFeatureItem", id=numbers[point.id])
        add(item, "FeatureNominalId", nominal)
        add(item, "FeatureName", point.id)
        how = add(add(item, "DeterminationMode"), "Checked")
        add(add(how, "CheckDetails"), "Measured")
    return numbers


def characteristics(parent: Element, plan: Plan, of: Mapping[str, str], ids: Ids) -> dict[str, str]:
    """Add the profile tolerance of every point that has one on both sides.

    The standard's profile zone has two sides; a tolerance with one has no place there.
    """
    wanted = [p for p in plan.check_points if _both(p)]
    if not wanted:
        return {}
    definitions, nominals, items = _three(
        add(parent, "Characteristics"), "Characteristic", len(wanted)
    )
    numbers = {}
    for point in wanted:
        definition, nominal, numbers[point.id] = ids(), ids(), ids()
        _zone(add(definitions, f"{KIND}Definition", id=definition), point)
        add(add(nominals, f"{KIND}Nominal", id=nominal), "CharacteristicDefinitionId", definition)
        item = add(items, f"{KIND}Item", id=numbers[point.id])
        add(item, "Name", point.id)
        add(add(item, "FeatureItemIds", n="1"), "Id", of[point.id])
        add(item, "CharacteristicNominalId", nominal)
    return numbers


def _three(parent: Element, kind: str, n: int) -> Sequence[Element]:
    return [add(parent, f"{kind}{what}", n=str(n)) for what in ("Definitions", "Nominals", "Items")]


def _both(point: PlanPoint) -> bool:
    known = [v for v in (point.lower, point.upper) if v is not None and isfinite(v)]
    return len(known) == 2


def _zone(definition: Element, point: PlanPoint) -> None:
    """Add the width of the zone, and its upper side where it does not lie evenly."""
    lower, upper = Decimal(repr(point.lower)), Decimal(repr(point.upper))
    add(definition, "ToleranceValue", format(upper - lower, "f"))
    if upper != -lower:
        add(definition, "OuterDisposition", format(upper, "f"))
