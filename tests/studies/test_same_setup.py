"""Runs that share a set-up: told by what they say and by their pose; never counted as lifted."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers import Outcome, fill
from scipy.spatial.transform import Rotation
from strategies import Array, box, csv_text, hit_rows, nominals, normals, plan_toml, posed

from spc.store import read
from spc.store.connection import open_store
from spc.studies.gauge import GaugeStudy, gauge_study
from spc.studies.gauge_chain import gauge_chain
from spc.studies.gauge_in_force import Gauges
from spc.studies.history import study_runs
from spc.studies.same_setup import places

Command = Callable[..., Outcome]
PLAN = box(check=6)
#: Pieces, operators, set-ups, probings of a set-up, and hits.
SHAPE = (12, 2, 2, 2, 3)
#: Of a hit, of re-probing (a hand that presses), of lifting and placing, and of pieces, mm.
HIT, REPROBE, LIFT, PIECE = 0.02, 0.05, 0.15, 0.4


def study_file(
    folder: Path, *, label: Callable[[int, int], str], lifted: bool, same: bool = False
) -> Path:
    """Make a store of one study; ``label`` names a run's set-up from set-up and probing.

    The piece is ``lifted`` for each probing of a set-up, or lies the ``same`` in all of them.
    """
    rng = np.random.default_rng(5)
    cells = list(np.ndindex(SHAPE[:4]))
    at, to = nominals(PLAN), normals(PLAN)
    check = np.array([p.role == "check" for p in PLAN.points])
    piece = PIECE * rng.normal(size=(SHAPE[0], len(at))) * check
    lift = LIFT * rng.normal(size=(*SHAPE[:3], len(at))) * check
    places_of = rng.normal(0, 300, (*SHAPE[:3], SHAPE[3], 3))
    turns = Rotation.random(len(cells), rng=rng).as_matrix().reshape(*SHAPE[:4], 3, 3)
    hits, runs = [], []
    for k, (p, o, s, r) in enumerate(cells):
        off = piece[p] + lift[p, o, s] + REPROBE * rng.normal(size=len(at)) * check
        laid = (at + off[:, None] * to)[:, None] + HIT * rng.normal(
            size=(len(at), SHAPE[4], 1)
        ) * to[:, None]
        lies = (p, o, 0 if same else s, r if lifted else 0)
        hits.append(posed(laid[None], turns[lies][None], places_of[lies][None])[0])
        runs.append({
            "serial": f"P{p}", "run": f"G-{k}", "operator": "ab"[o], "setup": label(s, r),
            "measured_at": str(np.datetime64("2026-01-05T08:00") + k * 10) + ":00Z",
            "study": "G", "unit": "mm",
        })  # fmt: skip
    (folder / "plan.toml").write_text(plan_toml(PLAN))
    (folder / "g.csv").write_text(csv_text(hit_rows(PLAN, np.array(hits), runs)))
    fill(folder / "s.duckdb", [folder / "g.csv"], plan=folder / "plan.toml")
    return folder / "s.duckdb"


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Each set-up probed twice, nothing lifted between."""
    folder = tmp_path_factory.mktemp("twice")
    return study_file(folder, label=lambda s, r: str(s + 1), lifted=False)


@pytest.fixture(scope="module")
def ones(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop that writes 1 for every set-up, and lifts the piece before each run."""
    return study_file(tmp_path_factory.mktemp("ones"), label=lambda s, r: "1", lifted=True)


def analysed(path: Path) -> GaugeStudy:
    with open_store(path, read_only=True) as store:
        return gauge_study(store, "G", None, None)


def pooled(found: GaugeStudy, name: str) -> tuple[float, float, float]:
    band = found.pooled.sd[name]
    return float(band.value[-1]), float(band.low[-1]), float(band.high[-1])


def test_a_set_up_probed_again_is_not_one_more_set_up(twice: Path) -> None:
    found = analysed(twice)
    assert (found.counts.setups, found.runs) == (2, 96)
    _, low, high = pooled(found, "setup")
    assert low <= float(np.hypot(LIFT, REPROBE)) <= high
    # Counted as four set-ups the same truth would lie far above what was found.
    assert low > 0.75 * np.hypot(LIFT, REPROBE)
    assert any("48 runs probed a set-up again" in note for note in found.notes)


def test_re_probing_is_told_from_lifting_where_it_is_asked_for(twice: Path) -> None:
    with open_store(twice, read_only=True) as store:
        found = gauge_chain(store, "G", ("reprobe",))
        without = gauge_chain(store, "G", ("day",))
    truth = {"hit": HIT, "reprobe": REPROBE, "setup": LIFT, "piece": PIECE}
    assert set(truth) <= set(found.overall)
    # 48 lifted set-ups and 48 repeats at six points know a standard deviation to some 5 %.
    for name, sd in truth.items():
        assert found.overall[name] == pytest.approx(sd, rel=0.2 if name == "piece" else 0.15), name
    # A value is the mean of three hits of one run, whatever was probed again.
    assert found.quantities.hits == 3
    assert (found.runs, without.runs) == (96, 48)
    # What is left out is said, and where nothing is, nothing is said.
    left_out = ["48 runs probed a set-up again" in " ".join(c.notes) for c in (found, without)]
    assert left_out == [False, True]
    assert without.overall["setup"] == pytest.approx(np.hypot(LIFT, REPROBE), rel=0.15)


def test_the_pose_of_a_piece_that_stood_still_is_told(twice: Path) -> None:
    pose = analysed(twice).pose
    assert pose is not None
    assert (pose.groups, pose.dof) == (48, 48)
    # 48 degrees of freedom know a standard deviation to 10 %; three times that.
    np.testing.assert_allclose(pose.sd.value, pose.predicted, rtol=0.3)


def test_a_piece_that_lay_elsewhere_was_lifted_whatever_the_label_says(ones: Path) -> None:
    found = analysed(ones)
    assert found.counts.setups == 4
    assert found.pose is None
    assert any(n.startswith("72 runs say the set-up of an earlier run") for n in found.notes)
    assert not any("probed a set-up again" in n for n in found.notes)


def test_a_study_that_lifted_too_seldom_does_not_speak_however_often_it_probed(
    tmp_path: Path,
) -> None:
    """One lifted set-up a piece and person, probed four times: no repeat of a set-up at all."""
    path = study_file(tmp_path, label=lambda s, r: "1", lifted=False, same=True)
    with open_store(path, read_only=True) as store:
        words = Gauges(store, read.plan(store, None)).in_force(None).words()
    assert "repeats 0 set-ups" in words


def test_poses_that_are_not_known_contradict_no_label(
    twice: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_store(twice, read_only=True) as store:
        past = study_runs(store, read.plan(store, None), "G")

        def unknown(_store: object, run_ids: list[str], _result_set: str) -> tuple[Array, Array]:
            return np.full((len(run_ids), 3, 3), np.nan), np.full((len(run_ids), 3), np.nan)

        monkeypatch.setattr("spc.studies.same_setup.transforms_of", unknown)
        found = places(store, past)
    assert (int(found.again.sum()), found.renamed) == (48, 0)


def test_the_command_says_it(spc: Command, twice: Path) -> None:
    told = spc("gauge", "study", "G", "--store", twice)
    assert told.done("48 runs probed a set-up again", "--with reprobe", "96 runs")
    split: dict[str, Any] = json.loads(
        spc("gauge", "study", "G", "--with", "reprobe", "--json", "--store", twice).out
    )
    assert split["levels"]["reprobe"] == 96
    assert spc("gauge", "study", "G", "--with", "reprobe", "--store", twice).done(
        "re-probing (nothing lifted)"
    )
