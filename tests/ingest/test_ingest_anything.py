"""Whatever a file holds, it is taken or refused in words; nothing else ever comes out."""

import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from helpers import fill, held_bytes
from hypothesis import example, given, settings
from hypothesis import strategies as st
from strategies import FINITE, box, csv_text, dated_runs, hit_rows, plan_toml, probed

from spc.errors import InputError
from spc.ingest.checked import Declared, Events, Results
from spc.ingest.results import read_file
from spc.store.connection import open_store
from spc.studies.intake import take_file

PLAN = box(check=1)
RNG = np.random.default_rng(20)
HITS = probed(PLAN, RNG.normal(0, 0.2, (2, 10)), RNG)
TEXT = csv_text(hit_rows(PLAN, HITS, dated_runs(2, part_temp_c="21.5")))


def outcome(data: bytes, declared: Declared) -> Results | Events | InputError:
    """Return what reading a file of these bytes gives."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "offered.csv"
        path.write_bytes(data)
        try:
            return read_file(path, declared)
        except InputError as error:
            return error


@settings(max_examples=150, deadline=None)
@given(
    data=st.binary(max_size=300),
    encoding=st.sampled_from([None, "utf-8", "cp1252", "utf-16", "latin-1", "shift_jis"]),
)
@example(data=b"\xef\xbb\xbf", encoding=None)
@example(data=b"\x0c\x1c\x85", encoding="latin-1")
@example(data=b'"', encoding=None)
@example(data=b"at,kind\n,\n", encoding=None)
def test_any_bytes_are_refused_in_one_line(data: bytes, encoding: str | None) -> None:
    found = outcome(data, Declared(encoding=encoding))
    assert isinstance(found, InputError)
    assert str(found).splitlines()[0].startswith(found.file or "")


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(0, len(TEXT) - 1),
    cut=st.integers(0, 40),
    put=st.text(
        st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from(',;"\n\r.-+e0 ')),
        max_size=8,
    ),
)
def test_a_good_file_with_a_bad_place_is_taken_whole_or_refused(
    at: int, cut: int, put: str
) -> None:
    found = outcome((TEXT[:at] + put + TEXT[at + cut :]).encode(), Declared())
    if isinstance(found, InputError):
        assert found.what
    else:
        assert isinstance(found, Results)
        assert np.isfinite(found.values[["x", "y", "z"]].to_numpy()).all()
        assert (found.values["hit"] >= 1).all()


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds the box's plan; to be copied."""
    folder = tmp_path_factory.mktemp("anything")
    (folder / "plan.toml").write_text(plan_toml(PLAN))
    fill(folder / "box.duckdb", [], plan=folder / "plan.toml")
    return folder / "box.duckdb"


@settings(max_examples=15, deadline=None)
@given(
    changed=st.dictionaries(
        st.tuples(st.integers(0, 1), st.integers(0, 9), st.integers(0, 2), st.integers(0, 2)),
        st.one_of(FINITE, st.floats(-1e6, 1e6), st.just(0.0)),
        min_size=1, max_size=12,
    ),
)  # fmt: skip
@example(changed={(r, p, h, a): 0.0 for r in range(2) for p in range(10) for h in range(3)
                  for a in range(3)})  # fmt: skip
@example(changed={(0, p, h, a): 1.0 for p in range(10) for h in range(3) for a in range(3)})
def test_any_positions_are_fitted_kept_or_refused_and_never_fail(
    changed: dict[tuple[int, int, int, int], float], empty: Path
) -> None:
    hits = HITS.copy()
    for place, value in changed.items():
        hits[place] = value
    with tempfile.TemporaryDirectory() as folder:
        store, path = Path(folder) / "s.duckdb", Path(folder) / "hits.csv"
        shutil.copy(empty, store)
        before = held_bytes(store)
        path.write_text(csv_text(hit_rows(PLAN, hits, dated_runs(2))))
        said = ""
        with open_store(store) as opened:
            try:
                taken = take_file(opened, read_file(path, Declared()), "tester")
            except InputError as error:
                said = str(error)
            else:
                assert taken.new == 2
                assert opened.scalar("SELECT count(*) FROM hit") == 60
                noise = opened.scalar("SELECT count(*) FROM deviation WHERE isnan(deviation)")
                assert noise == 0
        assert said == "" or "hits.csv" in said
        assert (held_bytes(store) == before) == bool(said)
