"""A plan's points as QIF 3.0 features, and their tolerances as characteristics.

A tolerance with two limits is the profile of a point: a zone with a width. The standard's profile
has no zone that is open to one side and none without a width, so that a point with one limit, or
none, is a linear characteristic of our own definition with the same value: the signed deviation.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from math import isfinite
from xml.etree.ElementTree import Element, SubElement

from spc.pages.qif_elements import Ids, decimal, identified, numbers, own_id, put, put_list, refer
from spc.plan import Plan, PlanPoint

PROFILE, OPEN = "PointProfile", "UserDefinedLinear"
#: What is measured, where the standard has no characteristic of that name.
DEVIATION = "signed deviation of the point from the nominal surface, positive along its normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A point's characteristic in a document.

    Parameters
    ----------
    kind
        ``PointProfile``, or ``UserDefinedLinear`` where the zone is open.
    item
        Id of its item.
    """

    kind: str
    item: str


def put_product(root: Element, plan: Plan, ids: Ids) -> None:
    """Add the part and its revision."""
    part = identified("Part", ids)
    put(part, "ModelNumber", plan.part)
    if plan.revision:
        put(part, "Version", plan.revision)
    put_list(put(root, "Product"), "PartSet", [part])


def put_points(root: Element, plan: Plan, ids: Ids) -> dict[str, Held]:
    """Add features of all points, and characteristics of those that are judged or have a limit."""
    definition = identified("PointFeatureDefinition", ids)
    nominals = {p.id: _nominal(p, own_id(definition), ids) for p in plan.points}
    items = {p.id: _item(p, own_id(nominals[p.id]), ids) for p in plan.points}
    features = put(root, "Features")
    put_list(features, "FeatureDefinitions", [definition])
    put_list(features, "FeatureNominals", list(nominals.values()))
    put_list(features, "FeatureItems", list(items.values()))
    return _put_characteristics(root, plan, nominals, items, ids)


def _nominal(point: PlanPoint, definition: str, ids: Ids) -> Element:
    nominal = identified("PointFeatureNominal", ids)
    put(nominal, "FeatureDefinitionId", definition)
    put(nominal, "Location", numbers(point.nominal))
    put(nominal, "Normal", numbers(point.normal))
    return nominal


def _item(point: PlanPoint, nominal: str, ids: Ids) -> Element:
    item = identified("PointFeatureItem", ids)
    put(item, "FeatureNominalId", nominal)
    put(item, "FeatureName", point.id)
    checked = put(put(item, "DeterminationMode"), "Checked")
    put(put(checked, "CheckDetails"), "Measured")
    return item


def _put_characteristics(
    root: Element, plan: Plan, nominals: Mapping[str, Element], items: Mapping[str, Element],
    ids: Ids,
) -> dict[str, Held]:  # fmt: skip
    judged = [p for p in plan.points if p in plan.check_points or any(limits_of(p))]
    if not judged:
        return {}
    lists: tuple[list[Element], ...] = ([], [], [])
    held = {}
    for point in judged:
        kind = PROFILE if None not in limits_of(point) else OPEN
        definition = _definition(point, kind, ids)
        nominal = identified(f"{kind}CharacteristicNominal", ids)
        put(nominal, "CharacteristicDefinitionId", own_id(definition))
        refer(nominal, "FeatureNominalIds", [own_id(nominals[point.id])])
        item = identified(f"{kind}CharacteristicItem", ids)
        put(item, "Name", point.id)
        refer(item, "FeatureItemIds", [own_id(items[point.id])])
        put(item, "CharacteristicNominalId", own_id(nominal))
        held[point.id] = Held(kind=kind, item=own_id(item))
        for rows, row in zip(lists, (definition, nominal, item), strict=True):
            rows.append(row)
    holder = put(root, "Characteristics")
    for what, rows in zip(("Definitions", "Nominals", "Items"), lists, strict=True):
        put_list(holder, f"Characteristic{what}", rows)
    return held


def limits_of(point: PlanPoint) -> tuple[float | None, float | None]:
    """Return a point's limits, mm; None on a side that has none."""
    lower, upper = (None if v is None or not isfinite(v) else v for v in (point.lower, point.upper))
    return lower, upper


def _definition(point: PlanPoint, kind: str, ids: Ids) -> Element:
    definition = identified(f"{kind}CharacteristicDefinition", ids)
    lower, upper = limits_of(point)
    if lower is not None and upper is not None:
        # The difference of the numbers as they are written, so that a reader gets them back.
        low, high = Decimal(repr(float(lower))), Decimal(repr(float(upper)))
        put(definition, "ToleranceValue", format(high - low, "f"))
        if high != -low:
            put(definition, "OuterDisposition", decimal(upper))
        return definition
    if lower is None and upper is None:
        put(definition, "NonTolerance", "MEASURED")
    else:
        tolerance = SubElement(definition, "Tolerance")
        if upper is not None:
            put(tolerance, "MaxValue", decimal(upper))
        if lower is not None:
            put(tolerance, "MinValue", decimal(lower))
        put(tolerance, "DefinedAsLimit", "true")
    put(definition, "WhatToMeasure", DEVIATION)
    return definition
