"""What a plan may say beyond its points: second opinion, probe, material, panels.

Read from the plan's own words, and kept in the store as one JSON text. A plan that says none of it
has none of it in its identity either.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from spc.errors import PlanError
from spc.identity import content_hash
from spc.plan import HUBER, TRIMMED, Material, Plan, Probe

#: Lengths among the choices are in the plan's unit; the others are not lengths.
_PROBE = {"centres", "ball_diameter", "sigma"}
_MATERIAL = {"expansion", "wall", "modulus_gpa", "poisson"}
#: Per kelvin; ten times the largest of any plastic.
LARGEST_EXPANSION = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Words:
    """A table of the plan and how it is called in a refusal."""

    row: Mapping[str, Any]
    where: str
    name: str

    def refuse(self, what: str, do: str) -> PlanError:
        return PlanError(f"{self.where}: {what}", file=self.name, do=do)

    def number(self, key: str, factor: float, above: float, below: float) -> float | None:
        """Return a number between two others, both left out, or None where not said."""
        if key not in self.row:
            return None
        value = self.row[key]
        known = isinstance(value, int | float) and not isinstance(value, bool)
        if not (known and math.isfinite(value) and above < value < below):
            most = "" if math.isinf(below) else f" and below {below:g}"
            raise self.refuse(f"{key} is {value!r}", f"use a number above {above:g}{most}")
        return float(value) * factor


def second_opinion(fit: Mapping[str, Any], name: str) -> str:
    """Return the second opinion that ``[fit]`` asks for; empty for none."""
    said = fit.get("second_opinion", "")
    if said not in ("", HUBER, TRIMMED):
        raise PlanError(
            f"unknown second opinion '{said}'", file=name, do=f"use '{HUBER}' or '{TRIMMED}'"
        )
    return str(said)


def probe(row: Any, factor: float, name: str) -> Probe | None:
    """Return what ``[probe]`` says, lengths in mm, or None where there is none."""
    if row is None:
        return None
    words = _table(row, "[probe]", _PROBE, name)
    centres = words.row.get("centres", False)
    if not isinstance(centres, bool):
        raise words.refuse(f"centres is {centres!r}", "write true or false")
    ball = words.number("ball_diameter", factor, 0.0, math.inf)
    if centres and ball is None:
        raise words.refuse("centres without a ball_diameter", "say the ball's diameter")
    return Probe(
        centres=centres, ball_diameter=ball, sigma=words.number("sigma", factor, 0.0, math.inf)
    )


def material(row: Any, factor: float, name: str) -> Material | None:
    """Return what ``[material]`` says, lengths in mm, or None where there is none."""
    if row is None:
        return None
    words = _table(row, "[material]", _MATERIAL, name)
    return Material(
        expansion=words.number("expansion", 1.0, 0.0, LARGEST_EXPANSION),
        wall=words.number("wall", factor, 0.0, math.inf),
        modulus_gpa=words.number("modulus_gpa", 1.0, 0.0, math.inf),
        poisson=words.number("poisson", 1.0, 0.0, 0.5),
    )


def panel(value: Any, where: str, factor: float, name: str) -> tuple[float, float] | None:
    """Return the two sides of a point's panel in mm, or None where it says none."""
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2:
        raise PlanError(f"{where}: panel is not two lengths", file=name, do="write [side, side]")
    words = _Words(
        row={"side": value[0], "other side": value[1]}, where=f"{where}: panel", name=name
    )
    one, other = (words.number(key, factor, 0.0, math.inf) for key in ("side", "other side"))
    return (one, other) if one is not None and other is not None else None


def _table(row: Any, where: str, known: set[str], name: str) -> _Words:
    if not isinstance(row, dict):
        raise PlanError(f"{where} is not a table", file=name, do="see 'spc guide plan'")
    unknown = sorted(set(row) - known)
    if unknown:
        raise PlanError(
            f"{where}: unknown key '{unknown[0]}'", file=name, do=f"use {', '.join(sorted(known))}"
        )
    return _Words(row=row, where=where, name=name)


def chosen(plan: Plan) -> dict[str, Any]:
    """Return what a plan says beyond its points as plain data; empty where it says nothing."""
    panels = {p.id: list(p.panel) for p in plan.points if p.panel is not None}
    said = {
        "second_opinion": plan.second_opinion,
        "probe": plan.probe and asdict(plan.probe),
        "material": plan.material and asdict(plan.material),
        "panels": panels,
    }
    return {key: value for key, value in said.items() if value}


def chosen_text(plan: Plan) -> str:
    """Return the same as JSON for the store; empty where there is nothing."""
    said = chosen(plan)
    return json.dumps(said, ensure_ascii=False, sort_keys=True) if said else ""


def with_chosen(plan: Plan, text: str) -> Plan:
    """Return a plan with what the store keeps of its choices."""
    if not text:
        return plan
    said = json.loads(text)
    panels = {point: (float(a), float(b)) for point, (a, b) in said.get("panels", {}).items()}
    return replace(
        plan,
        second_opinion=said.get("second_opinion", ""),
        probe=Probe(**said["probe"]) if "probe" in said else None,
        material=Material(**said["material"]) if "material" in said else None,
        points=tuple(replace(p, panel=panels.get(p.id)) for p in plan.points),
    )


def plan_identity(plan: Plan) -> str:
    """Return the content hash of what a plan says; one without further choices has none in it."""
    points = [
        (p.id, p.role, p.nominal, p.normal, p.lower, p.upper, p.group, p.weight)
        for p in plan.points
    ]
    further = chosen(plan)
    return content_hash(
        "plan", plan.part, plan.revision, plan.name, plan.unit, plan.method, plan.residual_limit,
        points, *([further] if further else []),
    )  # fmt: skip
