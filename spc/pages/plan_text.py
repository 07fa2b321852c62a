"""Plans for the terminal."""

from collections.abc import Sequence

from spc.pages.display import NONE, length, moment
from spc.pages.text import table
from spc.plan import Plan, PlanPoint
from spc.studies.plans import AddedPlan, ListedPlan
from spc.units import SPOKEN


def added_text(added: AddedPlan) -> str:
    """Return what became of a plan."""
    what = f"plan of {added.part} {added.revision}"
    counts = f"{added.fit_points} fit points, {added.check_points} check points"
    head = f"The very same {what} is in the store already; nothing changed."
    lines = [head if added.already else f"Added the {what}: {counts}."]
    return "\n".join([*lines, *(f"note: {text}" for text in added.warnings)])


def listed_text(plans: Sequence[ListedPlan]) -> str:
    """Return the list of plans."""
    if not plans:
        return "No plan in the store. Add one: spc plan add PLAN.toml"
    rows = [
        (
            p.part, p.revision, p.name, p.unit, str(p.fit_points), str(p.check_points),
            moment(p.added_at), "in force" if p.in_force else "",
        )
        for p in plans
    ]  # fmt: skip
    head = ("part", "revision", "name", "unit", "fit", "check", "added (UTC)", "")
    return table(head, rows, "    rr")


def plan_text(plan: Plan) -> str:
    """Return a plan's points as a table in its own unit."""
    unit = plan.unit
    limit = "none" if plan.residual_limit is None else length(plan.residual_limit, unit)
    head = (
        f"{plan.part} {plan.revision}, {plan.name}: {len(plan.fit_points)} fit points, "
        f"{len(plan.check_points)} check points, {plan.method}, residual limit {limit}, "
        f"lengths in {SPOKEN[unit]}"
    )
    chosen = "".join(f"\n{line}" for line in _chosen(plan))
    columns = ("point", "role", "group", "x", "y", "z", "normal", "lower", "upper", "weight")
    rows = [_row(p, unit) for p in plan.points]
    return f"{head}{chosen}\n\n{table(columns, rows, '   rrrrrrr')}"


def _chosen(plan: Plan) -> list[str]:
    """Return what the plan says beyond its points; nothing where it says nothing."""
    lines = []
    if plan.second_opinion:
        lines.append(f"second opinion: {plan.second_opinion}, shown beside the fit")
    probe, material = plan.probe, plan.material
    if probe is not None:
        said = [
            *(["the results hold centres of the ball"] if probe.centres else []),
            *_told("ball diameter", probe.ball_diameter, plan.unit),
            *_told("noise of one reading", probe.sigma, plan.unit),
        ]
        lines.append(f"probe: {', '.join(said) or 'points of the surface'}")
    if material is not None:
        said = [
            *([f"expansion {material.expansion:g} per K"] if material.expansion else []),
            *_told("wall", material.wall, plan.unit),
            *([f"modulus {material.modulus_gpa:g} GPa"] if material.modulus_gpa else []),
            *([f"Poisson's ratio {material.poisson:g}"] if material.poisson else []),
        ]
        lines.append(f"material: {', '.join(said) or 'not said'}")
    lines += [
        f"panel of {p.id}: {length(p.panel[0], plan.unit)} by {length(p.panel[1], plan.unit)}"
        for p in plan.points
        if p.panel is not None
    ]
    return lines


def _told(name: str, value: float | None, unit: str) -> list[str]:
    return [] if value is None else [f"{name} {length(value, unit)}"]


def _row(point: PlanPoint, unit: str) -> tuple[str, ...]:
    ends = [NONE if v is None else length(v, unit, signed=True) for v in (point.lower, point.upper)]
    return (
        point.id,
        point.role,
        point.group,
        *(length(v, unit) for v in point.nominal),
        " ".join(f"{v:.3f}" for v in point.normal),
        *ends,
        f"{point.weight:g}",
    )
