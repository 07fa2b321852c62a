"""Synthetic parts, measurements and result files for tests, and hypothesis strategies of them."""

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from spc.plan import CHECK, FIT, Plan, PlanPoint

Array = NDArray[np.float64]

#: Names as people give them: any letters and marks, but no control characters and no surrogates,
#: and no blanks at the ends, which are no part of a name.
NAMES = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp")), min_size=1, max_size=12
).filter(lambda text: text == text.strip())
FINITE = st.floats(allow_nan=False, allow_infinity=False)
#: Lengths of real parts, mm.
LENGTHS = st.floats(-2000.0, 2000.0).map(lambda v: v + 0.0)


def box(check: int = 4, *, part: str = "BX-1", revision: str = "A", unit: str = "mm") -> Plan:
    """Return a plan of a box 400 x 600 x 200 mm: 4 fit points on top, 3 aside, 2 in front."""
    rows: list[tuple[str, tuple[float, float, float], tuple[float, float, float]]] = [
        *((f"top-{i}", (x, y, 200.0), (0.0, 0.0, 1.0)) for i, (x, y) in enumerate(
            [(-150.0, -250.0), (150.0, -250.0), (150.0, 250.0), (-150.0, 250.0)], start=1)),
        *((f"side-{i}", (200.0, y, 100.0), (1.0, 0.0, 0.0))
          for i, y in enumerate([-250.0, 0.0, 250.0], start=1)),
        *((f"front-{i}", (x, 300.0, 100.0), (0.0, 1.0, 0.0))
          for i, x in enumerate([-150.0, 150.0], start=1)),
    ]  # fmt: skip
    fit = [PlanPoint(id=n, role=FIT, nominal=at, normal=to, lower=-2.0, upper=2.0)
           for n, at, to in rows]  # fmt: skip
    places = np.linspace(-280.0, 280.0, max(check, 1))
    checks = [
        PlanPoint(id=f"check-{i + 1}", role=CHECK, nominal=(-200.0, float(places[i]), 100.0),
                  normal=(-1.0, 0.0, 0.0), lower=-1.5, upper=1.5)
        for i in range(check)
    ]  # fmt: skip
    return Plan(
        plan_id="", part=part, revision=revision, name="Box", unit=unit, method="least squares",
        residual_limit=1.0, points=(*fit, *checks), source="",
    )  # fmt: skip


def toml_text(text: str) -> str:
    """Return a TOML basic string; JSON's differs only in leaving DEL as it is."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def plan_toml(plan: Plan, *, per: float = 1.0) -> str:
    """Return a plan as people write it, in a unit of ``per`` millimetres."""
    lines = [f"{key} = {toml_text(getattr(plan, key))}"
             for key in ("part", "revision", "name", "unit")]  # fmt: skip
    lines += ["[fit]", f"method = {toml_text(plan.method)}"]
    if plan.residual_limit is not None:
        lines.append(f"residual_limit = {plan.residual_limit / per!r}")
    for p in plan.points:
        lines += ["[[point]]", f"id = {toml_text(p.id)}", f'role = "{p.role}"',
                  f"group = {toml_text(p.group)}", f"weight = {p.weight!r}",
                  f"nominal = {[v / per for v in p.nominal]!r}",
                  f"normal = {list(p.normal)!r}"]  # fmt: skip
        if p.lower is not None and p.upper is not None:
            lines.append(f"tolerance = [{p.lower / per!r}, {p.upper / per!r}]")
    return "\n".join(lines) + "\n"


def nominals(plan: Plan) -> Array:
    """Return the plan's positions, (points, 3)."""
    return np.array([p.nominal for p in plan.points])


def normals(plan: Plan) -> Array:
    """Return the plan's normals, (points, 3)."""
    return np.array([p.normal for p in plan.points])


def probed(
    plan: Plan, deviations: Array, rng: np.random.Generator, *, hits: int = 3, noise: float = 0.03
) -> Array:
    """Return hits (runs, points, hits, 3) of pieces with these deviations, each in a pose anew."""
    runs = len(deviations)
    surface = nominals(plan) + deviations[:, :, None] * normals(plan)
    scatter = rng.normal(0.0, noise, (runs, len(plan.points), hits, 1))
    laid = surface[:, :, None, :] + scatter * normals(plan)[:, None, :]
    return posed(laid, Rotation.random(runs, rng=rng).as_matrix(), rng.normal(0, 500, (runs, 3)))


def posed(points: Array, rotation: Array, shift: Array) -> Array:
    """Return (runs, points, hits, 3) turned by (runs, 3, 3) and moved by (runs, 3)."""
    return np.einsum("rij,rphj->rphi", rotation, points) + shift[:, None, None, :]


def hit_rows(
    plan: Plan, hits: Array, runs: Sequence[Mapping[str, object]], *, per: float = 1.0
) -> list[dict[str, object]]:
    """Return one row a hit, in units of ``per`` millimetres; NaN hits have none."""
    return [
        {"part": plan.part, "revision": plan.revision, **run, "point": p.id, "hit": h + 1,
         **{axis: repr(float(hits[r, c, h, k] / per)) for k, axis in enumerate("xyz")}}
        for r, run in enumerate(runs)
        for c, p in enumerate(plan.points)
        for h in range(hits.shape[2])
        if np.isfinite(hits[r, c, h]).all()
    ]  # fmt: skip


def csv_text(rows: Iterable[Mapping[str, object]], *, separator: str = ",") -> str:
    """Return rows as CSV (RFC 4180) with the columns of the first row."""
    out = io.StringIO(newline="")
    listed = list(rows)
    writer = csv.DictWriter(out, list(listed[0]), delimiter=separator)
    writer.writeheader()
    writer.writerows(listed)
    return out.getvalue()


def dated_runs(count: int, *, each: int = 5, **same: object) -> list[dict[str, object]]:
    """Return run columns of pieces measured one an hour, ``each`` of them to a batch."""
    return [
        {"serial": f"P{i:04d}", "run": f"P{i:04d}-1", "batch": f"B{i // each:03d}",
         "mould": "M1", "measured_at": str(np.datetime64("2026-01-05T08:00") + i * 60) + ":00Z",
         "unit": "mm", **same}
        for i in range(count)
    ]  # fmt: skip


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Draw a plan of any names and tolerances whose fit points hold the box."""
    base = box(draw(st.integers(0, 5)))
    ids = draw(st.lists(NAMES, min_size=len(base.points), max_size=len(base.points), unique=True))
    points = []
    for name, p in zip(ids, base.points, strict=True):
        ends = draw(st.one_of(st.none(), st.tuples(st.floats(-9, -1e-3), st.floats(0, 9))))
        lower, upper = ends or (None, None)
        points.append(PlanPoint(
            id=name, role=p.role, nominal=p.nominal, normal=p.normal, lower=lower, upper=upper,
            group=draw(st.sampled_from(["", "A", "Ä b"])), weight=draw(st.floats(0.1, 10.0)),
        ))  # fmt: skip
    return Plan(
        plan_id="", part=draw(NAMES), revision=draw(NAMES), name=draw(NAMES),
        unit=draw(st.sampled_from(["mm", "in", "thou"])), method="least squares",
        residual_limit=draw(st.one_of(st.none(), st.floats(0.01, 10))), points=tuple(points),
        source="",
    )  # fmt: skip
