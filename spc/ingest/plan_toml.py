"""A measurement plan in TOML, checked on load."""

import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from spc.choices import material, panel, plan_identity, probe, second_opinion
from spc.errors import PlanError
from spc.ingest.fields import STEERS
from spc.ingest.text import decode, read_bytes
from spc.plan import CHECK, EXACT_HOLD, FIT, LEAST_SQUARES, Plan, PlanPoint
from spc.units import MILLIMETRES

#: A normal may be off length one by its printed digits and is then made exact; beyond, refused.
NORMAL_TOLERANCE = 1e-3
#: Six numbers place a rigid piece, so a fit needs six points at least.
FEWEST_FIT_POINTS = 6

_TOP = {"part", "revision", "name", "unit", "fit", "probe", "material", "point"}
_FIT = {"method", "residual_limit", "second_opinion"}
_POINT = {"id", "role", "group", "nominal", "normal", "tolerance", "weight", "panel"}


def read_plan(path: Path) -> tuple[Plan, tuple[str, ...]]:
    """Read a plan and return it, in millimetres, with what should be said about it.

    Raises
    ------
    PlanError
        Naming the file, the point and what to do.
    """
    name = str(path)
    text = decode(read_bytes(path), name)
    try:
        said: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a number of thousands of digits is no number
        raise PlanError(f"not a TOML file ({error})", file=name, do="correct it") from None
    return plan_from(said, text, name)


def plan_from(said: dict[str, Any], text: str, name: str) -> tuple[Plan, tuple[str, ...]]:
    """Check what a plan says and return it with its warnings."""
    _refuse_unknown(said, _TOP, "the plan", name)
    unit = _word(said, "unit", "the plan", name)
    if unit not in MILLIMETRES:
        raise PlanError(f"unknown unit '{unit}'", file=name, do="use mm, in or thou")
    fit = _table(said.get("fit", {}), "[fit]", name)
    _refuse_unknown(fit, _FIT, "[fit]", name)
    warnings: list[str] = []
    points = _points(said, MILLIMETRES[unit], name, warnings)
    limit = _residual_limit(fit, MILLIMETRES[unit], name)
    head = {key: _word(said, key, "the plan", name) for key in ("part", "revision", "name")}
    method = _method(fit, points, name)
    plan = Plan(
        plan_id="",
        unit=unit,
        method=method,
        residual_limit=limit,
        points=points,
        source=text,
        second_opinion=_second_opinion(fit, method, name),
        probe=probe(said.get("probe"), MILLIMETRES[unit], name),
        material=material(said.get("material"), MILLIMETRES[unit], name),
        **head,
    )
    plan = replace(plan, plan_id=plan_identity(plan))
    return plan, tuple(warnings)


def _second_opinion(fit: dict[str, Any], method: str, name: str) -> str:
    wanted = second_opinion(fit, name)
    if wanted and method == EXACT_HOLD:
        raise PlanError(
            f"the second opinion '{wanted}' on an exact hold, which leaves nothing over",
            file=name,
            do="leave it out, or use least squares with more fit points",
        )
    return wanted


def _points(
    said: dict[str, Any], factor: float, name: str, warnings: list[str]
) -> tuple[PlanPoint, ...]:
    rows = said.get("point")
    if not isinstance(rows, list) or not rows:
        raise PlanError("no points", file=name, do="write each as a [[point]]")
    points = tuple(
        _point(_table(row, f"point {place}", name), place, factor, name, warnings)
        for place, row in enumerate(rows, start=1)
    )
    seen: set[str] = set()
    for point in points:
        if point.id in seen:
            raise PlanError(f"two points are called '{point.id}'", file=name, do="rename one")
        seen.add(point.id)
    _enough(points, name)
    return points


def _enough(points: tuple[PlanPoint, ...], name: str) -> None:
    held = sum(1 for p in points if p.role == FIT and p.weight > 0)
    if held < FEWEST_FIT_POINTS:
        raise PlanError(
            f"{held} fit points where six degrees of freedom need {FEWEST_FIT_POINTS}",
            file=name,
            do="give more points the role 'fit'; eight or more can check themselves",
        )


def _point(
    row: dict[str, Any], place: int, factor: float, name: str, warnings: list[str]
) -> PlanPoint:
    point = _word(row, "id", f"point {place}", name)
    where = f"point '{point}'"
    _refuse_unknown(row, _POINT, where, name)
    role = _word(row, "role", where, name)
    if role not in (FIT, CHECK):
        raise PlanError(f"{where}: role '{role}'", file=name, do="use fit or check")
    nominal = _three(row, "nominal", where, name)
    lower, upper = _tolerance(row, where, factor, name)
    weight = _number(row.get("weight", 1.0), f"{where}: weight", name)
    if weight < 0:
        raise PlanError(f"{where}: weight {weight} is below 0", file=name, do="use 0 or more")
    return PlanPoint(
        id=point,
        role=role,
        group=_group(row, where, name),
        weight=weight,
        nominal=(nominal[0] * factor, nominal[1] * factor, nominal[2] * factor),
        normal=_unit_normal(_three(row, "normal", where, name), where, name, warnings),
        lower=lower,
        upper=upper,
        panel=panel(row.get("panel"), where, factor, name),
    )


def _unit_normal(
    normal: tuple[float, float, float], where: str, name: str, warnings: list[str]
) -> tuple[float, float, float]:
    length = math.hypot(*normal)
    if abs(length - 1.0) > NORMAL_TOLERANCE:
        raise PlanError(
            f"{where}: the normal has length {length:.6g}, not 1",
            file=name,
            do="divide it by its length, or look for a wrong digit or sign",
        )
    if abs(length - 1.0) > 1e-6:
        warnings.append(f"{where}: normal of length {length:.6f} was made exactly 1 long")
    return (normal[0] / length, normal[1] / length, normal[2] / length)


def _tolerance(
    row: dict[str, Any], where: str, factor: float, name: str
) -> tuple[float | None, float | None]:
    pair = row.get("tolerance")
    if pair is None:
        return None, None
    if not isinstance(pair, list) or len(pair) != 2:
        raise PlanError(
            f"{where}: tolerance is not [lower, upper]", file=name, do="write two numbers"
        )
    # TOML's own inf marks a side without a limit.
    lower, upper = (
        None if value == side * math.inf else _number(value, f"{where}: tolerance", name)
        for value, side in zip(pair, (-1, 1), strict=True)
    )
    if lower is not None and upper is not None and lower >= upper:
        raise PlanError(
            f"{where}: tolerance {lower:g} to {upper:g} is the wrong way round",
            file=name,
            do="write [lower, upper]",
        )
    return (
        None if lower is None else lower * factor,
        None if upper is None else upper * factor,
    )


def _residual_limit(fit: dict[str, Any], factor: float, name: str) -> float | None:
    if "residual_limit" not in fit:
        return None
    limit = _number(fit["residual_limit"], "residual_limit", name)
    if limit <= 0:
        raise PlanError(f"residual_limit {limit:g}", file=name, do="use a length above 0")
    return limit * factor


def _method(fit: dict[str, Any], points: tuple[PlanPoint, ...], name: str) -> str:
    method = str(fit.get("method", LEAST_SQUARES))
    if method not in (LEAST_SQUARES, EXACT_HOLD):
        raise PlanError(
            f"unknown fit method '{method}'",
            file=name,
            do=f"use '{LEAST_SQUARES}' or '{EXACT_HOLD}'",
        )
    held = sum(1 for p in points if p.role == FIT)
    if method == EXACT_HOLD and held != FEWEST_FIT_POINTS:
        raise PlanError(
            f"an exact hold with {held} fit points",
            file=name,
            do=f"give exactly {FEWEST_FIT_POINTS} points the role 'fit', or use least squares",
        )
    return method


def _three(row: dict[str, Any], key: str, where: str, name: str) -> tuple[float, float, float]:
    value = row.get(key)
    if not isinstance(value, list) or len(value) != 3:
        raise PlanError(f"{where}: {key} is not three numbers", file=name, do="write [x, y, z]")
    x, y, z = (_number(v, f"{where}: {key}", name) for v in value)
    return x, y, z


def _number(value: Any, what: str, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PlanError(f"{what} is {value!r} where a number belongs", file=name, do="correct it")
    return float(value)


def _word(row: dict[str, Any], key: str, where: str, name: str) -> str:
    value = row.get(key)
    if not isinstance(value, str) or not value.strip():
        raise PlanError(f"{where} has no {key}", file=name, do=f'write {key} = "..."')
    if STEERS.search(value.strip()):
        raise PlanError(f"{where}: a line break or control character in {key}", file=name,
                        do="correct it")  # fmt: skip
    return value.strip()


def _group(row: dict[str, Any], where: str, name: str) -> str:
    group = row.get("group", "")
    if not isinstance(group, str):
        raise PlanError(f"{where}: group is {group!r}", file=name, do='write group = "..."')
    return group


def _table(value: Any, what: str, name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise PlanError(f"{what} is not a table", file=name, do="see 'spc guide plan'")
    return value


def _refuse_unknown(row: dict[str, Any], known: set[str], where: str, name: str) -> None:
    unknown = sorted(set(row) - known)
    if unknown:
        raise PlanError(
            f"{where}: unknown key '{unknown[0]}'", file=name, do=f"use {', '.join(sorted(known))}"
        )
