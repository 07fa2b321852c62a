"""Gross mistakes planted into one run: named, kept with the file, never put right."""

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers import SAMPLES, fill
from hypothesis import given
from hypothesis import strategies as st
from layouts import BACK, DOWN, FRONT, written
from scipy.spatial.transform import Rotation
from strategies import box

from spc.alignment.patch import patch_normals
from spc.demo.files import sheet_text
from spc.demo.scenario import Scenario, build
from spc.errors import InputError
from spc.ingest.plan_toml import read_plan
from spc.pages.review_text import review_text
from spc.store import read
from spc.store.connection import open_store
from spc.studies.arrays import plan_arrays
from spc.studies.fitting import fit_hits
from spc.studies.mistakes import (
    SMALLEST_PATCH,
    TILTED,
    _any_tilted,
    _axes_with,
    mistakes,
    told,
)
from spc.studies.review import review

Change = Callable[[np.ndarray, Scenario], None]


def swapped(*pairs: tuple[str, str]) -> Change:
    def change(run: np.ndarray, scenario: Scenario) -> None:
        for pair in pairs:
            at = [scenario.hood.index(name) for name in pair]
            run[at] = run[at[::-1]]

    return change


def mirrored(run: np.ndarray, scenario: Scenario) -> None:
    run[..., 1] *= -1


def in_inches(run: np.ndarray, scenario: Scenario) -> None:
    run /= 25.4


def reversed_order(run: np.ndarray, scenario: Scenario) -> None:
    run[:] = run[::-1].copy()


def at_another_face(name: str, place: tuple[float, ...], normal: tuple[float, ...]) -> Change:
    """Put three hits where the hood's own frame says, by scipy's superposition of the run."""

    def change(run: np.ndarray, scenario: Scenario) -> None:
        means, aims = run.mean(axis=1), scenario.hood.nominal
        turn, _ = Rotation.align_vectors(means - means.mean(axis=0), aims - aims.mean(axis=0))
        side = np.cross(normal, (0.3, 0.5, 0.8))
        side /= np.linalg.norm(side)
        other = np.cross(normal, side)
        at = [place + 6 * (np.cos(a) * side + np.sin(a) * other) for a in (0.0, 2.1, 4.2)]
        shift = means.mean(axis=0) - turn.apply(aims.mean(axis=0))
        run[scenario.hood.index(name)] = turn.apply(np.array(at)) + shift

    return change


MISTAKEN: dict[str, tuple[Change, str, set[str], str]] = {
    "two of the deck": (
        swapped(("deck-1", "deck-3")), "exchanged", {"deck-1", "deck-3"},
        "deck-1 and deck-3 were probed in each other's place",
    ),
    "two of the nose, tied in the fit": (
        swapped(("nose-1", "nose-2")), "exchanged", {"nose-1", "nose-2"}, "in each other's place",
    ),
    "a fit and a check point": (
        swapped(("flank-1", "left-flank-front")), "exchanged", {"flank-1", "left-flank-front"},
        "in each other's place",
    ),
    "two check points": (
        swapped(("tail-left", "tail-right")), "exchanged", {"tail-left", "tail-right"},
        "in each other's place",
    ),
    "two pairs": (
        swapped(("deck-1", "deck-3"), ("tail-left", "tail-right")), "elsewhere",
        {"deck-1", "deck-3", "tail-left", "tail-right"}, "where deck-3 should be",
    ),
    "the other hand": (mirrored, "mirrored", set(), "a mirror image of the plan"),
    "another unit": (in_inches, "unit", set(), "0.0393"),
    "another order": (reversed_order, "arrangement", set(), "names in another order"),
    "the underside for the latch": (
        at_another_face("latch-face", (0.0, 440.0, 0.0), DOWN), "face", {"latch-face"},
        "90° from the plan's normal y: probed on another face?",
    ),
    "the flank for the deck": (
        at_another_face("deck-1", (-300.0, 360.0, 270.0), FRONT), "face", {"deck-1"},
        "look along x, 90° from the plan's normal z",
    ),
    "the tail for the nose": (
        at_another_face("nose-1", (-230.0, -450.0, 140.0), BACK), "elsewhere", {"nose-1"},
        "where tail-left should be",
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def first_sheet() -> Scenario:
    return build(batches=3, pieces=5, null=True)


@pytest.mark.parametrize("name", MISTAKEN)
def test_a_mistake_in_one_run_is_named_kept_and_never_put_right(
    name: str, first_sheet: Scenario, tmp_path: Path
) -> None:
    change, kind, points, words = MISTAKEN[name]
    sheet = first_sheet.sheets[0]
    hits = sheet.hits.copy()
    change(hits[2], first_sheet)
    changed = type(sheet)(
        path=sheet.path, unit=sheet.unit, runs=sheet.runs, hits=hits, deviation=sheet.deviation
    )
    file = written(tmp_path, sheet_text(changed, first_sheet.hood.names), "run.csv")
    store_path = tmp_path / "s.duckdb"
    (outcome,) = fill(store_path, [file])
    wrong = sheet.runs[2].run
    about = [w for w in outcome.warnings if f"'{wrong}'" in w]
    assert about
    assert any(words in w for w in about)
    with open_store(store_path, read_only=True) as store:
        kept = str(store.scalar("SELECT warnings FROM source_file"))
        stored = read.hits(store, list(read.known_runs(store).run_id))
        seen, good = review(store, wrong), review(store, sheet.runs[1].run)
    assert not [w for w in outcome.warnings if w not in kept.splitlines()]
    assert {p for m in seen.closer.mistakes for p in m.points} == points
    assert {m.kind for m in seen.closer.mistakes} == {kind}
    assert (seen.advice.verdict, seen.advice.cause) == ("re-measure", "mistake")
    assert set(seen.advice.points) == points
    assert "nothing was put right here" in review_text(seen)
    # The store has what the file said, name by name.
    rows = csv.DictReader(io.StringIO(file.read_text(encoding="utf-8")))
    said = sorted((r["point"], int(r["hit"]), float(r["x"])) for r in rows)
    assert said == sorted(zip(stored["point"], stored["hit"], stored["x"], strict=True))
    assert good.closer.mistakes == ()
    assert not [w for w in outcome.warnings if f"'{sheet.runs[1].run}'" in w]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("two of the deck", "deck-1 and deck-3 were probed in each other's place"),
        ("the other hand", "mirror image"),
        ("another unit", "a factor of 1/25.4, as where inches are declared as 'mm'"),
        ("another order", "names in another order"),
    ],
)
def test_a_file_of_nothing_but_strangers_is_refused_with_what_it_looks_like(
    name: str, words: str, first_sheet: Scenario, tmp_path: Path
) -> None:
    sheet = first_sheet.sheets[0]
    hits = sheet.hits.copy()
    for run in hits:
        MISTAKEN[name][0](run, first_sheet)
    changed = type(sheet)(
        path=sheet.path, unit=sheet.unit, runs=sheet.runs, hits=hits, deviation=sheet.deviation
    )
    file = written(tmp_path, sheet_text(changed, first_sheet.hood.names), "run.csv")
    with pytest.raises(InputError, match=words):
        fill(tmp_path / "s.duckdb", [file])


def test_four_hundred_good_runs_are_not_accused(samples: Path) -> None:
    """The sample runs hold a knocked piece and a slipped hit; neither is a gross mistake."""
    plan = read_plan(samples / "LH-640.toml")[0]
    full = build()
    hits = np.concatenate([sheet.hits for sheet in full.sheets])
    fitted = fit_hits(plan, hits)
    assert len(hits) > 400
    assert not any(mistakes(plan, hits, fitted))


def test_hits_at_one_spot_are_no_plane(first_sheet: Scenario) -> None:
    """Three hits within a tenth of a millimetre look anywhere; that is no other face."""
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    hits = first_sheet.sheets[0].hits
    middle = hits.mean(axis=2, keepdims=True)
    close = middle + np.random.default_rng(3).normal(0.0, 0.05, hits.shape)
    fitted = fit_hits(plan, close)
    assert not any(mistakes(plan, close, fitted))


def test_runs_that_share_a_mistake_are_named_together(first_sheet: Scenario) -> None:
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    hits = first_sheet.sheets[0].hits.copy()
    for run in hits:
        swapped(("deck-1", "deck-2"))(run, first_sheet)
    found = mistakes(plan, hits, fit_hits(plan, hits))
    said = told(found, [f"'R{k}'" for k in range(5)])
    assert said == [
        "runs 'R0', 'R1', 'R2' and 2 more: deck-1 and deck-2 were probed in each other's place"
    ]


@pytest.mark.parametrize("percent", [-4.0, 3.0])
def test_a_large_part_that_shrank_was_not_probed_elsewhere(
    percent: float, first_sheet: Scenario
) -> None:
    """Rotationally moulded parts shrink by 2 to 4 %: 40 mm and more at the ends of a long one."""
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    hits = first_sheet.sheets[0].hits * 4.0
    large = replace(
        plan,
        points=tuple(replace(p, nominal=tuple(4.0 * v for v in p.nominal)) for p in plan.points),
    )
    shrunk = hits * (1.0 + percent / 100.0)
    fitted = fit_hits(large, shrunk)
    assert np.nanmax(np.abs(fitted.fit.deviations)) > 25.0
    assert not any(mistakes(large, shrunk, fitted))


@given(seed=st.integers(0, 2**32 - 1))
def test_no_patch_that_looks_another_way_is_passed_over(seed: int) -> None:
    """The look at all patches together against a plane through each of them, by its own module.

    Patches are tilted by anything around the limit, of any size and flatness, with hits missing.
    """
    rng = np.random.default_rng(seed)
    runs, points, most = 40, 5, 5
    geometry = replace(
        plan_arrays(box(check=0)), normals=Rotation.random(points, rng=rng).as_matrix()[:, 2]
    )
    rotation = Rotation.random(runs, rng=rng).as_matrix()
    turn = Rotation.from_rotvec(
        rng.normal(size=(runs * points, 3)) * rng.choice([0.1, 0.5], (runs * points, 1))
    ).as_matrix().reshape(runs, points, 3, 3)  # fmt: skip
    frames = np.stack([_axes_with(n) for n in geometry.normals])
    local = rng.normal(size=(runs, points, most, 3)) * (6.0, 6.0, 0.2)
    local *= rng.choice([0.02, 0.2, 1.0, 3.0], (runs, points, 1, 1))
    # Rows of `frames @ rotation` are the axes about each normal as the arm sees them.
    hits = np.einsum("rphk,rpkl->rphl", local, turn @ (frames @ rotation[:, None])) + 500.0
    hits[rng.random((runs, points, most)) < 0.3] = np.nan
    plane = patch_normals(hits, rotation, geometry.normals)
    with np.errstate(invalid="ignore"):
        tilted = (plane.angles > TILTED) & (plane.extent >= SMALLEST_PATCH)
    assert 0 < tilted.sum() < tilted.size
    np.testing.assert_array_equal(_any_tilted(hits, rotation, geometry), tilted.any(axis=1))
