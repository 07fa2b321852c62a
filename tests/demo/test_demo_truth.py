import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from spc.demo.alignment import seen
from spc.demo.files import write
from spc.demo.scenario import Scenario, build

MM = {"mm": 1.0, "in": 25.4}


def _read(path: Path, points: tuple[str, ...]) -> Iterator[tuple[str, np.ndarray]]:
    """Yield run by run what a file says, (points, 3 hits, 3) in mm."""
    hits: dict[str, np.ndarray] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            at = hits.setdefault(row["run"], np.full((len(points), 3, 3), np.nan))
            xyz = [float(row[axis]) * MM[row["unit"]] for axis in "xyz"]
            at[points.index(row["point"]), int(row["hit"]) - 1] = xyz
    yield from hits.items()


def _whole_runs(full: Scenario, samples: Path, batch: str) -> Iterator[tuple[np.ndarray, ...]]:
    """Yield (hits as the file has them, true deviation) for the runs of a file."""
    sheet = full.study if batch == "G1" else full.sheets[int(batch[1:]) - 1]
    for k, (run, hits) in enumerate(_read(samples / sheet.path, full.hood.names)):
        assert run == sheet.runs[k].run
        yield hits, sheet.deviation[k]


@pytest.mark.parametrize("batch", ["B01", "B11", "B19", "B35", "G1"])
def test_scipy_brings_the_files_back_to_the_true_deviations(
    full: Scenario, samples: Path, superpose, batch: str
) -> None:
    """B11 lies upside down, B19 is in inches, B35 is warped and in winter time."""
    errors = []
    for k, (hits, deviation) in enumerate(_whole_runs(full, samples, batch)):
        if k == 6:
            break
        found = superpose.deviations(hits).mean(axis=1)
        errors.append(found - superpose.of_deviation(deviation))
    from_hits = full.truth.settings.hit_sd / 3**0.5
    check = np.array(errors)[:, ~full.hood.fit]
    # The pose adds to a check point's error, at most as much again as its own (root 2).
    assert np.abs(check).max() < 5 * from_hits * 2**0.5
    assert from_hits * 0.8 < check.std() < from_hits * 1.5


def test_linear_map_is_what_scipy_leaves_of_a_deviation(full: Scenario, superpose) -> None:
    for sheet in full.sheets[::7]:
        linear = seen(full.hood) @ sheet.deviation[0]
        assert np.abs(linear - superpose.of_deviation(sheet.deviation[0])).max() < 0.005


def test_hit_spread_shows_the_bad_hit_and_the_residual_does_not(
    full: Scenario, samples: Path, superpose
) -> None:
    bad = full.truth.bad_hit
    point = full.hood.index(bad.point)
    spreads = []
    sheet = next(s for s in full.sheets if s.runs[0].batch == bad.batch)
    for run, hits in _read(samples / sheet.path, full.hood.names):
        found = superpose.deviations(hits)
        spread = np.ptp(found, axis=1)
        if run == bad.run:
            assert spread[point] == pytest.approx(bad.size_mm, abs=0.25)
            assert np.argmax(found[point]) == bad.hit - 1
            assert np.abs(found.mean(axis=1)[full.hood.fit]).max() < 1.25
            spread = np.delete(spread, point)
        spreads.append(spread)
    assert np.concatenate(spreads).max() < 6 * full.truth.settings.hit_sd


def test_only_the_knocked_run_is_beyond_the_residual_limit(full: Scenario, superpose) -> None:
    knock = full.truth.knock
    found = {}
    for sheet in full.sheets:
        for run, hits in zip(sheet.runs, sheet.hits, strict=True):
            if run.batch != knock.batch and run.batch not in full.truth.warp.by_batch_mm:
                continue
            if not np.isnan(hits).all(axis=(1, 2)).any():
                residual = np.nanmean(superpose.deviations(hits), axis=1)[full.hood.fit]
                found[run.run] = np.abs(residual).max()
    assert [run for run, worst in found.items() if worst > 1.25] == [knock.spoiled_run]
    assert knock.good_run in found


def test_new_lot_makes_both_moulds_parts_smaller_by_the_stated_size(full: Scenario) -> None:
    step, s = full.truth.step, full.truth.settings
    tail = full.hood.index("tail-left")
    onset = int(step.batch[1:]) - 1
    for mould in ("K1", "K2"):
        sheets = [(i, x) for i, x in enumerate(full.sheets) if x.runs[0].mould == mould]
        before, after = (
            np.array([_tail_mean(full, x, tail, s) for i, x in sheets if (i >= onset) is side])
            for side in (False, True)
        )
        spread = np.concatenate([before - before.mean(), after - after.mean()]).std()
        error = spread * (1 / len(before) + 1 / len(after)) ** 0.5
        assert after.mean() - before.mean() == pytest.approx(
            step.seen_mm["tail-left"], abs=4 * error
        )
        assert error < abs(step.seen_mm["tail-left"]) / 6


def _tail_mean(full: Scenario, sheet, tail: int, s) -> float:
    """Return a batch's mean at the tail with age and warmth taken off by the stated rules."""
    hours = np.array([r.hours_since_moulding for r in sheet.runs])
    warm = np.array([r.part_temp_c for r in sheet.runs])
    percent = 100 * s.expansion * (warm - 20.0) - s.after_shrink * np.log10(hours / 24.0)
    names = list(full.truth.seen_mm_per_percent.values())
    return float(((sheet.deviation @ seen(full.hood).T)[:, tail] - percent * names[tail]).mean())


def test_warp_grows_in_the_worn_mould_only(full: Scenario) -> None:
    warp, hood = full.truth.warp, full.hood
    corners = [hood.index(f"corner-{c}") for c in ("front-right", "rear-left")]
    corners += [hood.index(f"corner-{c}") for c in ("front-left", "rear-right")]
    score = np.array([1.0, 1.0, -1.0, -1.0]) / 4
    means = [((s.deviation @ seen(hood).T)[:, corners] @ score).mean() for s in full.sheets]
    mould = np.array([b.mould for b in full.truth.batches])
    late = np.arange(35) >= int(warp.batch[1:]) - 1
    worn, other = np.array(means)[late & (mould == "K2")], np.array(means)[late & (mould == "K1")]
    per_batch = warp.growth_mm * np.mean(
        [abs(warp.seen_mm_last[hood.names[c]]) / max(warp.by_batch_mm.values()) for c in corners]
    )
    assert np.polyfit(np.arange(worn.size), worn, 1)[0] == pytest.approx(per_batch, rel=0.3)
    assert np.ptp(other) < worn[-1] - worn[0]
    assert [b.id for b in full.truth.batches if b.warp_mm] == list(warp.by_batch_mm)


def test_an_individuals_chart_of_batch_means_finds_both_troubles_in_time(full: Scenario) -> None:
    """Limits mean ± 2.66 mean moving range (ISO 7870-2, individuals), each mould by itself."""
    hood, truth = full.hood, full.truth
    means = np.array([(s.deviation @ seen(hood).T).mean(axis=0) for s in full.sheets])
    mould = np.array([b.mould for b in truth.batches])

    def first(point: str, of: str, onset: int) -> int:
        mine = np.flatnonzero(mould == of)
        x, learn = means[mine, hood.index(point)], mine < onset
        reach = 2.66 * np.abs(np.diff(x[learn])).mean()
        out = np.abs(x - x[learn].mean()) > reach
        return int(mine[out & ~learn][0])

    assert min(first("tail-left", k, 13) for k in ("K1", "K2")) - 13 < 3
    assert first(truth.warp.best_point, "K2", 23) - 23 < 6


def test_null_case_differs_only_by_what_goes_wrong(full: Scenario, tmp_path: Path) -> None:
    null = build(null=True)
    truth = null.truth
    wrong = (truth.step, truth.warp, truth.bad_hit, truth.missing_hit, truth.missing_patch)
    assert all(w is None for w in (*wrong, truth.knock))
    assert sum(len(s.runs) for s in null.sheets) == 400
    assert all(np.isfinite(s.hits).all() for s in null.sheets)
    for quiet, loud in zip(null.sheets[:8], full.sheets[:8], strict=True):
        assert np.array_equal(quiet.deviation, loud.deviation)
    write(tmp_path, null)
    assert "Nothing: this is the case" in (tmp_path / "README.md").read_text(encoding="utf-8")
