"""Ctrl+C while the database engine is at work: it ends the command, and is no error of the store.

What the engine makes of it was found by interrupting this program at random moments; there is no
published list.
"""

import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from helpers import contents

from spc.errors import StoreError
from spc.ingest.checked import Declared
from spc.ingest.parquet import read_parquet
from spc.ingest.quick import read_quick
from spc.interrupts import interruptible
from spc.store.connection import Store, open_store
from spc.studies.store_check import check_store


@pytest.fixture(autouse=True)
def listening() -> Iterator[None]:
    """Let this process and its children be interrupted: a shell's background job ignores Ctrl+C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize(
    "error",
    [
        RuntimeError("Query interrupted"),
        duckdb.InterruptException("INTERRUPT Error: Interrupted!"),
        duckdb.InvalidInputException("Traceback (most recent call last):\n\nKeyboardInterrupt: "),
    ],
)
def test_what_the_engine_makes_of_ctrl_c_is_ctrl_c(error: Exception) -> None:
    with pytest.raises(KeyboardInterrupt), interruptible():
        raise error


@pytest.mark.parametrize(
    "error",
    [
        RuntimeError("no such thing"),
        duckdb.BinderException("Binder Error: column 'interrupted' is not there"),
        duckdb.ConversionException('Could not convert "KeyboardInterrupt" to a number'),
    ],
)
def test_other_errors_stay_what_they_are(error: Exception) -> None:
    with pytest.raises(type(error)), interruptible():
        raise error


class Interrupted:
    """A connection in whose one statement Ctrl+C comes."""

    def __init__(self, real: duckdb.DuckDBPyConnection, statement: str) -> None:
        self.real, self.statement = real, statement

    def execute(self, statement: str, *parameters: object) -> duckdb.DuckDBPyConnection:
        """Run a statement, or be interrupted."""
        if statement.startswith(self.statement):
            raise RuntimeError("Query interrupted")
        return self.real.execute(statement, *parameters)

    def register(self, name: str, rows: pd.DataFrame) -> None:
        """Offer a frame."""
        self.real.register(name, rows)

    def unregister(self, name: str) -> None:
        """Take it back."""
        self.real.unregister(name)

    def cursor(self) -> "Interrupted":
        """Return another connection that is interrupted as this one is."""
        return Interrupted(self.real.cursor(), self.statement)

    def close(self) -> None:
        """Close the real one."""
        self.real.close()


@pytest.mark.parametrize(
    "statement",
    ["SET threads", "SET memory_limit", "RESET threads", "RESET memory_limit", "BEGIN", "COMMIT",
     "ROLLBACK", "ATTACH", "USE", "DETACH", "SELECT"],
)  # fmt: skip
def test_no_statement_turns_ctrl_c_into_an_error(
    statement: str, store_path: Path, sample_store: Path
) -> None:
    before = contents(store_path)
    connection = duckdb.connect(str(store_path))
    store = Store(store_path, Interrupted(connection, statement))  # type: ignore[arg-type]
    with pytest.raises(KeyboardInterrupt):
        everything(store, sample_store, fails=statement == "ROLLBACK")
    # What had been committed before stays.
    assert (contents(store_path) == before) != statement.startswith(("RESET", "DETACH"))


def everything(store: Store, other: Path, *, fails: bool) -> None:
    """Make each kind of statement once, and fail before the end or not."""
    with store, store.beside(other), store.modestly(), store.transaction():
        store.scalar("SELECT 1")
        store.insert("schema_version", pd.DataFrame({"version": [99]}))
        if fails:
            raise StoreError("on purpose")


def test_a_store_is_opened_or_interrupted(
    store_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise RuntimeError("Query interrupted")

    monkeypatch.setattr(duckdb, "connect", interrupted)
    with pytest.raises(KeyboardInterrupt):
        open_store(store_path)


def test_readers_of_files_do_not_go_on_after_ctrl_c(
    first_batch: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = tmp_path / "batch.parquet"
    duckdb.sql(
        f"COPY (FROM read_csv('{first_batch}', all_varchar=true)) TO '{table}' (FORMAT parquet)"
    )

    def interrupted(*_: object, **__: object) -> None:
        raise duckdb.InterruptException("INTERRUPT Error: Interrupted!")

    monkeypatch.setattr(duckdb, "connect", interrupted)
    with pytest.raises(KeyboardInterrupt):
        read_quick(first_batch, Declared())
    with pytest.raises(KeyboardInterrupt):
        read_parquet(table, file_id="", size=0)


def test_stopped_by_hand_at_any_moment_it_says_nothing(store_path: Path, samples: Path) -> None:
    """Tried 24 times, at moments spread over the whole ingest of three files."""
    files = sorted((samples / "runs").glob("*/*.csv"))[:3]
    rng, clean = random.Random(20261127), store_path.read_bytes()
    # Before the command begins nobody listens but Python itself.
    begun = "from spc.cli import main; print('begun', flush=True); main()"
    command = [sys.executable, "-c", begun, "ingest", *map(str, files), "--store", str(store_path)]
    for _ in range(24):
        store_path.write_bytes(clean)
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
            assert running.stdout is not None
            assert running.stdout.readline() == b"begun\n"
            time.sleep(rng.uniform(0.1, 1.4))
            running.send_signal(signal.SIGINT)
            try:
                told, error = running.communicate(timeout=60)
            finally:
                running.kill()
        assert error.strip() == b""
        assert running.returncode in (0, 130, -signal.SIGINT)
        with open_store(store_path, read_only=True) as store:
            assert check_store(store).whole
            whole = int(store.scalar("SELECT count(*) FROM source_file"))
        # A file may be in whose line is not out yet.
        assert whole - told.count(b" runs from ") in (0, 1)
