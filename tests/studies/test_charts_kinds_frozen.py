"""Other kinds of chart under frozen limits: what these hold is used, and the rest is said."""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from histories import history, stored
from strategies import Array

from spc.charts.rules import DEFAULT
from spc.store.connection import open_store
from spc.studies.freezing import freeze, listed, retire
from spc.studies.kind_results import KindStudy
from spc.studies.kinds import kind_study
from spc.studies.limit_sets import LimitSet

D2 = 2 / np.pi**0.5
BATCHES, EACH = 40, 4


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return two moulds by turns; the level of both moves by 0.5 mm at batch 20."""
    rng = np.random.default_rng(6)
    batch = np.arange(BATCHES * EACH) // EACH
    values = rng.normal(0, 0.2, (BATCHES, 11))[batch] + rng.normal(0, 0.1, (len(batch), 11))
    values[:, 9] += np.where(batch >= 20, 0.5, 0.0) + np.where(batch % 2, 1.0, 0.0)
    past = history(
        values, batches=[f"B{b:02d}" for b in batch], moulds=["MN"[b % 2] for b in batch]
    )
    path = stored(tmp_path_factory.mktemp("kinds"), past)
    with open_store(path) as opened:
        freeze(opened, names=("check-1",), baseline="B20..B39", by="batch", since="2026-01-01",
               why="after the move", who="t", rules=DEFAULT)  # fmt: skip
    return path


def shown(store: Path, kind: str, **question: Any) -> KindStudy:
    with open_store(store, read_only=True) as opened:
        return kind_study(opened, "check-1", kind, **question)


def sets_of(store: Path) -> dict[str, LimitSet]:
    with open_store(store, read_only=True) as opened:
        return {one.mould: one for one in listed(opened)}


def of_mould(study: KindStudy, mould: str, figure: Array) -> Array:
    return figure[np.array([m == mould for m in study.moulds])]


def test_batch_means_are_judged_by_the_frozen_centre_and_spread(store: Path) -> None:
    study, raw = shown(store, "batches"), shown(store, "batches", baseline="B20..B39")
    assert study.limits == "frozen limits from B20..B39, in force from 2026-01-01"
    means, jumps, within = study.panels
    d4 = 1 + 3 * np.sqrt(2 - D2**2) / D2
    for mould, one in sets_of(store).items():
        np.testing.assert_allclose(of_mould(study, mould, means.upper), 3 * one.sigma, rtol=1e-9)
        np.testing.assert_allclose(of_mould(study, mould, means.lower), -3 * one.sigma, rtol=1e-9)
        np.testing.assert_allclose(of_mould(study, mould, jumps.upper), d4 * D2 * one.sigma)
        # The frozen centre is the mean of the batches that it was frozen from.
        np.testing.assert_allclose(
            of_mould(study, mould, means.values), of_mould(raw, mould, raw.panels[0].values),
            atol=1e-9,
        )  # fmt: skip
    # What the set does not hold is the baseline's, and said to be.
    assert "the limits of the spread within batches are those of the first 12 batches" in "".join(
        study.notes
    )
    usual = shown(store, "batches", baseline="B00..B11").panels[2]
    np.testing.assert_allclose(within.upper, usual.upper)
    assert not [n for n in study.notes if n.startswith("provisional: limits from 12")]


def test_cumulative_sums_are_counted_from_the_frozen_centre_in_its_sigma(store: Path) -> None:
    study, raw = shown(store, "cusum"), shown(store, "cusum", baseline="B20..B39")
    for mine, theirs in zip(study.panels, raw.panels, strict=True):
        np.testing.assert_allclose(mine.values, theirs.values, atol=1e-8)
    assert [f.value for f in study.facts] == pytest.approx([sets_of(store)["M"].sigma])
    assert study.limits.startswith("frozen limits from B20..B39")


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("mean-sd", "frozen limits of batch means do not hold the spread within batches"),
        ("mean-range", "frozen limits of batch means do not hold the spread within batches"),
        ("steps", "frozen limits do not say how neighbours hang together"),
    ],
)
def test_what_frozen_limits_do_not_hold_is_said(store: Path, kind: str, words: str) -> None:
    study, usual = shown(store, kind), shown(store, kind, baseline="B00..B11")
    assert [n for n in study.notes if n.startswith(words)]
    assert not [n for n in usual.notes if n.startswith("frozen")]
    about = study.panels[0]
    for mould, one in sets_of(store).items():
        mine = of_mould(study, mould, about.values)
        theirs = of_mould(usual, mould, usual.panels[0].values)
        moved = theirs - mine
        np.testing.assert_allclose(moved, moved[0], atol=1e-9)
        assert abs(np.mean(mine[10:])) < 1e-9, one.series
    assert usual.limits == "limits from B00..B11"


def test_counts_say_that_their_limits_cannot_be_frozen(store: Path) -> None:
    with open_store(store, read_only=True) as opened:
        study = kind_study(opened, "out-of-tolerance", "counts")
    assert "no limits of counts can be frozen: these are from the first 12 batches" in study.notes
    assert study.limits == "limits from the first 12 batches"


def test_pieces_outside_the_time_of_a_set_have_no_limits_and_are_told(
    store: Path, tmp_path: Path
) -> None:
    copy = Path(shutil.copy(store, tmp_path / "s.duckdb"))
    with open_store(copy) as opened:
        retire(opened, ("check-1",), at="2026-02-15", why="w", who="t", mould="M")
    study = shown(copy, "batches")
    assert "in force from 2026-01-01 to 2026-02-15 (mould M)" in study.limits
    # Over its own baseline, from batch 20 on, a set goes on showing.
    late = (study.times >= np.datetime64("2026-02-15")) & (np.array(study.labels) < "B20")
    mine = np.array([m == "M" for m in study.moulds])
    means = study.panels[0]
    assert np.isnan(means.upper[late & mine]).all()
    assert np.isfinite(means.values).all()
    assert np.isfinite(means.upper[late & ~mine]).all()
    n = int((late & mine).sum())
    assert f"{n} batches were measured while no frozen limits were in force, and have none" in (
        study.notes
    )


def test_of_several_moulds_those_without_frozen_limits_keep_the_baselines(
    store: Path, tmp_path: Path
) -> None:
    copy = Path(shutil.copy(store, tmp_path / "s.duckdb"))
    with open_store(copy) as opened:
        freeze(opened, names=("check-2",), baseline="B00..B19", by="batch", since=None, why="w",
               who="t", rules=DEFAULT, mould="M")  # fmt: skip
        study = kind_study(opened, "check-2", "batches")
        usual = kind_study(opened, "check-2", "batches", baseline="B00..B11")
    assert study.limits.endswith("(mould M); limits from the first 12 batches (mould N)")
    rest = np.array([m == "N" for m in study.moulds])
    for mine, theirs in zip(study.panels, usual.panels, strict=True):
        np.testing.assert_allclose(mine.values[rest], theirs.values[rest], atol=1e-12)
        np.testing.assert_allclose(mine.upper[rest], theirs.upper[rest], atol=1e-12)
    assert study.panels[0].upper[~rest][-1] != usual.panels[0].upper[~rest][-1]
