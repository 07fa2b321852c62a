"""Arm checks: may I measure today, and what to look back on where not."""

import json
from pathlib import Path

import numpy as np
import pytest

from spc.errors import InputError, NotFoundError
from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.store.connection import Store, create_store
from spc.studies import plans
from spc.studies.intake import take_file
from spc.studies.trust import trust

SAMPLES = Path(__file__).parents[2] / "sample-runs"


def _readings(folder: Path, weeks: int, last_off: float = 0.0, unit: str = "mm") -> Path:
    rng = np.random.default_rng(7)
    factor = {"mm": 1.0, "in": 25.4}[unit]
    rows = ["checked_at,device,artefact,reference,reading,unit"]
    for week in range(weeks):
        day = f"2026-06-{1 + week:02d}"
        for _ in range(3):
            off = 0.004 + rng.normal(0, 0.01) + (last_off if week == weeks - 1 else 0.0)
            rows.append(
                f"{day}T07:00:00+02:00,arm-1,bar,{500.012 / factor:.6f},"
                f"{(500.012 + off) / factor:.6f},{unit}"
            )
    path = folder / f"checks-{weeks}-{last_off}-{unit}.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = create_store(tmp_path / "store.duckdb")
    plan, warnings = read_plan(SAMPLES / "LH-640.toml")
    plans.add(made, plan, warnings, "test")
    for name in ("B09_K1", "B10_K1"):
        path = next((SAMPLES / "runs" / "2026-06").glob(f"*_{name}.csv"))
        take_file(made, read_file(path, Declared()), "test")
    return made


def _take(store: Store, path: Path) -> None:
    take_file(store, read_file(path, Declared()), "test")


def test_a_good_check_says_yes_and_bias_is_the_mean_reading_off(
    store: Store, tmp_path: Path
) -> None:
    path = _readings(tmp_path, 20)
    _take(store, path)
    found = trust(store, "arm-1")
    rows = [line.split(",") for line in path.read_text().splitlines()[1:]]
    last = [float(r[4]) - float(r[3]) for r in rows[-3:]]
    assert found.answer == "yes"
    assert found.sessions[-1].bias == pytest.approx(np.mean(last), abs=1e-9)
    earlier = np.array([np.mean([float(r[4]) - float(r[3]) for r in rows[k : k + 3]])
                        for k in range(0, 57, 3)])  # fmt: skip
    assert found.sessions[-1].upper == pytest.approx(earlier.mean() + 3 * earlier.std(ddof=1))
    assert found.look_back == ()


def test_a_bad_check_lists_every_run_since_the_last_good_one(store: Store, tmp_path: Path) -> None:
    _take(store, _readings(tmp_path, 12, last_off=0.2))
    found = trust(store, "arm-1", at=None)
    newest = max(s.checked_at for s in found.sessions)
    assert found.answer == "no"
    assert found.since is not None
    assert all(found.since < r.measured_at <= found.asked_at for r in found.look_back)
    assert {r.batch for r in found.look_back} <= {"B09", "B10"}
    assert newest > found.since


def test_the_allowed_bias_judges_from_the_first_check(store: Store, tmp_path: Path) -> None:
    _take(store, _readings(tmp_path, 12, last_off=0.2))
    assert trust(store, "arm-1", limit=0.5, oldest_days=400).answer == "yes"
    assert trust(store, "arm-1", limit=0.1, oldest_days=400).answer == "no"


def test_few_checks_and_old_checks_give_no_yes(store: Store, tmp_path: Path) -> None:
    _take(store, _readings(tmp_path, 3))
    assert trust(store, "arm-1", oldest_days=400).answer == "cannot be said"
    assert trust(store, "arm-1", limit=0.1, oldest_days=0.01).answer == "check first"


def test_inches_are_the_same_checks(store: Store, tmp_path: Path) -> None:
    _take(store, _readings(tmp_path, 20))
    first = trust(store, "arm-1")
    other = create_store(tmp_path / "other.duckdb")
    _take(other, _readings(tmp_path, 20, unit="in"))
    second = trust(other, "arm-1")
    assert second.sessions[-1].bias == pytest.approx(first.sessions[-1].bias, abs=5e-5)


def test_unknown_arms_and_bad_readings_are_refused(store: Store, tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="no arm check"):
        trust(store, None)
    _take(store, _readings(tmp_path, 3))
    with pytest.raises(NotFoundError, match="arm-9"):
        trust(store, "arm-9")
    bad = tmp_path / "bad.csv"
    bad.write_text(
        "checked_at,device,artefact,reference,reading,unit\n"
        "2026-06-01T07:00:00Z,arm-1,bar,500.0,long,mm\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError, match=r"row 2, column 'reading': 'long'"):
        read_file(bad, Declared())


def test_the_sample_arm_may_measure_and_the_same_file_changes_nothing(tmp_path: Path) -> None:
    made = create_store(tmp_path / "sample.duckdb")
    checked = read_file(SAMPLES / "arm-checks.csv", Declared())
    assert take_file(made, checked, "test").new == len(checked.checks)
    assert take_file(made, checked, "test").already
    found = trust(made, tolerance=1.6)
    assert found.answer == "yes"
    assert found.cg is not None
    assert found.cg.value == pytest.approx(0.2 * 1.6 / (6 * _last_sd(checked.checks)), rel=1e-9)
    assert json.loads(json.dumps(found.answer)) == "yes"


def _last_sd(checks: object) -> float:
    frame = checks[checks["artefact"] == "bar-500"]  # type: ignore[index]
    return float(frame["reading"].std(ddof=1))
