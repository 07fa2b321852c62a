"""The answer of a month: what moved is told until someone holds to the new level."""

import shutil
from pathlib import Path

import pytest

from spc.charts.rules import DEFAULT
from spc.store.connection import Store, open_store
from spc.studies.freezing import freeze
from spc.studies.month import month_study
from spc.studies.spans import month


def first_sentence(store: Store) -> str:
    return month_study(store, month("2026-10")).answer[0]


def frozen(store: Store, baseline: str) -> None:
    freeze(
        store, names=(), baseline=baseline, by="batch", since=None, why="a level to hold",
        who="tester", rules=DEFAULT,
    )  # fmt: skip


@pytest.fixture
def copy(sample_store: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(sample_store, tmp_path / "copy.duckdb"))


# Lot PE-131 made both moulds smaller in July; the twist of K2 began after that (truth.json).
AFTER_THE_LOT = "2026-07-13..2026-09-10"


def test_what_frozen_limits_stand_on_is_not_told_again(copy: Path) -> None:
    with open_store(copy) as store:
        before = first_sentence(store)
        frozen(store, AFTER_THE_LOT)
        after = first_sentence(store)
    assert before.endswith("twist of the +z face, twist of the -z face and size have moved.")
    assert after.endswith("twist of the +z face and twist of the -z face have moved.")


def test_a_change_after_the_baseline_of_the_limits_is_told(copy: Path) -> None:
    with open_store(copy) as store:
        frozen(store, "2026-04-01..2026-06-30")
        assert first_sentence(store).endswith("size have moved.")
