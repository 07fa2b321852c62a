"""The audit chain covers every change, and shows where one was made behind its back."""

import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest
from helpers import SAMPLES, Outcome, contents

from spc.store.audit import START, broken_links, record, row_hash
from spc.store.connection import Store, create_store, open_store

Command = Callable[..., Outcome]


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with a chain of six rows."""
    path = tmp_path_factory.mktemp("audit") / "chain.duckdb"
    with create_store(path) as store:
        for number in range(6):
            with store.transaction():
                record(store, "made", f"thing {number}", "zoë", number=number, note="é 'x' \"y\"")
    return path


def broken_in(path: Path) -> list[int]:
    """Return the broken links of a store."""
    with open_store(path, read_only=True) as store:
        return broken_links(store)


def test_the_chain_of_the_sample_store_is_whole_and_names_every_file(sample_store: Path) -> None:
    assert broken_in(sample_store) == []
    held = contents(sample_store)
    taken = [row for row in held["audit"] if row[3] == "file taken"]
    files = len(list(SAMPLES.rglob("*.csv")))
    assert len(taken) == len(held["source_file"]) == files
    assert {row[4] for row in taken} == {row[1] for row in held["source_file"]}
    assert sorted(row[3] for row in held["audit"])[-1] == "store made"


def test_an_empty_chain_is_whole(tmp_path: Path) -> None:
    with create_store(tmp_path / "empty.duckdb") as store:
        assert broken_links(store) == []


TAMPERED = {
    "a word changed": ("UPDATE audit SET subject = 'thing x' WHERE seq = 3", [3]),
    "a person changed": ("UPDATE audit SET who = 'ana' WHERE seq = 1", [1]),
    "a time changed": ("UPDATE audit SET written_at = written_at + INTERVAL 1 MICROSECOND "
                       "WHERE seq = 6", [6]),
    "a detail changed": ("UPDATE audit SET detail = replace(detail, '4', '5') WHERE seq = 5", [5]),
    "a version changed": ("UPDATE audit SET tool_version = '9' WHERE seq = 2", [2]),
    "a hash changed": (f"UPDATE audit SET hash = '{START}' WHERE seq = 4", [4, 5]),
    "a row taken out": ("DELETE FROM audit WHERE seq = 3", [3, 4, 5]),
    "the first taken out": ("DELETE FROM audit WHERE seq = 1", [1, 2, 3, 4, 5]),
    "a row doubled": ("INSERT INTO audit SELECT * FROM audit WHERE seq = 6", [7]),
    "two rows exchanged": ("UPDATE audit SET seq = 7 - seq WHERE seq IN (3, 4)", [3, 4, 5]),
}  # fmt: skip


@pytest.mark.parametrize("name", TAMPERED)
def test_a_change_behind_the_chain_is_found_where_it_was_made(
    name: str, chain: Path, tmp_path: Path
) -> None:
    statement, places = TAMPERED[name]
    copy = Path(shutil.copy(chain, tmp_path / "copy.duckdb"))
    assert broken_in(copy) == []
    with duckdb.connect(str(copy)) as connection:
        connection.execute(statement)
    assert broken_in(copy) == places


def test_a_row_forged_with_its_own_hash_breaks_the_next_one(chain: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copy(chain, tmp_path / "copy.duckdb"))
    with duckdb.connect(str(copy)) as connection:
        (row,) = connection.execute("SELECT * FROM audit WHERE seq = 3").fetchall()
        forged = [*row[:2], "ana", *row[3:8]]
        connection.execute("UPDATE audit SET who = 'ana', hash = ? WHERE seq = 3",
                           [row_hash(*forged)])  # fmt: skip
    assert broken_in(copy) == [4]


def test_commands_that_change_nothing_add_nothing_to_the_chain(
    sample_copy: Path, spc: Command, samples: Path, first_batch: Path
) -> None:
    before = len(contents(sample_copy)["audit"])
    assert spc("ingest", first_batch, samples / "events.csv", "--store", sample_copy).status == 0
    assert spc("plan", "add", samples / "LH-640.toml", "--store", sample_copy).status == 0
    assert spc("run", "list", "--store", sample_copy).status == 0
    assert len(contents(sample_copy)["audit"]) == before


def test_a_change_that_is_rolled_back_leaves_no_link(chain: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copy(chain, tmp_path / "copy.duckdb"))

    def fail(store: Store) -> None:
        with store.transaction():
            record(store, "made", "nothing", "zoë")
            raise KeyError("on the way")

    with open_store(copy) as store:
        with pytest.raises(KeyError):
            fail(store)
        with store.transaction():
            record(store, "made", "thing 6", "zoë")
    assert broken_in(copy) == []
    assert [row[0] for row in contents(copy)["audit"]] == list(range(1, 8))
