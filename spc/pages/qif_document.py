"""A month's statistics as one QIF 3.0 document (ISO 23952)."""

from dataclasses import dataclass
from itertools import count
from pathlib import Path
from uuid import NAMESPACE_OID, uuid5
from xml.etree.ElementTree import Element, indent, tostring

from spc.errors import InputError
from spc.pages.display import moment
from spc.pages.qif_elements import SPACE, VERSION, Ids, put, put_list
from spc.pages.qif_gauge import gauge_study
from spc.pages.qif_plan import Held, put_points, put_product
from spc.pages.qif_signals import Causes
from spc.pages.qif_studies import Study, capability_study, chart_studies, month_study
from spc.pages.tables import Written
from spc.pages.workbook import put_file
from spc.studies.month import Month


@dataclass(frozen=True, slots=True, kw_only=True)
class QifDocument:
    """A document.

    Parameters
    ----------
    data
        Its bytes.
    studies
        How many studies it holds.
    """

    data: bytes
    studies: int


def write_qif(path: Path, document: QifDocument) -> Written:
    """Write a document; a file of that name is replaced, whole or not at all."""
    put_file(path, document.data)
    return Written(path=path, rows=document.studies)


def qif_document(month: Month) -> QifDocument:
    """Return a month's statistics, the same bytes for the same month.

    Raises
    ------
    InputError
        Where no check point was read in it.
    """
    ids: Ids = count(1)
    root = Element("QIFDocument", {"xmlns": SPACE, "versionQIF": VERSION})
    put(root, "QPId", str(uuid5(NAMESPACE_OID, f"spc month {month.fingerprint}")))
    _put_header(root, month)
    _put_units(root)
    put_product(root, month.plan, ids)
    held = put_points(root, month.plan, ids)
    judged = {point.id for point in month.plan.check_points}
    causes = Causes([s for s in month.listed if s.series in judged], ids)
    studies = _studies(month, held, causes, ids)
    if not studies:
        raise InputError(
            f"no check point was read {month.period.within}: there is nothing to put in a QIF file",
            do="export the tables as CSV",
        )
    statistics = put(root, "Statistics")
    put_list(statistics, "StatisticalStudyPlans", [s.plan for s in studies])
    put_list(statistics, "StatisticalStudiesResults", [s.results for s in studies])
    causes.put(statistics)
    root.set("idMax", str(next(ids) - 1))
    indent(root, space=" ")
    data: bytes = tostring(root, encoding="utf-8", xml_declaration=True)
    return QifDocument(data=data + b"\n", studies=len(studies))


def _put_header(root: Element, month: Month) -> None:
    plan, header = month.plan, put(root, "Header")
    words = (
        f"{plan.part} {plan.revision} ({plan.name}), {month.period.name}", *month.answer,
        f"Made by spc {month.version} from data up to {moment(month.cutoff)} UTC.",
        f"Data fingerprint {month.fingerprint}.",
    )  # fmt: skip
    put(header, "Description", "\n".join(words))
    put(header, "Scope", "Statistics")


def _put_units(root: Element) -> None:
    unit = put(put(put(root, "FileUnits"), "PrimaryUnits"), "LinearUnit")
    put(unit, "SIUnitName", "meter")
    put(unit, "UnitName", "mm")
    put(put(unit, "UnitConversion"), "Factor", "0.001")


def _studies(month: Month, held: dict[str, Held], causes: Causes, ids: Ids) -> list[Study]:
    states = {state.point: state for state in month.points}
    capable = {point.point: point for point in month.capability.points}
    made = []
    for point in month.plan.check_points:
        state, able, mine = states[point.id], capable.get(point.id), held[point.id]
        if state.n:
            made.append(month_study(month, state, mine, ids))
        if able is not None and able.n:
            made.append(capability_study(month.capability, able, mine, ids))
        made += chart_studies(month, point.id, mine, causes, ids)
        gauged = gauge_study(month.gauge, point.id, mine, ids)
        made += [] if gauged is None else [gauged]
    return made
