import csv
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from spc.demo.files import write
from spc.demo.scenario import Scenario, build

POINTS, HITS = 33, 3


@pytest.fixture(scope="module")
def rows(samples: Path) -> dict[str, list[dict[str, str]]]:
    files = sorted((samples / "runs").rglob("*.csv")) + sorted((samples / "gauge").glob("*.csv"))
    return {f.name: _table(f) for f in files}


def _table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _by_run(rows: list[dict[str, str]]) -> dict[str, list[dict[str, str]]]:
    out: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        out.setdefault(row["run"], []).append(row)
    return out


def test_same_seed_writes_the_committed_bytes(
    full: Scenario, samples: Path, tmp_path: Path
) -> None:
    for path in write(tmp_path, full):
        there = samples / path.relative_to(tmp_path)
        assert path.read_bytes() == there.read_bytes(), there.name


def test_nothing_else_lies_among_the_samples(full: Scenario, samples: Path, tmp_path: Path) -> None:
    written = {p.relative_to(tmp_path) for p in write(tmp_path, full)}
    assert {p.relative_to(samples) for p in samples.rglob("*") if p.is_file()} == written


def test_another_seed_writes_other_hits(full: Scenario) -> None:
    other = build(1, batches=3, pieces=1)
    assert not np.allclose(other.sheets[0].hits[0], full.sheets[0].hits[0])


def test_samples_stay_small(samples: Path) -> None:
    assert sum(p.stat().st_size for p in samples.rglob("*") if p.is_file()) <= 7_000_000


def test_command_writes_the_same_files(samples: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "spc.demo", str(tmp_path)],
        capture_output=True,
        check=True,
        env=os.environ | {"PYTHONHASHSEED": "7"},
    )
    assert b"wrote 41 files" in done.stdout
    assert (tmp_path / "truth.json").read_bytes() == (samples / "truth.json").read_bytes()


def test_command_without_a_folder_says_how_to_use_it() -> None:
    done = subprocess.run([sys.executable, "-m", "spc.demo"], capture_output=True, check=False)
    assert done.returncode == 2
    assert b"usage" in done.stderr


def test_every_file_has_one_unit_one_batch_and_no_empty_column(
    rows: dict[str, list[dict[str, str]]],
) -> None:
    for name, table in rows.items():
        assert len({r["unit"] for r in table}) == 1, name
        assert all(any(r[c] for r in table) for c in table[0]), name
        assert name.endswith("G1.csv") or len({r["batch"] for r in table}) == 1, name


def test_one_file_is_in_inches(rows: dict[str, list[dict[str, str]]]) -> None:
    inches = [table for table in rows.values() if table[0]["unit"] == "in"]
    assert len(inches) == 1
    assert {r["device"] for r in inches[0]} == {"arm-2"}


def test_four_hundred_pieces_each_whole_but_for_the_two_gaps(
    rows: dict[str, list[dict[str, str]]], full: Scenario
) -> None:
    truth = full.truth
    production = [r for name, t in rows.items() if not name.endswith("G1.csv") for r in t]
    runs = _by_run(production)
    assert len({r["serial"] for r in production}) == 400
    assert len(runs) == 401
    short = {run: len(hits) for run, hits in runs.items() if len(hits) != POINTS * HITS}
    assert truth.missing_patch is not None
    assert truth.missing_hit is not None
    assert short == {truth.missing_patch.run: 96, truth.missing_hit.run: 98}
    points = {r["point"] for r in runs[truth.missing_patch.run]}
    assert set(full.hood.names) - points == {truth.missing_patch.point}


def test_age_agrees_with_the_times_and_stays_within_what_is_told(
    rows: dict[str, list[dict[str, str]]], full: Scenario
) -> None:
    moulded = {b.id: b.moulded for b in full.truth.batches}
    for name, table in rows.items():
        if name.endswith("G1.csv"):
            continue
        for hits in _by_run(table).values():
            age = float(hits[0]["hours_since_moulding"])
            at = datetime.fromisoformat(hits[0]["measured_at"])
            since_first = (at - moulded[hits[0]["batch"]]).total_seconds() / 3600
            assert 20 <= age <= 120
            assert -0.06 <= since_first - age <= 13 * 40 / 60
            assert 17 <= float(hits[0]["part_temp_c"]) <= 27


def test_times_rise_within_and_across_files_and_change_zone_once(full: Scenario) -> None:
    times = [r.measured_at for s in full.sheets for r in s.runs]
    assert all(a < b for a, b in pairwise(times))
    offsets = {t.utcoffset().total_seconds() / 3600: t for t in times}
    assert sorted(offsets) == [1.0, 2.0]
    assert offsets[2.0].astimezone(UTC) < datetime(2026, 10, 25, 1, tzinfo=UTC)


def test_gauge_study_is_balanced_and_in_no_order(rows: dict[str, list[dict[str, str]]]) -> None:
    runs = _by_run(rows["2026-06_G1.csv"])
    cells = [(h[0]["serial"], h[0]["operator"], h[0]["setup"]) for h in runs.values()]
    assert len(cells) == len(set(cells)) == 90
    assert all(len(h) == POINTS * HITS for h in runs.values())
    assert len({c[0] for c in cells}) == 10
    assert len({c[1] for c in cells}) == len({c[2] for c in cells}) == 3
    assert cells != sorted(cells)
    days = {h[0]["measured_at"][:10] for h in runs.values()}
    assert len(days) == 4


def test_rounding_in_the_files_is_far_below_a_hit(full: Scenario) -> None:
    assert 0.0001 * 25.4 / 12**0.5 < full.truth.settings.hit_sd / 50


def test_truth_is_plain_json_without_gaps(samples: Path) -> None:
    truth = json.loads((samples / "truth.json").read_text(encoding="utf-8"))
    assert truth["step"]["batch"] == "B14"
    assert truth["warp"]["batch"] == "B24"
    assert "null" not in (samples / "truth.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(("batches", "pieces"), [(3, 1), (6, 2), (40, None)])
def test_other_sizes_can_be_built_and_written(
    batches: int, pieces: int | None, tmp_path: Path
) -> None:
    scenario = build(7, batches=batches, pieces=pieces)
    assert len(scenario.sheets) == batches
    assert len(write(tmp_path, scenario)) == batches + 6


def test_too_small_a_scenario_is_refused() -> None:
    with pytest.raises(ValueError, match="need 3 batches of 1 piece"):
        build(batches=2)
