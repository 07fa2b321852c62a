"""A run reviewed, for the terminal: the verdict first, then what it stands on."""

from collections.abc import Sequence
from math import isnan

import numpy as np

from spc.pages.closer_text import second_lines, station_lines, warmth_lines
from spc.pages.display import NONE, count, length, moment, number, probability
from spc.pages.text import table
from spc.studies.reviewed import Review, ReviewedPoint
from spc.studies.warmth import WarmPoint


def review_text(run: Review) -> str:
    """Return the verdict in words, then the tables."""
    return "\n".join([
        _head(run),
        "",
        f"{run.advice.verdict.upper()}. {run.advice.headline}",
        *(f"  - {reason}" for reason in run.advice.reasons),
        "",
        *fit_words(run),
        "",
        _points(run),
        *_modes(run),
        *_omissions(run),
        *second_lines(run.closer.second, run.plan.unit),
        "",
        _checks(run),
        *warmth_lines(run.closer.warmth, run.plan.unit),
        *station_lines(run.closer.stations, run.plan.unit),
        *_others(run),
        *_statuses(run),
    ])  # fmt: skip


def _head(run: Review) -> str:
    parts = [
        f"Run {run.run} of piece {run.serial}, {run.plan.part} {run.plan.revision}",
        *([f"batch {run.batch}"] if run.batch else []),
        *([f"mould {run.mould}"] if run.mould else []),
        *([f"measured {moment(run.measured_at)} UTC"] if run.measured_at else []),
        *([f"by {run.operator}"] if run.operator else []),
        *([f"study {run.study}"] if run.study else []),
        *(["measured again later"] if run.superseded else []),
        *([f"without {', '.join(run.omitted)}"] if run.omitted else []),
    ]
    return ", ".join(parts) + f"; lengths in {run.plan.unit}"


def fit_words(run: Review) -> list[str]:
    """Return what the fit left, and what that may be, one sentence each."""
    unit = run.plan.unit
    lines = [
        f"fit: {count(run.n_points, 'point')}, {count(run.dof, 'degree')} of freedom, noise "
        f"{length(run.noise, unit)}; largest residual "
        f"{length(run.worst_residual, unit, signed=True)} at {run.worst_point}, limit "
        f"{length(run.limit, unit)} ({run.limit_source})",
    ]
    lines += measured_words(run)
    if np.isfinite(run.p_usual):
        lines.append(
            f"like the others ({run.usual})? T² {number(run.t2, 1)}, p {probability(run.p_usual)}"
        )
    else:
        lines.append(f"like the others? cannot be said: {run.usual}")
    if run.hit_dof:
        lines.append(
            f"hits within points: {length(run.hit_sd, unit)} "
            f"({count(run.hit_dof, 'degree')} of freedom)"
        )
    return lines


def measured_words(run: Review) -> list[str]:
    """Return whether probing, or all of measuring, explains the fit; and by what noise."""
    noise, unit, lines = run.measured, run.plan.unit, list[str]()
    if np.isfinite(run.p_probing):
        rest = "the rest is the part's own form or its set-up"
        lines.append(
            f"explained by probing ({length(noise.probing, unit)} a point, {noise.probing_from}"
            f"{_known(noise.probing_dof)})? {_explained(run.p_probing, rest)}"
        )
    if np.isfinite(run.p_again):
        rest = "the rest is the part's own form"
        lines.append(
            f"explained by measuring, lifted and placed anew ({length(noise.again, unit)} a "
            f"reading, gauge study {noise.study}{_known(noise.again_dof)})? "
            f"{_explained(run.p_again, rest)}"
        )
    elif noise.note:
        lines.append(
            f"explained by measuring, lifted and placed anew? cannot be said: {noise.note}"
        )
    return lines


def _known(dof: float) -> str:
    return "" if np.isinf(dof) else f", {count(int(dof), 'degree')} of freedom"


def _explained(p: float, rest: str) -> str:
    if p >= 0.01:
        return f"yes, p {probability(p)}"
    return f"no, p {probability(p)}: {rest}"


def _points(run: Review) -> str:
    unit = run.plan.unit
    rows = [_point(p, unit) for p in run.points]
    head = ("fit point", "residual", "usual", "leverage", "redundancy", "standardised", "p",
            "studentised", "detectable", "harm", "at", "cannot be told from")  # fmt: skip
    note = (
        "detectable: smallest error found (0.1 % false alarms, 80 % power); harm: what it moves a "
        "check point by, unseen"
    )
    return f"{table(head, rows, ' rrrrrrrrr')}\n{note}"


def _point(point: ReviewedPoint, unit: str) -> tuple[str, ...]:
    if not point.used:
        return (point.point, "left out", *[NONE] * 9, "")
    alike = [*point.tied, *(f"{name} (nearly)" for name in point.near)]
    return (
        point.point, length(point.residual, unit, signed=True),
        length(point.usual, unit, signed=True), number(point.leverage), number(point.redundancy),
        number(point.standardised, 1), probability(point.p), number(point.studentised, 1),
        length(point.detectable, unit), length(point.harm, unit), point.harmed, ", ".join(alike),
    )  # fmt: skip


def _modes(run: Review) -> Sequence[str]:
    if not run.modes:
        return ()
    unit = run.plan.unit
    rows = [
        (m.name, length(m.score, unit, signed=True), length(m.usual, unit, signed=True),
         length(m.sd, unit), number(m.z, 1), m.description)
        for m in run.modes
    ]  # fmt: skip
    head = ("what the fit leaves", "score", "usual", "sd", "off", "a positive score means")
    return ("", table(head, rows, " rrrr"))


def _omissions(run: Review) -> Sequence[str]:
    if not run.omissions:
        return ()
    unit = run.plan.unit
    rows = [
        (
            f"without {o.point}", length(o.noise, unit),
            f"{length(o.worst_residual, unit, signed=True)} {o.worst_point}" if o.possible else
            "not possible: six degrees of freedom are not held",
            length(o.deviation, unit, signed=True), number(o.off_before, 1), number(o.off, 1),
            _after(o.unchecked, o.self_checked),
        )
        for o in run.omissions
    ]  # fmt: skip
    head = ("the fit would be", "noise", "largest residual", "point itself", "checks off",
            "then", "")  # fmt: skip
    return ("", table(head, rows, " rrrrr"))


def _after(unchecked: Sequence[str], self_checked: bool) -> str:
    words = [] if self_checked else ["no longer self-checked"]
    if unchecked:
        words.append(f"nothing checks {', '.join(unchecked)} then")
    return "; ".join(words)


def _checks(run: Review) -> str:
    unit = run.plan.unit
    warm = run.closer.warmth
    at_20 = {p.point: p for p in warm.points} if warm is not None else {}
    known = any(np.isfinite(c.measuring) for c in run.checks)
    rows = []
    for c in run.checks:
        outside = c.deviation < c.lower or c.deviation > c.upper
        tolerance = f"{length(c.lower, unit, signed=True)} {length(c.upper, unit, signed=True)}"
        rows.append(
            (c.point, length(c.deviation, unit, signed=True),
             *([_at_20(at_20.get(c.point), unit)] if at_20 else []), tolerance,
             length(c.usual, unit, signed=True), number(c.z, 1),
             length(c.from_alignment, unit), *([length(c.measuring, unit)] if known else []),
             length(c.hit_sd, unit),
             "OUTSIDE" if outside else "not proven inside" if c.zone == "not proven" else "")
        )  # fmt: skip
    head = ("check point", "deviation", *(["at 20 °C"] if at_20 else []), "tolerance", "usual",
            "off", "from alignment", *(["measuring"] if known else []), "hits", "")  # fmt: skip
    return table(head, rows, " rrrrrr" + "r" * (bool(at_20) + known))


def _at_20(point: WarmPoint | None, unit: str) -> str:
    if point is None:
        return NONE
    return f"{length(point.corrected, unit, signed=True)} ± {length(point.uncertainty, unit)}"


def _others(run: Review) -> Sequence[str]:
    unit = run.plan.unit
    return [
        f"kept beside: fit of {moment(o.fitted_at)} UTC"
        + (f" in set '{o.result_set}'" if o.result_set else "")
        + (f" without {o.omitted}" if o.omitted else "")
        + f", noise {length(o.noise, unit)}, largest "
        f"{length(o.worst_residual, unit, signed=True)} at {o.worst_point}"
        for o in run.others
    ]


def _statuses(run: Review) -> Sequence[str]:
    """Say where the file reports another status than its own numbers, or that it does not."""
    if not run.statuses:
        return []
    told = [
        f"status of '{s.characteristic}': reported as {s.reported}; by its own value "
        + ("" if isnan(s.value) else f"{length(s.value, run.plan.unit, signed=True)} ")
        + f"and limits it is {s.recomputed}"
        for s in run.statuses
        if s.differs
    ]
    many = count(len(run.statuses), "status", "statuses")
    return told or [f"{many} reported by the file; none contradicts its own numbers"]


def harm_text(run: Review) -> str:
    """Return what an error just not found at each fit point does to every check point."""
    unit = run.plan.unit
    used = [p for p in run.points if p.used]
    rows = [
        (check.point, *(length(p.moves.get(check.point, np.nan), unit, signed=True) for p in used))
        for check in run.checks
    ]
    head = (
        f"Run {run.run} of piece {run.serial}: what an error that would just be found at each fit "
        f"point moves each check point by, in {unit}"
    )
    sizes = ("error there", *(length(p.detectable, unit) for p in used))
    columns = ("check point", *(p.point for p in used))
    return f"{head}\n\n{table(columns, [sizes, *rows], ' ' + 'r' * len(used))}"
