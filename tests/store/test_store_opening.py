"""A store that cannot be used is one line on the error stream, and the file stays as it was."""

import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest
from helpers import Outcome, contents, held_bytes

from spc.errors import StoreError
from spc.store.connection import create_store, open_store

Command = Callable[..., Outcome]


def as_database(path: Path, *statements: str) -> Path:
    """Return ``path`` after running statements on it as a database of another program."""
    with duckdb.connect(str(path)) as connection:
        for statement in statements:
            connection.execute(statement)
    return path


def cut(path: Path, keep: float) -> Path:
    """Return ``path`` with only the first part of its bytes."""
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    return path


def overwritten(path: Path) -> Path:
    """Return ``path`` with zeros over part of it."""
    data = bytearray(path.read_bytes())
    data[5000:200_000] = bytes(195_000)
    path.write_bytes(data)
    return path


def lite(path: Path) -> Path:
    """Return ``path`` as a database of another format that the driver knows an extension for."""
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE t (a)")
    connection.close()
    return path


def with_text(path: Path, text: bytes) -> Path:
    """Return ``path`` holding these bytes."""
    path.write_bytes(text)
    return path


UNUSABLE: dict[str, tuple[Callable[[Path], object], str]] = {
    "none there": (lambda p: p.unlink(), "no store here; make one with 'spc init'"),
    "a folder": (lambda p: (p.unlink(), p.mkdir()), "is a directory"),
    "text": (lambda p: with_text(p, b"part,serial\n" * 900), "not a store of this program"),
    "nothing in it": (lambda p: with_text(p, b""), "not a store of this program"),
    "another format": (lambda p: (p.unlink(), lite(p)), "not a store of this program"),
    "another program's": (lambda p: (p.unlink(), as_database(p, "CREATE TABLE t (a INTEGER)")),
                          "a database, but not a store"),
    "another program's with a table of versions": (
        lambda p: (p.unlink(), as_database(p, "CREATE TABLE schema_version (version TEXT)")),
        "a database, but not a store"),
    "without a version": (lambda p: as_database(p, "DELETE FROM schema_version"),
                          "a database, but not a store"),
    "with an empty version": (lambda p: as_database(p, "UPDATE schema_version SET version = NULL"),
                              "a database, but not a store"),
    "a newer version": (lambda p: as_database(p, "UPDATE schema_version SET version = 99"),
                        "of schema version 99"),
    "an older version": (lambda p: as_database(p, "UPDATE schema_version SET version = 0"),
                         "of schema version 0"),
    "cut short": (lambda p: cut(p, 0.2), "Could not read enough bytes"),
    "overwritten": (overwritten, "Corrupt database file"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNUSABLE)
@pytest.mark.parametrize("work", ["read", "write"])
def test_a_store_that_cannot_be_used_is_one_line(
    name: str, work: str, spc: Command, store_path: Path, first_batch: Path
) -> None:
    damage, words = UNUSABLE[name]
    damage(store_path)
    before = held_bytes(store_path) if store_path.is_file() else None
    command = ["plan", "list"] if work == "read" else ["ingest", first_batch]
    assert spc(*command, "--store", store_path).refused(str(store_path), words)
    assert (held_bytes(store_path) if store_path.is_file() else None) == before


@pytest.mark.parametrize("name", ["results.csv", "results.parquet", "results.json"])
@pytest.mark.parametrize("command", ["plan list", "ingest one.csv", "store check", "store migrate"])
def test_a_file_of_results_is_no_store(
    name: str, command: str, spc: Command, tmp_path: Path, first_batch: Path
) -> None:
    # The driver tells formats by the ending of a name, and would read some of them in memory.
    (tmp_path / "one.csv").write_bytes(first_batch.read_bytes())
    path = with_text(tmp_path / name, b"part,serial\n1,2\n")
    assert spc(*command.split(), "--store", path).refused(str(path), "not a store of this program")
    assert path.read_bytes() == b"part,serial\n1,2\n"


def test_a_file_that_is_there_is_never_made_anew(spc: Command, store_path: Path) -> None:
    before = held_bytes(store_path)
    assert spc("init", "--store", store_path).refused("exists already")
    assert held_bytes(store_path) == before


def test_a_store_in_a_folder_that_is_not_there_is_one_line(spc: Command, tmp_path: Path) -> None:
    path = tmp_path / "none" / "spc.duckdb"
    assert spc("init", "--store", path).refused(f"the folder {path.parent} does not exist")
    assert list(tmp_path.iterdir()) == []


def test_half_a_store_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("spc.store.connection.comment_statements", lambda: ["COMMENT ON nothing"])
    with pytest.raises(StoreError, match="the store refused"):
        create_store(tmp_path / "spc.duckdb")
    assert list(tmp_path.iterdir()) == []


HOLD = """
import sys, time
from pathlib import Path
from spc.store.connection import open_store
store = open_store(Path(sys.argv[1]), read_only=sys.argv[2] == "read")
print("held", flush=True)
time.sleep(float(sys.argv[3]))
store.close()
"""


@contextmanager
def held_elsewhere(path: Path, how: str, seconds: float) -> Iterator[None]:
    """Hold a store open in another process."""
    arguments = [sys.executable, "-c", HOLD, str(path), how, str(seconds)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        try:
            yield
        finally:
            other.kill()


def test_a_store_held_by_another_process_is_one_line(
    spc: Command, store_path: Path, first_batch: Path
) -> None:
    with held_elsewhere(store_path, "write", 60):
        before = held_bytes(store_path)
        outcome = spc("ingest", first_batch, "--store", store_path, "--wait", "0.3")
        assert outcome.refused(str(store_path), "in use by another program", "try again")
        for read_only in (True, False):
            with pytest.raises(StoreError, match="in use by another program"):
                open_store(store_path, read_only=read_only, wait=0.0)
        assert held_bytes(store_path) == before
    assert spc("plan", "list", "--store", store_path).done("LH-640")


def test_a_store_let_go_in_time_is_waited_for(store_path: Path) -> None:
    with held_elsewhere(store_path, "write", 0.5), open_store(store_path, wait=20) as store:
        assert store.scalar("SELECT count(*) FROM plan") == 1


def test_many_may_read_at_once_but_not_while_one_writes(store_path: Path) -> None:
    with held_elsewhere(store_path, "read", 60):
        with open_store(store_path, read_only=True, wait=0.0) as store:
            assert store.scalar("SELECT count(*) FROM plan") == 1
        with pytest.raises(StoreError, match="in use by another program"):
            open_store(store_path, wait=0.0)


DIE = """
import os, sys
from pathlib import Path
from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.store import write
from spc.store.connection import open_store
from spc.studies.intake import take_file
take = write.record
def die(*arguments, **named):
    take(*arguments, **named)
    os._exit(9)
write.record = die
take_file(open_store(Path(sys.argv[1])), read_file(Path(sys.argv[2]), Declared()), "tester")
"""


def test_a_process_that_dies_before_its_commit_leaves_nothing(
    store_path: Path, first_batch: Path
) -> None:
    before = contents(store_path)
    died = subprocess.run([sys.executable, "-c", DIE, str(store_path), str(first_batch)])
    assert died.returncode == 9
    assert contents(store_path) == before


def test_a_disk_that_is_full_is_one_line_and_leaves_whole_files(
    store_path: Path, samples: Path
) -> None:
    files = sorted((samples / "runs").rglob("*.csv"))[:6]
    spc = Path(sys.executable).with_name("spc")
    # No file may grow beyond 600 kB, which the log of changes reaches within a few files.
    script = 'ulimit -f 600; exec "$0" ingest --store "$@"'
    outcome = subprocess.run(["bash", "-c", script, str(spc), str(store_path), *map(str, files)],
                             capture_output=True, text=True)  # fmt: skip
    assert outcome.returncode == 2
    assert outcome.stderr.startswith(f"spc: {store_path}: ")
    assert outcome.stderr.count("\n") == 1
    taken = outcome.stdout.count(" rows.")
    assert 0 < taken < len(files)
    held = contents(store_path)
    assert len(held["source_file"]) == taken
    assert len(held["hit"]) == sum(row[4] for row in held["source_file"])
    assert len(held["fit"]) == len(held["run"])


def test_a_copy_of_a_store_is_a_store(sample_store: Path, spc: Command, tmp_path: Path) -> None:
    copy = shutil.copy(sample_store, tmp_path / "Lager, Halle 3 – größer.duckdb")
    assert spc("plan", "list", "--store", copy).done("LH-640")


def test_waiting_ends_when_it_should(store_path: Path) -> None:
    with held_elsewhere(store_path, "write", 60):
        began = time.monotonic()
        with pytest.raises(StoreError):
            open_store(store_path, wait=0.3)
        assert time.monotonic() - began >= 0.3


#: What is run where the driver takes Python for one that somebody types into.
TYPED = """
import sys
from pathlib import Path
from spc.ingest.parquet import engine
from spc.store.connection import create_store
asked = "SELECT current_setting('enable_progress_bar')"
with create_store(Path(sys.argv[1])) as store, engine() as connection:
    print(store.scalar(asked), connection.execute(asked).fetchall())
"""


def test_the_driver_draws_nothing_amid_the_output(tmp_path: Path) -> None:
    asked = "SELECT current_setting('enable_progress_bar')"
    bare = f'import duckdb; print(duckdb.execute("{asked}").fetchall())'
    said = [
        subprocess.run(
            [sys.executable, "-c", *code], capture_output=True, text=True, check=True
        ).stdout.strip()
        for code in ([bare], [TYPED, str(tmp_path / "s.duckdb")])
    ]
    assert said == ["[(True,)]", "False [(False,)]"]
