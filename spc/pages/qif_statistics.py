"""A month's statistics as a document of the Quality Information Framework (ISO 23952, QIF 3.0).

Elements stand in the order of the schemas QIFDocument.xsd, QIFStatistics.xsd and Statistics.xsd.
The standard names no characteristic in a statistic of its own, so each carries the number of its
characteristic and the name of its point as attributes, with the ends of indices' intervals.
"""

import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import numpy as np

from spc.charts.rules import RULES
from spc.errors import InputError
from spc.pages.qif_plan import KIND, Ids, add, attributes, characteristics, features, number
from spc.pages.qif_plan import product as add_product
from spc.pages.qif_plan import units as add_units
from spc.pages.tables import Written
from spc.studies.capability_points import PointCapability
from spc.studies.month import Month
from spc.studies.point_state import PointState
from spc.studies.signals import ListedSignal

NAMESPACE = "http://qifstandards.org/xsd/qif3"
#: Our verdicts in the standard's words; any other is told as it is.
STATUSES = {"shown": "PASS", "not shown": "FAIL"}
#: The indices that the standard has an element for.
INDICES = ("Cp", "Cpk", "Pp", "Ppk", "Cpm")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What statistics refer to: running numbers, and characteristics by the name of their point."""

    ids: Ids
    items: dict[str, str]


def write_statistics(path: Path, month: Month) -> Written:
    """Write a month's statistics; the same month gives the same bytes.

    Raises
    ------
    InputError
        Where the file cannot be written.
    """
    root = document(month)
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    try:
        path.write_bytes(text + b"\n")
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=str(path), do="close it elsewhere"
        ) from None
    return Written(path=path, rows=len(root.findall(f".//{KIND}Stats")))


def document(month: Month) -> Element:
    """Return the document's root."""
    root, ids = Element("QIFDocument", {"xmlns": NAMESPACE, "versionQIF": "3.0.0"}), Ids()
    add(root, "QPId", _identity(month))
    header = add(root, "Header")
    about = f"{month.plan.part} {month.plan.revision}, {month.period.name}"
    made = f"by spc {month.version}; data fingerprint {month.fingerprint}"
    add(header, "Description", f"Statistics of {about}, {made}")
    add(header, "Scope", "Statistics")
    add_units(root)
    add_product(root, month.plan, ids)
    known = _Known(
        items=characteristics(root, month.plan, features(root, month.plan, ids), ids), ids=ids
    )
    studies = add(add(root, "Statistics"), "StatisticalStudiesResults", n="2")
    _period(studies, month, known)
    _capability(studies, month, known)
    root.set("idMax", str(ids.last))
    return root


def _identity(month: Month) -> str:
    """Return the document's name for good: that of the data that it is made from."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"{month.fingerprint} {month.period.name}"))


def _period(studies: Element, month: Month, known: _Known) -> None:
    """Add the pieces of the period, the limits that judged them, and the signals with answers."""
    check = {p.id for p in month.plan.check_points}
    signals = [s for s in month.listed if s.series in check]
    # Results of production ask for at least one issue of control.
    kind = "ProductionStudyResults" if signals else "SimpleStudyResults"
    study = add(studies, kind, id=known.ids())
    _status(study, "INFORMATIONAL")
    add(study, "Name", month.period.name)
    add(study, "Description", " ".join(month.answer))
    stats = add(study, "CharacteristicsStats")
    issues: dict[str, str] = {}
    for point in month.points:
        one = _characteristic(stats, point.point, known)
        _status(one, "INFORMATIONAL")
        issues |= _issues(one, [s for s in signals if s.series == point.point], known)
        _values(one, _readings(point))
        _limits(stats, month, point.point, known)
    stats.set("n", str(len(stats)))
    add(study, "NumberOfSamples", str(month.pieces))
    if signals:
        _control(study, signals, issues)


def _characteristic(
    stats: Element, point: str, known: _Known, more: Sequence[tuple[str, str]] = ()
) -> Element:
    one = add(stats, f"{KIND}Stats")
    item = known.items.get(point)
    named = [("CharacteristicItemId", item)] if item else []
    attributes(one, [*named, ("FeatureName", point), *more])
    return one


def _status(parent: Element, word: str, *, other: str = "") -> None:
    status = add(parent, "Status")
    add(status, "OtherStatsEvalStatus" if other else "StatsEvalStatusEnum", other or word)


def _values(parent: Element, pairs: Sequence[tuple[str, float | int]]) -> None:
    values = add(parent, "ValueStats")
    for name, value in pairs:
        if isinstance(value, int):
            add(values, name, str(value))
        elif isfinite(value):
            add(values, name, number(value))


def _readings(point: PointState) -> list[tuple[str, float | int]]:
    judged = isfinite(point.lower) or isfinite(point.upper)
    return [
        ("TotalNumber", point.n), ("Average", point.mean), ("Maximum", point.largest),
        ("Minimum", point.smallest),
        *([("NumberOutOfTolerance", point.outside)] if judged else []),
    ]  # fmt: skip


def _limits(stats: Element, month: Month, point: str, known: _Known) -> None:
    """Add the limits in force for each mould's batch means, and how many lie beyond them."""
    chart = month.monitor
    column = chart.series.names.index(point)
    start, end = (np.datetime64(t, "us") for t in (month.period.start, month.period.end))
    inside = (chart.rows.times >= start) & (chart.rows.times < end)
    moulds = np.array(chart.rows.moulds, dtype=object)
    for mould in dict.fromkeys(chart.rows.moulds):
        rows = np.flatnonzero((moulds == mould) & inside)
        if not len(rows) or not np.isfinite(chart.upper[rows[-1], column]):
            continue
        values, lower, upper = (a[rows, column] for a in (chart.values, chart.lower, chart.upper))
        one = _characteristic(stats, point, known, [("mould", mould)])
        _status(one, "INFORMATIONAL")
        _values(one, [
            ("NumberSubgroups", int(np.isfinite(values).sum())),
            ("UpperControlLimit", float(upper[-1])), ("LowerControlLimit", float(lower[-1])),
            ("NumberOutOfControl", int(((values > upper) | (values < lower)).sum())),
        ])  # fmt: skip


def _issues(one: Element, signals: Sequence[ListedSignal], known: _Known) -> dict[str, str]:
    """Add a point's signals with the answers given; return the number of each."""
    if not signals:
        return {}
    held, numbers = add(one, "StudyIssues", n=str(len(signals))), {}
    for signal in signals:
        numbers[signal.signal_id] = known.ids()
        issue = add(held, "StudyIssue", id=numbers[signal.signal_id])
        if signal.cause or signal.reaction:
            add(issue, "Resolution", f"{signal.cause}; {signal.reaction}")
    return numbers


def _control(study: Element, signals: Sequence[ListedSignal], issues: dict[str, str]) -> None:
    details = add(study, "ControlIssueDetailsList", n=str(len(signals)))
    for signal in signals:
        one = add(details, "ControlIssueDetails")
        issue = add(one, "ControlIssue")
        if signal.rule == RULES["beyond limit"].text:
            add(issue, "ControlIssueEnum", "OOC")
        else:
            mould = f", mould {signal.mould}" if signal.mould else ""
            add(issue, "OtherControlIssue", f"{signal.rule} from {signal.first}{mould}")
        add(one, "StudyIssueId", issues[signal.signal_id])


def _capability(studies: Element, month: Month, known: _Known) -> None:
    able = month.capability
    study = add(studies, "CapabilityStudyResults", id=known.ids())
    _status(study, "INFORMATIONAL")
    add(study, "Name", f"capability over {able.span}")
    add(study, "Description", " ".join([
        f"At least {able.required:g} is asked of {able.index}, judged on bounds of "
        f"{100 * able.level:g} %.", *able.remarks,
    ]))  # fmt: skip
    stats = add(study, "CharacteristicsStats", n=str(len(able.points)))
    for point in able.points:
        one = _characteristic(stats, point.point, known, list(_bounds(point)))
        word = STATUSES.get(point.verdict, "")
        _status(one, word, other="" if word else f"{point.verdict}: {point.reason}")
        _values(one, _figures(point))
    add(study, "NumberOfSamples", str(able.pieces))


def _bounds(point: PointCapability) -> Iterator[tuple[str, str]]:
    for name in INDICES:
        for end in ("low", "high"):
            value = getattr(point, f"{name.lower()}_{end}")
            if isfinite(value):
                yield f"{name} {end}", number(value)


def _figures(point: PointCapability) -> list[tuple[str, float | int]]:
    judged = isfinite(point.lower) or isfinite(point.upper)
    return [
        ("TotalNumber", point.n), ("NumberSubgroups", point.batches), ("Average", point.mean),
        ("Maximum", point.largest), ("Minimum", point.smallest),
        *([("NumberOutOfTolerance", point.outside)] if judged else []),
        *((name, getattr(point, name.lower())) for name in INDICES),
    ]  # fmt: skip
