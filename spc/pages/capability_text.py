"""Capability for the terminal: one line a point, then the groups, then what was looked into."""

from math import isfinite, isnan

from spc.pages.capability_detail_text import detail_text, zones_text
from spc.pages.display import NONE, against, count, length, number, share
from spc.pages.text import table
from spc.studies.capability import CapabilityStudy
from spc.studies.capability_groups import GroupCapability
from spc.studies.capability_points import PointCapability


def capability_text(study: CapabilityStudy) -> str:
    """Return the indices with their intervals, or why there are none."""
    unit = study.plan.unit
    moulds = ", ".join(m or "unknown" for m in study.moulds)
    head = (
        f"{study.plan.part} {study.plan.revision}: {study.span}, {count(study.pieces, 'piece')} of "
        f"{count(study.batches, 'batch', 'batches')}, mould {moulds}; lengths in {unit}; "
        f"{share(study.level, 0)} intervals; {_name(study.index)} of {study.required:g} asked for"
    )
    notes = [f"note: {remark}" for remark in study.remarks]
    parts = ["\n".join([head, *notes]), _points(study)]
    parts += [_groups(study)] if study.groups else []
    parts += [zones_text(study)] if study.zones is not None else []
    parts += [detail_text(study, at) for at in range(len(study.details))]
    return "\n\n".join([*parts, *_hints(study)])


def _name(index: str) -> str:
    return index.capitalize()


def _points(study: CapabilityStudy) -> str:
    if not study.points:
        return "The plan has no check point, and capability is stated of check points only."
    rows = [_row(point, study) for point in study.points]
    columns = ("point", "pieces/batches", "effective", "mean", "sd", "tolerance", "out", "Cpk",
               f"Ppk ({share(study.level, 0)} range)", f"{study.required:g} is")  # fmt: skip
    return table(columns, rows, " rrrrrrr")


def _row(point: PointCapability, study: CapabilityStudy) -> tuple[str, ...]:
    unit = study.plan.unit
    lower, upper = length(point.lower, unit, signed=True), length(point.upper, unit, signed=True)
    return (
        point.point, f"{point.n}/{point.batches}", number(point.n_effective, 0),
        length(point.mean, unit, signed=True), length(point.sd, unit), f"{lower} {upper}",
        str(point.outside), against(point.cpk, study.required),
        ranged(point.ppk, point.ppk_low, point.ppk_high, study.required), verdict_words(point),
    )  # fmt: skip


def ranged(value: float, low: float, high: float, required: float) -> str:
    """Return an index with its interval, where it has one; an open end in words."""
    text = against(value, required)
    if text == NONE or isnan(low) or isnan(high):
        return text
    ends = f"{number(low)} to {number(high)}" if isfinite(high) else f"at least {number(low)}"
    return f"{text} ({ends})"


def verdict_words(point: PointCapability) -> str:
    """Return the verdict in a few words; the sentence is among the details."""
    if point.verdict == "refused":
        only = "; performance only" if point.performance else ""
        return f"refused: {_why_refused(point)}{only}"
    if point.verdict != "cannot be shown":
        return point.verdict
    said = [point.verdict]
    if point.batches == 1:
        said.append("one batch")
    if point.batches_needed:
        said.append(f"{count(point.batches_needed, 'batch', 'batches')} would do")
    elif point.pieces_needed:
        said.append(f"{count(point.pieces_needed, 'piece')} would do")
    if point.normal_p < 0.05 and point.shape != "normal":
        said.append("not normal")
    if point.stable is None:
        said.append("too few batches to tell whether it is stable")
    return "; ".join(said)


def _why_refused(point: PointCapability) -> str:
    if isnan(point.lower) and isnan(point.upper):
        return "no tolerance"
    return "not stable" if point.stable is False else "no spread"


def _groups(study: CapabilityStudy) -> str:
    unit = study.plan.unit
    percent = share(study.level, 0)
    columns = ("points judged together", "points", "pieces", "sd within", "between",
               f"all in ({percent} range)", "worst", "out there", f"Ppk ({percent} range)",
               f"{study.required:g} is")  # fmt: skip
    rows = [_group_row(group, unit, study.required) for group in study.groups]
    note = (
        "all in: pieces with every point of the group inside; Ppk: of the largest share of its "
        "tolerance that any of them uses"
    )
    return f"{table(columns, rows, ' rrrr  r')}\n{note}"


def _group_row(group: GroupCapability, unit: str, required: float) -> tuple[str, ...]:
    name = group.group if group.group.startswith(("all", "no ")) else f"group {group.group}"
    return (
        name, str(len(group.points)), str(group.pieces), length(group.sd_within, unit),
        length(group.sd_between, unit), shares(group.share, group.share_low, group.share_high),
        group.worst, str(group.worst_outside),
        ranged(group.ppk, group.ppk_low, group.ppk_high, required), _group_verdict(group),
    )  # fmt: skip


def _group_verdict(group: GroupCapability) -> str:
    if group.verdict != "refused":
        return group.verdict
    if isnan(group.used):
        return "refused: a point has one limit only, or no piece has all points read"
    return "refused: not stable" if group.stable is False else "refused: no spread"


def shares(value: float, low: float, high: float) -> str:
    """Return a share with its interval."""
    if not isfinite(value):
        return NONE
    if not (isfinite(low) and isfinite(high)):
        return share(value)
    return f"{share(value)} ({100 * low:.1f} to {100 * high:.1f})"


def _hints(study: CapabilityStudy) -> list[str]:
    if study.details or not study.points:
        return []
    said = ["name one point, or say --details, for spread, shape, tails, gauge and acceptance"]
    if any(p.stable is False and not p.performance for p in study.points):
        said.append("--performance gives Pp and Ppk where the process is not stable")
    return ["\n".join(said)]
