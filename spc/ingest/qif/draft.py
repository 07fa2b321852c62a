"""A plan drafted from a document: its points with nominals, normals and tolerances.

What a document does not say is left for people: which points hold the alignment, and whatever is
missing. The draft is no plan before they have decided.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from math import isnan

import numpy as np

from spc.errors import InputError
from spc.ingest.checked import Declared, Lookup
from spc.ingest.kinds import XML, kind_of
from spc.ingest.qif.agreement import turned_points
from spc.ingest.qif.characteristics import judged
from spc.ingest.qif.document import Document, open_document
from spc.ingest.qif.names import part_of
from spc.ingest.qif.points import POINT_KINDS, Nominal, Reader
from spc.ingest.qif.runs import runs_of
from spc.ingest.qif.tolerances import PROFILES, Limits, limits_of
from spc.ingest.qif.tolerances import kind_of as kind_of_element
from spc.ingest.qif.units import units_of
from spc.ingest.toml_out import comment, quoted
from spc.ingest.xml_safe import Element
from spc.units import MILLIMETRES

UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanDraft:
    """A plan drafted from a file.

    Parameters
    ----------
    file
        The file.
    part, revision
        As the file or the user says; empty where neither does.
    unit
        Unit of the plan.
    points, fit_points
        How many points there are, and how many of them were said to hold the alignment.
    open
        What is left to decide or to fill in, one sentence each.
    text
        The draft, TOML.
    """

    file: str
    part: str
    revision: str
    unit: str
    points: int
    fit_points: int
    open: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drafted:
    nominal: Nominal
    limits: Limits
    role: str


def draft_plan(data: bytes, name: str, declared: Declared, fit: Sequence[str] = ()) -> PlanDraft:
    """Draft a plan from the nominals of a QIF document.

    Parameters
    ----------
    data, name
        The file's bytes and its name.
    declared
        Unit, part and revision where the file does not say them; what names a point.
    fit
        Names, or patterns such as ``deck-*``, of points that hold the alignment.

    Raises
    ------
    InputError
        Where the file is no such document, has no points, or none of a name in ``fit``.
    """
    if kind_of(data, name) != XML:
        raise InputError("a plan is drafted from a QIF document only", file=name,
                         do="write the plan by hand; see 'spc guide plan'")  # fmt: skip
    document = open_document(data, name)
    units = units_of(document, declared.unit)
    reader = Reader(document, units, declared.qif.get("point", Lookup(place="FeatureName")).place)
    nominals = _nominals(document, reader)
    roles = _roles([n.name for n in nominals], fit, name)
    limits = _limits(document, reader)
    missing = [*_without_nominal(document, reader), *_turned(document, reader)]
    points = [
        _Drafted(nominal=n, limits=limits.get(n.name, Limits()), role=roles[n.name])
        for n in nominals
    ]
    head = _head(document, declared)
    left = [*_open(points, head), *missing]
    return PlanDraft(
        file=name, part=head["part"], revision=head["revision"], unit=units.name,
        points=len(points), fit_points=sum(p.role == "fit" for p in points), open=tuple(left),
        text=_text(name, head, units.name, points, left),
    )  # fmt: skip


def _nominals(document: Document, reader: Reader) -> list[Nominal]:
    """Return the nominal of each point feature, once a name."""
    found: dict[str, Nominal] = {}
    for item in document.root.all("Features/FeatureItems/*"):
        name = reader.name_of(item)
        if kind_of_element(item) not in POINT_KINDS or not name:
            continue
        nominal = reader.nominal_of(item, name)
        if nominal is None:
            continue
        before = found.setdefault(name, nominal)
        if not _same(before, nominal):
            raise InputError(
                f"two points are called '{name}'", file=document.name, row=nominal.element.line,
                do="say under [qif] in a mapping what else names a point, such as UUID",
            )  # fmt: skip
    if not found:
        raise InputError("no point has a nominal in it", file=document.name,
                         do="export the features with their nominals")  # fmt: skip
    return list(found.values())


def _same(one: Nominal, other: Nominal) -> bool:
    first, second = (n.normal if n.normal is not None else np.zeros(3) for n in (one, other))
    return np.array_equal(one.position, other.position) and np.array_equal(first, second)


def _without_nominal(document: Document, reader: Reader) -> list[str]:
    """Say which points are left out, since the document has no place for them."""
    names = [
        name for item in document.root.all("Features/FeatureItems/*")
        if kind_of_element(item) in POINT_KINDS and (name := reader.name_of(item))
        and reader.nominal_of(item, name) is None
    ]  # fmt: skip
    return [f"add {_listed(names)}, for which the file has no nominal"] if names else []


def _turned(document: Document, reader: Reader) -> list[str]:
    """Say at which points the document's own deviations go against its normals."""
    try:
        runs = runs_of(document, reader)
        found = [turned_points(judged(document, reader, run), run.points) for run in runs]
    except InputError:
        # A draft needs no results; those that cannot be read are refused when they come in.
        return []
    names = sorted(set().union(*found))
    words = "look at the normals, by which the file's own deviations have the opposite sign, of"
    return [f"{words} {_listed(names)}"] if names else []


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return ", ".join(names[:6]) + more


def _roles(names: Sequence[str], fit: Sequence[str], file: str) -> dict[str, str]:
    if not fit:
        return dict.fromkeys(names, UNDECIDED)
    roles = dict.fromkeys(names, "check")
    for pattern in fit:
        meant = [n for n in names if n == pattern] or [n for n in names if fnmatchcase(n, pattern)]
        if not meant:
            raise InputError(
                f"no point '{pattern}'", file=file,
                do=f"it has {', '.join(names[:6])}" + (" and more" if len(names) > 6 else ""),
            )  # fmt: skip
        roles |= dict.fromkeys(meant, "fit")
    return roles


def _limits(document: Document, reader: Reader) -> dict[str, Limits]:
    """Return the limits on each point's deviation; unresolved where more than one profile holds."""
    items = {i.attributes.get("id", "").strip(): i
             for i in document.root.all("Characteristics/CharacteristicItems/*")
             if kind_of_element(i) in PROFILES}  # fmt: skip
    of: dict[str, set[str]] = {}
    for identity, item in items.items():
        for feature in document.targets(item, "FeatureItemIds/Id"):
            of.setdefault(reader.name_of(feature), set()).add(identity)
    for measured in document.root.all(
        "Results/MeasurementResultsSet/MeasurementResults/MeasuredCharacteristics/"
        "CharacteristicMeasurements/*"
    ):
        of_it = document.target(measured, "CharacteristicItemId")
        identity = "" if of_it is None else of_it.attributes["id"].strip()
        for feature in document.targets(measured, "FeatureMeasurementIds/Id"):
            name = reader.name_of(document.target(feature, "FeatureItemId"))
            if identity in items:
                of.setdefault(name, set()).add(identity)
    return {
        name: _one(document, reader, [items[i] for i in sorted(found)])
        for name, found in of.items()
    }


def _one(document: Document, reader: Reader, items: list[Element]) -> Limits:
    found = [
        limits_of(
            document, document.target(i, "CharacteristicNominalId"), reader.units, signed=True
        )
        for i in items
    ]
    if len({(x.lower, x.upper, x.unresolved) for x in found}) > 1:
        return Limits(unresolved=f"{len(found)} profiles")
    return found[0]


def _head(document: Document, declared: Declared) -> dict[str, str]:
    pieces = document.root.all("Results/ActualComponentSets/ActualComponentSet/ActualComponent")
    parts = {part_of(document, piece) for piece in pieces} or {part_of(document, None)}
    told = parts.pop() if len(parts) == 1 else ("", "")
    said = declared.constants
    part = said.get("part") or told[0]
    return {"part": part, "revision": said.get("revision") or told[1], "name": part}


def _open(points: Sequence[_Drafted], head: dict[str, str]) -> list[str]:
    left = [f"fill in {key}" for key in ("part", "revision", "name") if not head[key]]
    if any(p.role == UNDECIDED for p in points):
        left.append('say which points hold the alignment: role = "fit" or "check", or --fit')
    for words, which in (
        ("fill in the normal of", [p for p in points if p.nominal.normal is None]),
        ("correct the normal, which is not 1 long, of", [p for p in points if p.nominal.crooked]),
        ("decide the tolerance of", [p for p in points if p.limits.unresolved]),
    ):
        if which:
            left.append(f"{words} {_listed([p.nominal.name for p in which])}")
    return left


def _text(
    file: str, head: dict[str, str], unit: str, points: Sequence[_Drafted], left: Sequence[str]
) -> str:
    lines = [f"# Drafted from {quoted(file)}: read it before you add it."]
    lines += [f"# To do: {comment(sentence)}" for sentence in left]
    lines += [f"{key} = {quoted(head[key])}" for key in ("part", "revision", "name")]
    lines += [f"unit = {quoted(unit)}", "", "[fit]", 'method = "least squares"']
    for point in points:
        lines += ["", *_point_text(point, MILLIMETRES[unit])]
    return "\n".join(lines) + "\n"


def _point_text(point: _Drafted, per: float) -> list[str]:
    nominal, limits = point.nominal, point.limits
    lines = [
        "[[point]]", f"id = {quoted(nominal.name)}", f"role = {quoted(point.role)}",
        f"nominal = {_list([float(v) / per for v in nominal.position])}",
    ]  # fmt: skip
    if nominal.normal is None:
        lines.append("normal = []  # the file gives none: fill it in")
    else:
        lines.append(f"normal = {_list([float(v) for v in nominal.normal])}")
    if limits.unresolved:
        lines.append(f"# tolerance: {limits.unresolved}; decide it")
    elif not (isnan(limits.lower) and isnan(limits.upper)):
        lines.append(
            f"tolerance = {_list([_end(limits.lower, per, -1), _end(limits.upper, per, 1)])}"
        )
    return lines


def _end(limit: float, per: float, side: int) -> float:
    return side * float("inf") if isnan(limit) else limit / per


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(_float(v) for v in values) + "]"


def _float(value: float) -> str:
    """Return a TOML float: a unit's factor leaves its last digits behind, so twelve are written."""
    text = f"{value + 0.0:.12g}"
    return text if any(c in text for c in ".en") else f"{text}.0"
