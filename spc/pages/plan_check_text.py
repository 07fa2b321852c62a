"""A plan judged before it is measured, for the terminal: the verdict first."""

from collections.abc import Sequence

from spc.pages.display import NONE, length, number, share
from spc.pages.text import table
from spc.pages.units import meaning_in
from spc.studies.plan_better import Better, BetterPoint, Figures
from spc.studies.plan_check import PlanChecked
from spc.studies.plan_panels import PanelCheck
from spc.studies.plan_points import FitPointCheck
from spc.studies.plan_shapes import ShapeCheck, ShapesChecked
from spc.units import SPOKEN


def plan_check_text(plan: PlanChecked) -> str:
    """Return the verdict in words, then what it stands on, lengths in the plan's unit."""
    unit = plan.unit
    return "\n".join([
        f"Plan of {plan.part} {plan.revision}, {plan.name}: {plan.fit_points} fit points, "
        f"{plan.check_points} check points, {plan.method}; lengths in {SPOKEN[unit]}",
        "",
        f"{plan.verdict.upper()}. {plan.headline}",
        *(f"  - {reason}" for reason in plan.reasons),
        "",
        *_motions(plan),
        "",
        _points(plan.points, unit),
        f"detectable: smallest error found ({share(plan.alpha)} false alarms, "
        f"{share(plan.power, 0)} power); harm: what it moves another point by, unseen",
        *_unseen(plan),
        *_checks(plan),
        *_shapes(plan.shapes, unit),
        *_panels(plan.panels, unit),
        *_better(plan.better, unit),
    ])  # fmt: skip


def _motions(plan: PlanChecked) -> list[str]:
    unit, weak = plan.unit, plan.weakest
    return [
        f"probing noise: {length(plan.sigma, unit)} for one reading, one standard deviation "
        f"({plan.sigma_source})",
        f"held: {plan.rank} of 6 motions; the best is held {number(plan.condition, 1)} times as "
        f"well as the worst, turns measured at the part's size of {length(plan.size, unit)}",
        f"weakest: {weak.words}; noise moves the part {number(weak.gain)} times as far at "
        f"{weak.point}, this noise by {length(weak.moved, unit)}",
    ]


def _points(points: Sequence[FitPointCheck], unit: str) -> str:
    rows = [
        (
            p.point, number(p.leverage), number(p.redundancy), _found(p.detectable, unit),
            _found(p.harm, unit), p.harmed,
            ", ".join([*p.tied, *(f"{name} (nearly)" for name in p.near)]),
        )
        for p in points
    ]  # fmt: skip
    head = (
        "fit point",
        "leverage",
        "redundancy",
        "detectable",
        "harm",
        "at",
        "cannot be told from",
    )
    return table(head, rows, " rrrr")


def _found(value: float, unit: str) -> str:
    return "never" if value == float("inf") else length(value, unit)


def _unseen(plan: PlanChecked) -> list[str]:
    return [
        f"unseen: an error of 1 mm at {one.point} shows nowhere in the fit and moves "
        + (
            ", ".join(f"{h.point} by {length(h.per_mm, signed=True)} mm" for h in one.harms)
            or "the part, where the plan has no check point to show it"
        )
        for one in plan.unseen
    ]


def _checks(plan: PlanChecked) -> list[str]:
    if not plan.checks:
        return ["", "no check point: the fit is all that is judged"]
    rows = [
        (c.point, length(c.alignment, plan.unit), number(c.inflation), share(c.share))
        for c in plan.checks
    ]
    head = ("check point", "from alignment", "times as noisy", "6 sd of tolerance")
    return ["", table(head, rows, " rrr")]


def _shapes(found: ShapesChecked, unit: str) -> list[str]:
    seen = [s for s in found.shapes if s.error == s.error]
    hidden = [s for s in found.shapes if s not in seen]
    rows = [(s.name, s.state, _amount(s.error, s, unit), _amount(s.error_joint, s, unit),
             s.reason or meaning_in(s.meaning, s.unit, unit))
            for s in seen]  # fmt: skip
    head = ("form that is seen", "in the joint fit", "error alone", "jointly", "one unit means")
    return [
        "",
        *([table(head, rows, "  rr")] if seen else ["no change of form can be seen"]),
        *(f"only together: {text}" for text in found.combined),
        *_hidden(hidden),
        f"the residuals of the fit alone show: {', '.join(found.residuals_see) or 'no form'}",
        *([f"note: {found.note}"] if found.note else []),
        f"temperature: {found.temperature}",
    ]


def _amount(value: float, shape: ShapeCheck, unit: str) -> str:
    if shape.unit == "mm":
        return f"{length(value, unit)} {unit}"
    return NONE if value != value else f"{value:.2g} {shape.unit}"


def _hidden(shapes: Sequence[ShapeCheck]) -> list[str]:
    """Return what is not seen, each reason once; faces with a single point have no form."""
    single = {s.face for s in shapes if s.face and s.face_points == 1}
    told = [s for s in shapes if s.face not in single]
    lines = [f"not seen: {s.reason}" for s in told]
    if single:
        faces = ", ".join(sorted(single))
        lines.append(f"not seen: any form of the faces with one point only: {faces}")
    return lines


def _panels(panels: Sequence[PanelCheck], unit: str) -> list[str]:
    if not panels:
        return []
    rows = [
        (p.point, length(p.clamped, unit), length(p.supported, unit), share(p.share),
         "; ".join([*(["PUSHED"] if p.beyond else []), *([p.note] if p.note else [])]))
        for p in panels
    ]  # fmt: skip
    head = ("on a panel", "per newton, edges held", "edges free", "of tolerance", "")
    lines = ["", table(head, rows, " rrr")]
    pushed = [p.point for p in panels if p.beyond]
    if pushed:
        lines.append(
            f"one newton of the hand moves {', '.join(pushed)} inwards by more than a tenth of the "
            "tolerance: probe nearer to an edge, or with less force"
        )
    return lines


def _better(better: Better, unit: str) -> list[str]:
    rows = [("as it is", "", *_figures(better.before, unit))]
    rows += [(_what(one, unit), one.face, *_figures(one.after, unit)) for one in better.ranked]
    head = ("one more fit point", "face", "tied", "unchecked", "least redundancy",
            "alignment at worst", "best/worst motion")  # fmt: skip
    note = [f"note: {better.note}"] if better.note else []
    return ["", table(head, rows, "  rrrrr"), *note]


def _what(one: BetterPoint, unit: str) -> str:
    if one.point:
        return f"{one.point}, a check point, also in the fit"
    return f"a new point at ({', '.join(length(v, unit) for v in one.nominal)})"


def _figures(figures: Figures, unit: str) -> tuple[str, ...]:
    return (
        str(figures.tied), str(figures.unchecked), number(figures.least_redundancy),
        length(figures.alignment, unit), number(figures.condition, 1),
    )  # fmt: skip
