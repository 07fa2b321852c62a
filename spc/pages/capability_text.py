"""Capability for the terminal."""

from spc.pages.display import NONE, against, count, length, number
from spc.pages.text import table
from spc.studies.capability import CapabilityStudy, PointCapability


def capability_text(study: CapabilityStudy) -> str:
    """Return the indices with their intervals, or why there are none."""
    unit = study.plan.unit
    moulds = ", ".join(m or "unknown" for m in study.moulds)
    head = (
        f"{study.plan.part} {study.plan.revision}: {study.span}, {count(study.pieces, 'piece')} of "
        f"{count(study.batches, 'batch', 'batches')}, mould {moulds}; lengths in {unit}; "
        f"{study.level:.0%} intervals; required {study.required:g}"
    )
    columns = ("point", "n", "mean", "sd", "tolerance", "out", "Cp", "Cpk", "Pp", "Ppk", "")
    rows = [_row(point, study) for point in study.points]
    notes = [f"note: {remark}" for remark in study.remarks]
    return "\n".join([head, *notes, "", table(columns, rows, " rrrrr")])


def _row(point: PointCapability, study: CapabilityStudy) -> tuple[str, ...]:
    unit = study.plan.unit
    lower, upper = length(point.lower, unit, signed=True), length(point.upper, unit, signed=True)
    indices = [
        _index(getattr(point, key), getattr(point, f"{key}_low"), getattr(point, f"{key}_high"),
               study.required)
        for key in ("cp", "cpk", "pp", "ppk")
    ]  # fmt: skip
    return (
        point.point, str(point.n), length(point.mean, unit, signed=True), length(point.sd, unit),
        f"{lower} {upper}", str(point.outside), *indices, f"{point.verdict}: {point.reason}",
    )  # fmt: skip


def _index(value: float, low: float, high: float, required: float) -> str:
    text = against(value, required)
    return text if text == NONE else f"{text} ({number(low)} to {number(high)})"
