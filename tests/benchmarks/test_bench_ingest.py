"""Ingest of a large file of hits, against the bare database engine in the same run.

The file is written here: three hits on each of 33 points, pieces moved about as an arm finds them.
Each way of reading it is a process of its own, so that its peak memory is its own; ratios count,
not seconds. The full size, 5 million hits and some 700 MB, is run where the environment says
SPC_BENCH=1; there every promise is held. The everyday size is too small for times to tell much:
starting is the greater part of them, so that ratios are held loosely.
"""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from helpers import SAMPLES, contents, held_bytes

from spc.ingest.plan_toml import read_plan

FULL = os.environ.get("SPC_BENCH") == "1"
ROWS = 5_000_000 if FULL else 60_000
#: Wall time over that of the bare engine; store over file; a second time over the first.
SLOWEST, LARGEST, AGAIN = (3.0, 1 / 3, 0.1) if FULL else (40.0, 1.5, 2.0)
#: Peak memory, bytes.
MEMORY = 1.5e9

MEASURED = """
import json, resource, subprocess, sys, time
began = time.perf_counter()
done = subprocess.run(sys.argv[1:], capture_output=True, text=True)
wall = time.perf_counter() - began
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps({"status": done.returncode, "out": done.stdout, "err": done.stderr, "wall": wall,
                  "cpu": used.ru_utime + used.ru_stime, "peak": used.ru_maxrss * 1024}))
"""
BARE = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
connection.execute("CREATE TABLE hits AS SELECT * FROM read_csv(?)", [sys.argv[2]])
connection.close()
"""


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What a process took: its status and words, seconds, and bytes at the peak."""

    status: int
    out: str
    err: str
    wall: float
    cpu: float
    peak: float


def cost(*command: object) -> Cost:
    pytest.importorskip("resource", reason="peak memory is asked of a Unix system")
    call = [sys.executable, "-c", MEASURED, sys.executable, *map(str, command)]
    return Cost(**json.loads(subprocess.run(call, capture_output=True, check=True).stdout))


def spc(*arguments: object) -> Cost:
    return cost("-c", "from spc.cli import main; main()", *arguments)


def write_hits(path: Path, rows: int) -> int:
    """Write about so many hits, each point's three on a ring about its nominal; return how many."""
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    points = pd.DataFrame([_laid(p.id, p.nominal, p.normal) for p in plan.points])
    count = max(rows // (3 * len(points)), 1)
    rng, at = np.random.default_rng(3), np.arange(count)
    turn = rng.uniform(0, 2 * np.pi, count)
    runs = pd.DataFrame({
        "n": at, "c": np.cos(turn), "s": np.sin(turn), "tx": rng.uniform(500, 1500, count),
        "ty": rng.uniform(-500, 500, count), "tz": rng.uniform(0, 400, count),
        "moment": pd.Timestamp("2020-01-01T06:00") + pd.to_timedelta(at * 30, unit="min"),
        "temp": rng.normal(21, 0.5, count).round(1), "age": rng.uniform(20, 60, count).round(1),
    })  # fmt: skip
    noise = "(hash(n, point, h, '{}') % 1000000) / 1e6 - 0.5"
    with duckdb.connect() as connection:
        connection.register("points", points)
        connection.register("runs", runs)
        (written,) = connection.execute(f"""
            COPY (
                WITH ring AS (
                    SELECT *, 2.0944 * h + hash(n, point) % 628 / 100.0 AS f,
                        0.2 * ({noise.format("w")}) AS w
                    FROM runs, points, (SELECT unnest([1, 2, 3]) AS h)),
                part AS (
                    SELECT *, {
            ", ".join(
                f"p{a} + 5 * cos(f) * u{a} + 5 * sin(f) * v{a} + w * n{a} AS q{a}" for a in "xyz"
            )
        }
                    FROM ring)
                SELECT 'LH-640' AS part, 'C' AS revision, printf('H%06d', n) AS serial,
                    'K' || (1 + n // 12 % 2) AS mould, printf('B%05d', n // 12) AS batch,
                    printf('H%06d-1', n) AS run,
                    strftime(moment, '%Y-%m-%dT%H:%M:%S+00:00') AS measured_at,
                    ['ana', 'ben', 'zoë'][1 + n % 3] AS operator, 'arm-1' AS device,
                    'ball-6' AS probe, 1 AS station, temp AS part_temp_c,
                    age AS hours_since_moulding, point, h AS hit,
                    round(c * qx - s * qy + tx, 3) AS x, round(s * qx + c * qy + ty, 3) AS y,
                    round(qz + tz, 3) AS z, 'mm' AS unit
                FROM part ORDER BY n, point, h)
            TO '{str(path).replace("'", "''")}' (FORMAT csv, HEADER)""").fetchone() or (0,)
    return int(written)


def _laid(
    name: str, nominal: tuple[float, ...], normal: tuple[float, ...]
) -> dict[str, float | str]:
    across = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    across /= np.linalg.norm(across)
    axes = zip("punv", (nominal, across, normal, np.cross(normal, across)), strict=True)
    return {"point": name} | {f"{k}{a}": float(w) for k, v in axes for a, w in zip("xyz", v)}  # noqa: B905


def test_a_large_file_costs_little_more_than_reading_it(tmp_path: Path) -> None:
    path, store, bare = (tmp_path / name for name in ("hits.csv", "spc.duckdb", "bare.duckdb"))
    rows = write_hits(path, ROWS)
    for command in (["init"], ["plan", "add", SAMPLES / "LH-640.toml"]):
        assert spc(*command, "--store", store).status == 0
    reference = cost("-c", BARE, bare, path)
    assert (reference.status, reference.err) == (0, "")
    first = spc("ingest", path, "--store", store)
    assert (first.status, first.err) == (0, "")
    assert f"runs from {rows} rows." in first.out
    before = held_bytes(store)
    again = spc("ingest", path, "--store", store)
    assert (again.status, again.err) == (0, "")
    assert "nothing changed. This very file was taken on" in again.out
    assert held_bytes(store) == before
    size = path.stat().st_size
    share = store.stat().st_size / size
    print(
        f"\n{rows} hits, {size / 1e6:.0f} MB: {first.wall:.1f} s (CPU {first.cpu:.1f}), bare "
        f"{reference.wall:.1f} s (CPU {reference.cpu:.1f}), ratio {first.wall / reference.wall:.2f}"
        f" (CPU {first.cpu / reference.cpu:.2f}); peak {first.peak / 1e9:.2f} GB; store "
        f"{share:.3f} of the file; again {again.wall:.2f} s, {again.wall / first.wall:.3f} of it"
    )
    assert first.wall <= SLOWEST * reference.wall
    assert first.peak < MEMORY
    assert share < LARGEST
    assert again.wall < AGAIN * first.wall
    if not FULL:
        held = contents(store)
        assert len(held["hit"]) == rows
        assert len(held["deviation"]) * 3 == rows
