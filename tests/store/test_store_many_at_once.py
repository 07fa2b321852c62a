"""What is done for many at once gives what it gives one by one; what fails half-way leaves none."""

import hashlib
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from helpers import contents
from hypothesis import given
from hypothesis import strategies as st

from spc.errors import StoreError
from spc.identity import content_hash, content_hashes, spelled
from spc.ingest import fields, quick
from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.store.connection import open_store
from spc.studies import fitting, identified, intake

Texts = st.lists(st.text(), max_size=5)
TIMES = st.builds(
    "{}T{}{}{}".format,
    st.dates(date(fields.YEARS[0], 1, 1), date(fields.YEARS[-1], 12, 31)).map(str),
    st.times().map(lambda t: t.isoformat(timespec="seconds")),
    st.one_of(st.just(""), st.integers(0, 999_999).map(lambda n: f".{n:06d}"), st.just(".5")),
    st.sampled_from(["Z", "+00:00", "+02:00", "-11:30", "+14:00"]),
)


@given(texts=Texts)
def test_texts_are_spelled_as_the_standard_library_spells_them(texts: list[str]) -> None:
    assert spelled(texts) == json.dumps(texts, ensure_ascii=False)


@given(texts=st.lists(st.text(st.characters(exclude_categories=["Cs"])), max_size=5))
def test_the_hash_of_texts_is_that_of_their_json(texts: list[str]) -> None:
    text = json.dumps(texts, ensure_ascii=False, separators=(",", ":"))
    assert content_hash(*texts) == hashlib.sha256(text.encode()).hexdigest()[:24]


@given(rows=st.lists(st.lists(st.floats(), min_size=3, max_size=3), max_size=4))
def test_rows_of_numbers_are_spelled_as_one_by_one(rows: list[list[float]]) -> None:
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    assert fitting._lists(table) == [json.dumps(row) for row in table.tolist()]


@given(times=st.lists(TIMES, min_size=1, max_size=20))
def test_times_are_read_together_as_one_by_one(times: list[str]) -> None:
    said = pd.Series(times, name="measured_at", dtype=object)
    lines = pd.Series(range(len(times)))
    with pytest.MonkeyPatch.context() as patch:
        alone = fields.times(said, lines, file="f", zone=None)
        patch.setattr(fields, "_MANY", 1)
        assert fields._plain_times(said) is not None
        together = fields.times(said, lines, file="f", zone=None)
    for one, other in zip(alone, together, strict=True):
        pd.testing.assert_series_equal(one, other, check_dtype=True)


@pytest.mark.parametrize(
    "odd", ["", "2026-01-05", "2026-01-05 08:00:00Z", "2026-02-30T08:00:00Z", "2026-01-05T08:00:00",
            "2026-01-05T08:00:00Z\n", "1969-12-31T08:00:00Z", "2100-01-01T08:00:00Z",
            "٢٠٢٦-01-05T08:00:00Z", "x"],
)  # fmt: skip
def test_one_odd_time_has_all_looked_at(odd: str) -> None:
    said = pd.Series(["2026-01-05T08:00:00Z", odd], name="measured_at", dtype=object)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fields, "_MANY", 1)
        assert fields._plain_times(said) is None


@pytest.mark.parametrize("broken", ["fit_rows", "status_rows", "first_notes"])
def test_a_failure_while_hits_are_on_their_way_leaves_nothing(
    broken: str, plan_only: Path, first_batch: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, copied: Callable[[Path], Path],
) -> None:  # fmt: skip
    store_path = copied(plan_only)
    before = contents(store_path)

    def fails(*_: Any, **__: Any) -> Any:
        raise RuntimeError("half-way")

    with open_store(store_path) as store:
        with monkeypatch.context() as patch:
            patch.setattr(intake, broken, fails)
            with pytest.raises(RuntimeError, match="half-way"):
                intake.take_file(store, read_file(first_batch, Declared()), "tester")
        assert store.scalar("SELECT count(*) FROM hit") == 0
    after = contents(store_path)
    assert {t: len(rows) for t, rows in after.items()} == {t: len(r) for t, r in before.items()}
    with open_store(store_path) as store:
        taken = intake.take_file(store, read_file(first_batch, Declared()), "tester")
        assert store.scalar("SELECT count(*) FROM hit") == taken.rows


@pytest.fixture
def copied(tmp_path: Path) -> Callable[[Path], Path]:
    def copy(path: Path) -> Path:
        target = tmp_path / "copy.duckdb"
        target.write_bytes(path.read_bytes())
        return target

    return copy


WORDS = st.lists(st.text(st.characters(exclude_categories=["Cs"])), max_size=4)


@given(texts=WORDS, before=WORDS, after=WORDS)
def test_hashes_made_together_are_those_made_one_by_one(
    texts: list[str], before: list[str], after: list[str]
) -> None:
    found = content_hashes(texts, before=tuple(before), after=tuple(after))
    assert found == [content_hash(*before, text, *after) for text in texts]


@given(st.lists(st.one_of(st.just(None), st.datetimes(), st.dates()), min_size=1, max_size=9))
def test_times_are_spelled_as_one_by_one(moments: list[Any]) -> None:
    said = pd.Series([pd.NaT if m is None else pd.Timestamp(m) for m in moments])
    runs = pd.DataFrame({"measured_at": said.astype("datetime64[us]")})
    assert identified._moments(runs) == [str(m) for m in runs["measured_at"]]
    # Copies are compared without their times.
    assert identified._moments(runs.assign(measured_at="")) == [""] * len(runs)


@given(
    rows=st.lists(st.tuples(*[st.integers(0, 3)] * 3), min_size=1, max_size=60),
    laid=st.sampled_from(["as they come", "by run", "once"]),
)
def test_rows_given_twice_are_found_in_any_order(
    rows: list[tuple[int, int, int]], laid: str
) -> None:
    rows = {"as they come": rows, "by run": sorted(rows), "once": sorted(set(rows))}[laid]
    frame = pd.DataFrame(rows, columns=["run", "point", "hit"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(quick, "_BLOCK", 7)
        patch.setattr(quick, "SAMPLE", 5)
        once = quick._each_once([frame[c].to_numpy() for c in frame])
    assert once == (not frame.duplicated().any())


def test_a_store_that_was_written_to_modestly_is_as_before(plan_only: Path) -> None:
    asked = "SELECT current_setting('threads') AS t, current_setting('memory_limit') AS m"
    with open_store(plan_only) as store:
        before = store.frame(asked)
        with store.modestly():
            assert store.frame(asked)["m"][0] == "244.1 MiB"
        assert store.frame(asked).equals(before)
        with pytest.raises(StoreError), store.modestly():
            store.frame("SELECT nothing")
        assert store.frame(asked).equals(before)
