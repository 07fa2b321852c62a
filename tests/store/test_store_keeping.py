"""The store keeps what it is given, whole or not at all, and asks nothing of the driver."""

import math
import re
import shutil
import tempfile
import uuid
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from helpers import SAMPLES, Outcome, contents, fill
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import FINITE, NAMES, box, plan_toml, plans

from spc.errors import NotFoundError, StoreError
from spc.ingest.plan_toml import read_plan
from spc.plan import Plan
from spc.store import read, write
from spc.store.audit import record
from spc.store.connection import Store, create_store, now, open_store
from spc.store.schema import described, schema_text

Command = Callable[..., Outcome]


@pytest.fixture
def store(store_path: Path) -> Iterator[Store]:
    """Return an open store that holds the sample plan."""
    with open_store(store_path) as opened:
        yield opened


@pytest.fixture(scope="module")
def roomy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Return one open store for many examples."""
    with create_store(tmp_path_factory.mktemp("keeping") / "roomy.duckdb") as opened:
        yield opened


def test_a_row_outside_a_transaction_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match="outside a transaction"):
        store.insert("event", pd.DataFrame({"kind": ["x"]}))
    assert store.scalar("SELECT count(*) FROM event") == 0


def test_a_transaction_within_another_is_refused_and_the_outer_one_undone(store: Store) -> None:
    def nested() -> None:
        with store.transaction():
            store.insert("event", pd.DataFrame({"kind": ["x"]}))
            with store.transaction():
                pass

    with pytest.raises(StoreError, match="a transaction is open already"):
        nested()
    assert store.scalar("SELECT count(*) FROM event") == 0
    with store.transaction():
        store.insert("event", pd.DataFrame({"kind": ["y"]}))
        record(store, "event recorded", "y", "tester")
    assert store.scalar("SELECT count(*) FROM event") == 1


def test_rows_without_an_entry_in_the_chain_are_not_written(store: Store) -> None:
    def unrecorded() -> None:
        with store.transaction():
            record(store, "event recorded", "y", "tester")
            store.insert("event", pd.DataFrame({"kind": ["x"]}))

    with pytest.raises(StoreError, match="rows of 'event' came without an entry"):
        unrecorded()
    assert store.scalar("SELECT count(*) FROM event") == 0
    with store.transaction():
        record(store, "nothing done", "z", "tester")
    assert store.scalar("SELECT detail FROM audit") == "{}"


def test_an_error_on_the_way_undoes_what_came_before(store: Store) -> None:
    def fail() -> None:
        with store.transaction():
            store.insert("event", pd.DataFrame({"kind": ["x"]}))
            store.insert("event", pd.DataFrame({"no_such_column": [1]}))

    with pytest.raises(StoreError, match="nothing was written"):
        fail()
    assert store.scalar("SELECT count(*) FROM event") == 0


def test_a_missing_number_is_null_and_poisons_no_average(store: Store) -> None:
    rows = pd.DataFrame({"fit_id": ["f"] * 3, "deviation": [1.0, np.nan, 3.0]})
    with store.transaction():
        store.insert("deviation", rows)
    assert store.scalar("SELECT avg(deviation) FROM deviation") == 2.0
    assert store.scalar("SELECT count(*) FROM deviation WHERE isnan(deviation)") == 0


def test_what_the_driver_says_is_one_line_of_our_own(store: Store) -> None:
    with pytest.raises(StoreError) as refused:
        store.frame("SELECT nothing FROM nowhere")
    assert "\n" not in str(refused.value)


def test_every_table_and_column_says_in_the_database_what_it_is(store: Store) -> None:
    tables = store.frame("SELECT table_name, comment FROM duckdb_tables()")
    columns = store.frame("SELECT table_name, column_name, comment FROM duckdb_columns() "
                          "SEMI JOIN duckdb_tables() USING (table_name)")  # fmt: skip
    assert set(tables["table_name"]) == set(described())
    assert (tables["comment"].str.len() > 10).all()
    assert (columns["comment"].str.len() > 2).all()
    assert len(columns) == sum(len(c) for _, c in described().values())


def test_the_schema_leans_on_no_constraint_index_or_sequence() -> None:
    statements = re.sub(r"--.*", "", schema_text())
    word = r"\b(PRIMARY|UNIQUE|FOREIGN|REFERENCES|CHECK|INDEX|SEQUENCE|NOT NULL|DEFAULT)\b"
    assert re.findall(word, statements, re.IGNORECASE) == []


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(drawn=plans())
def test_any_plan_comes_back_from_the_store_bit_by_bit(drawn: Plan, roomy: Store) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(plan_toml(drawn), encoding="utf-8")
        plan, _ = read_plan(path)
    write.add_plan(roomy, plan, "tester")
    assert read.plan_by_id(roomy, plan.plan_id) == plan
    assert read.plan(roomy, plan.part, plan.revision).part == plan.part


@settings(max_examples=40, deadline=None)
@given(
    rows=st.lists(st.tuples(NAMES, FINITE, st.one_of(st.none(), FINITE)), min_size=1, max_size=20)
)
def test_any_names_and_finite_numbers_come_back_bit_by_bit(
    rows: list[tuple[str, float, float | None]], roomy: Store
) -> None:
    fit = str(uuid.uuid4())
    frame = pd.DataFrame(
        {
            "fit_id": fit,
            "run_id": fit,
            "point": [name for name, _, _ in rows],
            "deviation": [value for _, value, _ in rows],
            "residual": [math.nan if value is None else value for _, _, value in rows],
        }
    )
    with roomy.transaction():
        roomy.insert("deviation", frame)
    back = read.fit_deviations(roomy, fit)
    assert list(back["point"]) == list(frame["point"])
    for column in ("deviation", "residual"):
        got, given_ = back[column].to_numpy(), frame[column].to_numpy()
        assert got.dtype == np.float64
        # Equal bits, so that minus nought and the smallest numbers count too.
        there = ~np.isnan(given_)
        assert (got[there].view(np.int64) == given_[there].view(np.int64)).all()
        assert np.isnan(got[~there]).all()


def test_the_plan_in_force_is_the_one_added_last_and_the_earlier_one_is_kept(
    store: Store, tmp_path: Path
) -> None:
    text = plan_toml(box())
    (tmp_path / "plan.toml").write_text(text)
    first, _ = read_plan(tmp_path / "plan.toml")
    (tmp_path / "plan.toml").write_text(text.replace("residual_limit = 1.0", "residual_limit = 2"))
    second, _ = read_plan(tmp_path / "plan.toml")
    assert write.add_plan(store, first, "tester")
    assert write.add_plan(store, second, "tester")
    assert read.plan(store, "BX-1") == second
    assert read.plan_by_id(store, first.plan_id) == first
    listed = read.plans(store)
    assert list(listed[listed["part"] == "BX-1"]["in_force"]) == [False, True]


def test_which_plan_is_meant_must_be_said_where_there_are_several(
    store: Store, tmp_path: Path
) -> None:
    for made in (box(), box(revision="B"), replace(box(), part="Ö 7/b")):
        (tmp_path / "plan.toml").write_text(plan_toml(made), encoding="utf-8")
        write.add_plan(store, read_plan(tmp_path / "plan.toml")[0], "tester")
    assert read.plan(store, "Ö 7/b").revision == "A"
    assert read.plan(store, "BX-1", "B").revision == "B"
    for part, revision, words in (
        (None, None, "more than one part or revision could be meant (BX-1 A, BX-1 B, LH-640 C"),
        ("BX-1", None, "--part and --revision"),
        (None, "A", "more than one part"),
        ("BX-2", None, "no plan for part 'BX-2'"),
        (None, "Q", "no plan for revision 'Q'"),
        ("BX-1", "Z", "no plan for part 'BX-1 Z'"),
    ):
        with pytest.raises(NotFoundError, match=re.escape(words)):
            read.plan(store, part, revision)


def test_a_store_without_a_plan_says_what_to_do(tmp_path: Path) -> None:
    with (
        create_store(tmp_path / "empty.duckdb") as store,
        pytest.raises(NotFoundError, match="spc plan add"),
    ):
        read.plan(store, None)


def test_two_stores_filled_in_another_order_hold_the_same_identities(tmp_path: Path) -> None:
    files = sorted((SAMPLES / "runs" / "2026-04").glob("*.csv"))
    names = {"run": 0, "fit": 0, "piece": 0, "plan": 0, "event": 0}
    held = []
    for place, order in enumerate((files, files[::-1])):
        path = tmp_path / f"{place}.duckdb"
        fill(path, [*order, SAMPLES / "events.csv"])
        rows = contents(path)
        held.append({table: {row[at] for row in rows[table]} for table, at in names.items()})
    assert held[0] == held[1]
    assert len(held[0]["run"]) == 46


def test_the_whole_store_goes_to_parquet_and_back(
    sample_store: Path, spc: Command, tmp_path: Path
) -> None:
    folder = tmp_path / "it's Parquet"
    outcome = spc("export", "--parquet", "--folder", folder, "--store", sample_store)
    assert outcome.done("hit.parquet: 48", "run.parquet: 491 rows")
    held = contents(sample_store)
    assert {path.stem for path in folder.iterdir()} == set(held)
    for name in ("run", "deviation", "plan_point", "audit", "limit_set"):
        path = str(folder / f"{name}.parquet").replace("'", "''")
        back = duckdb.sql(f"SELECT * FROM '{path}' ORDER BY ALL").fetchall()
        assert back == held[name]


def test_the_store_kept_time_in_utc(tmp_path: Path) -> None:
    before = now()
    fill(tmp_path / "new.duckdb", [])
    with open_store(tmp_path / "new.duckdb") as store:
        written = store.frame("SELECT added_at FROM plan")["added_at"].iloc[0]
    assert before <= written.to_pydatetime() <= now()


def test_a_store_that_only_reads_cannot_be_written(store_path: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copy(store_path, tmp_path / "copy.duckdb"))

    def attempt(store: Store) -> None:
        with store.transaction():
            store.insert("event", pd.DataFrame({"kind": ["x"]}))

    with open_store(copy, read_only=True) as store, pytest.raises(StoreError, match="read-only"):
        attempt(store)
    assert contents(copy)["event"] == []
