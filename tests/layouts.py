"""Plans written out as TOML, and results of parts of known shape, posed by scipy's rotations."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from spc.ingest.checked import Declared
from spc.ingest.plan_toml import plan_from, read_plan
from spc.ingest.results import read_file
from spc.plan import Plan
from spc.store.connection import create_store, open_store
from spc.studies import plans
from spc.studies.intake import Taken, take_file
from spc.studies.review import review
from spc.studies.reviewed import Review
from spc.units import MILLIMETRES

Array = NDArray[np.float64]
Place = tuple[float, float, float]
Spot = tuple[str, str, Place, Place]

UP, DOWN, SIDE, BACK, END, FRONT = (
    (0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0), (0.0, -1.0, 0.0), (1.0, 0.0, 0.0),
    (-1.0, 0.0, 0.0),
)  # fmt: skip

#: Five points above, two at the side, two at the end: the pairs tie with one another.
TIED: tuple[Spot, ...] = (
    ("corner-1", "fit", (450.0, 250.0, 0.0), UP),
    ("corner-2", "fit", (-450.0, 250.0, 0.0), UP),
    ("corner-3", "fit", (-450.0, -250.0, 0.0), UP),
    ("corner-4", "fit", (450.0, -250.0, 0.0), UP),
    ("middle", "fit", (0.0, 0.0, 0.0), UP),
    ("side-1", "fit", (400.0, 300.0, -100.0), SIDE),
    ("side-2", "fit", (-400.0, 300.0, -100.0), SIDE),
    ("end-1", "fit", (500.0, 200.0, -100.0), END),
    ("end-2", "fit", (500.0, -200.0, -100.0), END),
)
#: What its fit never sees: the other side, the other end, the underside.
FAR: tuple[Spot, ...] = (
    ("far-side-1", "check", (400.0, -300.0, -100.0), BACK),
    ("far-side-2", "check", (-400.0, -300.0, -100.0), BACK),
    ("far-end-1", "check", (-500.0, 200.0, -100.0), FRONT),
    ("far-end-2", "check", (-500.0, -200.0, -100.0), FRONT),
    ("under", "check", (0.0, 0.0, -300.0), DOWN),
)
#: Both, and the points that a run of two stations probes from each of them.
SPOTS = (*TIED, *FAR)
SEATS = ("corner-1", "corner-2", "corner-3", "side-1", "end-1", "under")


def plan_toml(
    spots: Iterable[Spot],
    *,
    unit: str = "mm",
    head: str = "",
    more: Mapping[str, str] | None = None,
) -> str:
    """Return a plan in TOML; places are given in mm, ``head`` is TOML, ``more`` lines by point."""
    per, extra = MILLIMETRES[unit], more or {}
    text = f'part = "P-1"\nrevision = "A"\nname = "Test part"\nunit = "{unit}"\n\n{head}\n'
    for name, role, place, normal in spots:
        at = [v / per for v in place]
        text += (
            f'\n[[point]]\nid = "{name}"\nrole = "{role}"\nnominal = {at}\n'
            f"normal = {list(normal)}\n"
            f"tolerance = [{-1.5 / per}, {1.5 / per}]\n{extra.get(name, '')}\n"
        )
    return text


def plan_of(spots: Iterable[Spot], **said: object) -> Plan:
    """Return the same as a plan read from its TOML."""
    import tomllib

    text = plan_toml(spots, **said)  # type: ignore[arg-type]
    return plan_from(tomllib.loads(text), text, "plan.toml")[0]


def geometry(spots: Sequence[Spot]) -> tuple[Array, Array]:
    """Return nominals and normals (points, 3)."""
    return np.array([s[2] for s in spots]), np.array([s[3] for s in spots])


def posed(points: Array, seed: int) -> Array:
    """Return points (points, 3) as an arm would see them, in a pose of its own."""
    rng = np.random.default_rng(seed)
    turn = Rotation.random(random_state=seed)
    return np.asarray(turn.apply(points) + rng.uniform(-800, 800, 3))


def results_csv(
    spots: Sequence[Spot], runs: Sequence[Array], *, unit: str = "mm", decimals: int = 9,
    part: str = "P-1", station: str = "1", **columns: object,
) -> str:  # fmt: skip
    """Return results of points: each run holds positions (points, 3), mm in the arm's frame."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(
        ["part", "revision", "serial", "run", "measured_at", "station", "point", "x", "y", "z",
         "unit", *columns]
    )  # fmt: skip
    for k, run in enumerate(runs):
        for (name, *_), at in zip(spots, run, strict=True):
            if np.isfinite(at).all():
                xyz = [f"{v / MILLIMETRES[unit]:.{decimals}f}" for v in at]
                writer.writerow(
                    [part, "A", f"S{k}", f"R{k}", f"2026-05-{k + 1:02d}T08:00:00Z", station, name,
                     *xyz, unit, *columns.values()]
                )  # fmt: skip
    return out.getvalue()


def two_stations(turn: float, shift: float, noise: float, seats: tuple[str, ...]) -> str:
    """Return a run probed from two stations: seats from both, the far faces from the second."""
    at = posed(geometry(SPOTS)[0], seed=4)
    rng = np.random.default_rng(8)
    turned = Rotation.from_rotvec([0.0, 0.0, np.radians(turn)]).apply(at)
    moved = turned + np.array([shift, 0.0, 0.0])
    rows = [["part", "revision", "serial", "run", "station", "point", "hit", "x", "y", "z", "unit"]]
    for k, (name, *_) in enumerate(SPOTS):
        first = [] if name in ("far-end-1", "far-end-2") else [("1", at[k])]
        second = [("2", moved[k])] if name in seats or not first else []
        for hit, (station, xyz) in enumerate([*first, *second], start=1):
            numbers = [f"{v:.9f}" for v in xyz + rng.normal(0.0, noise, 3)]
            rows.append(["P-1", "A", "S0", "R0", station, name, str(hit), *numbers, "mm"])
    return "\n".join(",".join(row) for row in rows) + "\n"


def written(folder: Path, text: str, name: str = "plan.toml") -> Path:
    """Write a text into a file of the folder."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def taken(folder: Path, plan: str, results: str, name: str) -> tuple[Path, Taken]:
    """Make a store, add a plan and take results, all from text."""
    store_path = folder / f"{name}.duckdb"
    added = read_plan(written(folder, plan, f"{name}.toml"))
    file = written(folder, results, f"{name}.csv")
    with create_store(store_path) as store:
        plans.add(store, *added, "tester")
        return store_path, take_file(store, read_file(file, Declared()), "tester")


def shown(store_path: Path, run: str) -> Review:
    """Return the review of a run."""
    with open_store(store_path, read_only=True) as store:
        return review(store, run)
