"""A small walker that holds a QIF document against the restated schema in tests/reference."""

import json
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

Table = dict[str, Any]
REFERENCE = Path(__file__).parent / "reference"
TABLE: Table = json.loads((REFERENCE / "qif_statistics_elements.json").read_text("utf-8"))
_RESULTS = json.loads((REFERENCE / "qif_results_elements.json").read_text("utf-8"))
#: With measurement results: what differs from a document of statistics comes in its place.
RESULTS: Table = {
    part: TABLE[part] | _RESULTS[part] for part in ("types", "simple")
}  # fmt: skip
SPACE = "{http://qifstandards.org/xsd/qif3}"
_INSTANCE = "{http://www.w3.org/2001/XMLSchema-instance}"
#: What each reference must lead to, by its name or, for Id, by the name of its list.
LEADS = {
    "FeatureDefinitionId": "FeatureDefinitions", "FeatureNominalId": "FeatureNominals",
    "FeatureNominalIds": "FeatureNominals", "FeatureItemIds": "FeatureItems",
    "CharacteristicDefinitionId": "CharacteristicDefinitions",
    "CharacteristicItemIds": "CharacteristicItems", "StudyId": "StatisticalStudyPlans",
    "ControlMethodId": "ControlMethods", "StudyIssueId": "StudyIssues",
    "AssignableCauseIds": "AssignableCauses", "CorrectiveActionIds": "CorrectiveActions",
    "FeatureItemId": "FeatureItems", "CharacteristicItemId": "CharacteristicItems",
    "FeatureMeasurementIds": "MeasuredFeatures", "WholePointSetId": "MeasuredPointSets",
    "ActualComponentIds": "ActualComponentSet", "ActualComponentId": "ActualComponentSet",
}  # fmt: skip


def wrongs(data: bytes, table: Table = TABLE) -> list[str]:
    """Return what a document does against the schema: order, occurrence, types, ids."""
    root = ElementTree.fromstring(data)
    found = [] if root.tag == f"{SPACE}QIFDocument" else [f"root {root.tag}"]
    return found + _walk(root, "QIFDocumentType", "QIFDocument", table) + _ids(root)


def _walk(element: ElementTree.Element, kind: str, path: str, table: Table) -> list[str]:
    if kind.startswith("fixed "):
        return [] if element.text == kind[6:] else [f"{path}: not {kind[6:]}"]
    if kind in table["simple"]:
        return _simple(element, kind, path, table)
    return _attributes(element, kind, path, table) + _children(element, kind, path, table)


def _simple(element: ElementTree.Element, kind: str, path: str, table: Table) -> list[str]:
    if len(element) or element.attrib:
        return [f"{path}: more than a {kind}"]
    text = element.text or ""
    return [] if re.fullmatch(table["simple"][kind], text) else [f"{path}: {text!r} is no {kind}"]


def _attributes(element: ElementTree.Element, kind: str, path: str, table: Table) -> list[str]:
    # Where a schema lies is no part of what it asks.
    told = {name: text for name, text in element.attrib.items() if not name.startswith(_INSTANCE)}
    asked = table["types"][kind]["attributes"]
    if set(told) != set(asked):
        return [f"{path}: attributes {sorted(told)}, not {sorted(asked)}"]
    wrong = [f"{path}@{name}: {told[name]!r} is no {rule}" for name, rule in asked.items()
             if not re.fullmatch(rule[6:] if rule.startswith("fixed ") else table["simple"][rule],
                                 told[name])]  # fmt: skip
    if "n" in told and told["n"] != str(len(element)):
        wrong.append(f"{path}@n: {told['n']}, and {len(element)} children")
    return wrong


def _children(element: ElementTree.Element, kind: str, path: str, table: Table) -> list[str]:
    wrong: list[str] = []
    if (element.text or "").strip():
        wrong.append(f"{path}: text {element.text!r}")
    left = list(element)
    for words, least, most in table["types"][kind]["sequence"]:
        options: dict[str, str] = dict(part.split(":", 1) for part in words.split(" | "))
        seen = 0
        while left and left[0].tag.removeprefix(SPACE) in options and (most is None or seen < most):
            child = left.pop(0)
            name = child.tag.removeprefix(SPACE)
            wrong += _walk(child, options[name], f"{path}/{name}", table)
            seen += 1
        if seen < least:
            wrong.append(f"{path}: {seen} of {words[:60]}")
    return wrong + [f"{path}: {child.tag.removeprefix(SPACE)} has no place there" for child in left]


def _ids(root: ElementTree.Element) -> list[str]:
    ids = [e.get("id", "") for e in root.iter() if e.get("id") is not None]
    wrong = [] if len(set(ids)) == len(ids) else ["an id twice"]
    if max(map(int, ids)) != int(root.get("idMax", "0")):
        wrong.append("idMax is not the largest id")
    holders: dict[str, set[str]] = {}
    for holder in root.iter():
        name = holder.tag.removeprefix(SPACE)
        holders.setdefault(name, set()).update(c.get("id", "") for c in holder)
    for element in root.iter():
        name = element.tag.removeprefix(SPACE)
        if name in LEADS:
            for reference in list(element) or [element]:
                if (reference.text or "").strip() not in holders.get(LEADS[name], set()):
                    wrong.append(f"{name} {reference.text} leads nowhere")
    return wrong


def texts(data: bytes, path: str) -> list[str]:
    """Return the texts at a path of names below the root."""
    steps = "/".join(step if step in ("*", ".") else f"{SPACE}{step}" for step in path.split("/"))
    return [e.text or "" for e in ElementTree.fromstring(data).findall(f".//{steps}")]


def values(data: bytes, study: str) -> dict[str, str]:
    """Return the statistical values of the results of one name."""
    for results in ElementTree.fromstring(data).iter():
        if results.tag.endswith("StudyResults") and results.findtext(f"{SPACE}Name") == study:
            stats: Any = next(results.iter(f"{SPACE}ValueStats"))
            return {v.tag.removeprefix(SPACE): v.findtext(f"{SPACE}Value") or "" for v in stats}
    raise KeyError(study)
