"""Seals of the audit chain: any row that is changed, taken out or put in by hand moves them."""

import hashlib
import json
import shutil
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from helpers import SAMPLES, Outcome, fill
from hypothesis import given
from hypothesis import strategies as st
from strategies import FINITE, NAMES

from spc.store.audit import record, told_seals
from spc.store.connection import Store, create_store, open_store
from spc.store.schema import typed
from spc.store.seals import Seal, sealed_tables
from spc.studies.omissions import omit
from spc.studies.store_check import check_store

Command = Callable[..., Outcome]

#: Another value of each type, whatever the first one is.
OTHER = {
    "VARCHAR": "coalesce({0}, '') || ' '",
    "DOUBLE": "coalesce(nextafter({0}, 'infinity'::DOUBLE), 0)",
    "INTEGER": "coalesce({0} + 1, 0)",
    "BIGINT": "coalesce({0} + 1, 0)",
    "TIMESTAMP": "coalesce({0} + INTERVAL 1 MICROSECOND, TIMESTAMP '2026-01-01')",
    "BOOLEAN": "NOT coalesce({0}, false)",
}
SEALED = [(table, column, kind) for (table, column), kind in typed().items()
          if table in sealed_tables()]  # fmt: skip


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, first_batch: Path) -> Path:
    """Return a store of runs, events, arm checks and a decision."""
    path = tmp_path_factory.mktemp("seals") / "kept.duckdb"
    fill(path, [first_batch, *sorted(SAMPLES.glob("*.csv"))])
    with open_store(path) as store:
        omit(store, "H0002-1", "flank-1", why="x", reason="slip", force=True, who="ana")
    return path


@pytest.fixture(scope="module")
def opened(kept: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Return a copy of it, open, with a row of nothing in every table that had none."""
    path = Path(shutil.copy(kept, tmp_path_factory.mktemp("opened") / "opened.duckdb"))
    connection = duckdb.connect(str(path))
    for table in sealed_tables():
        if not connection.execute(f"SELECT count(*) FROM {table}").fetchall()[0][0]:
            first = next(column for of, column, _ in SEALED if of == table)
            connection.execute(f"INSERT INTO {table} ({first}) VALUES (NULL)")
    with Store(path, connection) as store:
        yield store


def changed(store: Store, statement: str) -> list[str]:
    """Return the tables whose seals a statement moves; it is undone afterwards."""
    connection = store._connection
    before = store.held()
    connection.execute("BEGIN")
    try:
        connection.execute(statement)
        after = store.held()
    finally:
        connection.execute("ROLLBACK")
    return [table for table, seal in before.items() if after[table] != seal]


def test_almost_everything_is_sealed() -> None:
    assert set(sealed_tables()) == {table for table, _ in typed()} - {
        "schema_version", "audit", "merged_audit", "hit", "deviation"
    }  # fmt: skip
    assert len(SEALED) > 130


@pytest.mark.parametrize(("table", "column", "kind"), SEALED)
def test_the_least_change_of_any_field_moves_the_seal_of_its_table(
    table: str, column: str, kind: str, opened: Store
) -> None:
    one = f"rowid = (SELECT max(rowid) FROM {table})"
    other = OTHER[kind].format(column)
    assert changed(opened, f"UPDATE {table} SET {column} = {other} WHERE {one}") == [table]


@pytest.mark.parametrize("table", sealed_tables())
def test_a_row_more_or_less_moves_the_seal(table: str, opened: Store) -> None:
    one = f"rowid = (SELECT min(rowid) FROM {table})"
    assert changed(opened, f"DELETE FROM {table} WHERE {one}") == [table]
    assert changed(opened, f"INSERT INTO {table} SELECT * FROM {table} WHERE {one}") == [table]


def test_neither_the_order_of_rows_nor_writing_a_field_as_it_is_matters(opened: Store) -> None:
    for table in sealed_tables():
        again = f"CREATE TEMP TABLE again AS FROM {table} ORDER BY hash({table}), rowid"
        assert (
            changed(opened, f"{again}; DELETE FROM {table}; INSERT INTO {table} FROM again") == []
        )


@given(rows=st.lists(st.tuples(NAMES, FINITE, NAMES), min_size=1, max_size=6), data=st.data())
def test_the_seal_of_rows_on_their_way_in_is_that_of_rows_which_are_in(
    rows: list[tuple[str, float, str]],
    data: st.DataObject,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    frame = pd.DataFrame(rows, columns=["device", "reading", "artefact"])
    frame["uncertainty"] = data.draw(
        st.lists(st.none() | FINITE, min_size=len(rows), max_size=len(rows))
    )
    frame["trial"] = range(len(rows))
    frame["taken_at"] = pd.Timestamp("2026-05-04T10:00:00.123456")
    cut = data.draw(st.integers(0, len(rows)))
    with create_store(tmp_path_factory.mktemp("way") / "s.duckdb") as store:
        for part in (frame[cut:], frame[:cut]):
            with store.transaction():
                store.insert("arm_check", part)
                record(store, "some", "arm", "tester")
        assert told_seals(store).get("arm_check") == store.held()["arm_check"]


def test_a_seal_is_what_anybody_can_work_out(tmp_path: Path) -> None:
    """Worked out with Python's own SHA-256 (FIPS 180-4)."""
    rows = [("p1", "LH-640", "C", "Ω 名", datetime(2026, 5, 4, 10)), ("p2", "", "C", None, None)]
    texts = ["2:p16:LH-6401:C3:Ω 名19:2026-05-04 10:00:00", "2:p20:1:C--"]
    total = sum(int(hashlib.sha256(text.encode()).hexdigest()[:15], 16) for text in texts)
    columns = ["part_id", "part", "revision", "name", "added_at"]
    with create_store(tmp_path / "s.duckdb") as store:
        with store.transaction():
            store.insert("part", pd.DataFrame(rows, columns=columns))
            record(store, "parts", "two", "tester")
        assert store.held()["part"] == Seal(rows=2, total=total % 2**60)
        assert told_seals(store) == {"part": store.held()["part"]}


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE run SET operator = 'ben' WHERE serial = 'H0003'", "'run' that are not as"),
        ("UPDATE run SET part_temp_c = 20.0 WHERE serial = 'H0003'", "2026-04-02_B01_K1.csv"),
        ("UPDATE source_file SET warnings = 'none' WHERE kind = 'hits'", "of 'source_file'"),
        ("UPDATE event SET note = 'nothing'", "events.csv"),
        ("UPDATE plan SET source = '# another'", "'plan' that are not as they were written: some"),
        ("UPDATE omission SET who = 'zoë'", "rows of 'omission'"),
        ("UPDATE fit SET method = 'by hand'", "rows of 'fit'"),
        ("INSERT INTO rejected_file (name) VALUES ('x.csv')", "1 are there, 0 were written"),
    ],
)  # fmt: skip
def test_the_check_finds_what_was_changed_by_hand(
    statement: str, words: str, kept: Path, tmp_path: Path, spc: Command
) -> None:
    copy = Path(shutil.copy(kept, tmp_path / "copy.duckdb"))
    assert spc("store", "check", "--store", copy).done("whole")
    with duckdb.connect(str(copy)) as connection:
        connection.execute(statement)
    found = spc("store", "check", "--store", copy)
    assert found.status == 1
    assert words in found.out


def test_a_chain_that_is_no_json_is_told_and_not_read_further(kept: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copy(kept, tmp_path / "copy.duckdb"))
    with duckdb.connect(str(copy)) as connection:
        connection.execute("UPDATE audit SET detail = detail || 'x' WHERE seq = 2")
    with open_store(copy, read_only=True) as store:
        faults = check_store(store).faults
    assert [fault.what for fault in faults] == [
        "the audit chain was changed, or something taken out of it"
    ]


def test_an_end_that_was_cut_off_is_found_by_what_was_noted_elsewhere(
    kept: Path, tmp_path: Path, spc: Command
) -> None:
    copy = Path(shutil.copy(kept, tmp_path / "copy.duckdb"))
    checked = json.loads(spc("store", "check", "--json", "--store", copy).out)
    noted = checked["head"][:16]
    assert spc("store", "check", "--store", copy).done(f"audit entries, the last {noted})")
    assert spc("store", "check", "--known", noted.upper(), "--store", copy).done("whole")
    with duckdb.connect(str(copy)) as connection:
        # The last entry is the omission with its new fit.
        connection.execute("DELETE FROM audit WHERE seq = (SELECT max(seq) FROM audit)")
        connection.execute("DELETE FROM omission")
        late = "SELECT fit_id FROM fit WHERE omitted <> ''"
        connection.execute(f"DELETE FROM deviation WHERE fit_id IN ({late})")
        connection.execute(f"DELETE FROM fit WHERE fit_id IN ({late})")
    assert spc("store", "check", "--store", copy).done("whole")
    found = spc("store", "check", "--known", checked["head"], "--store", copy)
    assert found.status == 1
    assert "BROKEN in 1 way" in found.out
    assert f"an entry of the audit chain that was known elsewhere is gone: {checked['head']}" in (
        found.out
    )


@pytest.mark.parametrize("known", ["x", "0123456789abcde", "g" * 16, "a" * 65])
def test_what_is_no_hash_is_refused(known: str, kept: Path, spc: Command) -> None:
    assert spc("store", "check", "--known", known, "--store", kept).refused(
        f"'{known}' is no hash of an entry", "at least 16"
    )


def test_what_was_noted_of_a_store_holds_where_it_was_merged(
    kept: Path, tmp_path: Path, spc: Command
) -> None:
    head = json.loads(spc("store", "check", "--json", "--store", kept).out)["head"]
    into = tmp_path / "into.duckdb"
    create_store(into).close()
    assert spc("store", "merge", kept, "--store", into).status == 0
    assert spc("store", "check", "--known", head, "--store", into).done("whole")
