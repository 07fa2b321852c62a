"""Arm checks: may I measure today, and what to look back on where not."""

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from spc.errors import InputError, NotFoundError
from spc.gauge.type1 import type1_study
from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.store.connection import Store, create_store
from spc.studies import plans
from spc.studies.intake import take_file
from spc.studies.runs import listed_runs
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


def _two_bars(folder: Path, name: str, off: dict[tuple[int, str], float]) -> Path:
    """Write checks of two bars from 26 April to 9 June, every four days, some of them off.

    The second bar is read a quarter of an hour later.
    """
    rows = ["checked_at,device,artefact,reference,uncertainty,reading,unit"]
    for week in range(12):
        day = date(2026, 4, 26) + timedelta(days=4 * week)
        for bar, minute, reference in (("bar-a", "00", 500.0), ("bar-b", "15", 900.0)):
            for k in range(3):
                reading = reference + 0.004 * (k - 1) + 0.001 * (week % 3) + off.get((week, bar), 0)
                rows.append(f"{day}T07:{minute}:00Z,arm-1,{bar},{reference},0.002,"
                            f"{reading:.4f},mm")  # fmt: skip
    path = folder / f"{name}.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_another_bar_that_reads_well_does_not_excuse_one_that_does_not(
    store: Store, tmp_path: Path
) -> None:
    """The first bar of the newest check is bad, the second, a quarter of an hour later, good."""
    _take(store, _two_bars(tmp_path, "last", {(11, "bar-a"): 0.2}))
    found = trust(store, "arm-1")
    assert (found.answer, found.sessions[-1].good) == ("no", True)
    assert "read bar-a" in found.why
    # Since the last good reading of that bar, days before; the other bar's say nothing of it.
    assert found.since is not None
    assert f"{found.since:%Y-%m-%d}" == "2026-06-05"
    listed = listed_runs(store)
    wanted = {
        r.run for r in listed
        if r.measured_at is not None and found.since < r.measured_at <= found.asked_at
    }  # fmt: skip
    assert {r.run for r in found.look_back} == wanted
    assert wanted


def test_a_bad_bar_stands_until_it_reads_good_again(store: Store, tmp_path: Path) -> None:
    made = _two_bars(tmp_path, "stands", {(9, "bar-a"): 0.2})
    _take(store, made)
    assert trust(store, "arm-1", oldest_days=400).answer == "yes"
    other = create_store(tmp_path / "other.duckdb")
    lines = made.read_text().splitlines()
    later = [x for x in lines if not ("bar-a" in x and x >= "2026-06-05")]
    (tmp_path / "without.csv").write_text("\n".join([lines[0], *later[1:]]) + "\n")
    _take(other, tmp_path / "without.csv")
    found = trust(other, "arm-1", oldest_days=400)
    assert found.answer == "no"
    assert "2026-06-01 read bar-a" in found.why
    assert "not read good since" in found.why


def test_the_reference_s_uncertainty_is_in_bias_and_cgk(store: Store, tmp_path: Path) -> None:
    """Welch and Satterthwaite by hand, JCGM 100:2008 G.4, and the formulas of Q_MS."""
    _take(store, _two_bars(tmp_path, "good", {}))
    found = trust(store, "arm-1", tolerance=0.5)
    off = np.array([0.004 * (k - 1) + 0.001 * (w % 3) for w in range(12) for k in range(3)])
    s2, n, u = off.var(ddof=1), len(off), 0.002
    error = np.sqrt(s2 / n + u**2)
    dof = (n - 1) * (error**2 / (s2 / n)) ** 2
    half = stats.t.ppf(0.975, dof) * error
    assert found.reference_u == u
    assert found.bias.interval is not None
    ends = (found.bias.interval.low, found.bias.interval.high)
    assert ends == pytest.approx((off.mean() - half, off.mean() + half), abs=1e-6)
    q = 4 * np.sqrt(u**2 + off.mean() ** 2 / 3 + s2) / 0.5
    assert found.q_ms == pytest.approx(q, rel=1e-3)
    assert found.cgk is not None
    assert found.cgk.interval is not None
    plain = type1_study(off, 0.0, 0.5).cgk
    assert found.cgk.interval.low < plain.low[0]
    assert found.cgk.interval.high > plain.high[0]
    assert any("2 lengths read" in note for note in found.notes)


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
