"""Opening the store: a short life, one transaction at a time, and driver errors in words."""

import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import pandas as pd

from spc import __version__
from spc.errors import BusyError, StoreError
from spc.interrupts import interruptible
from spc.store.schema import STEPS, VERSION, comment_statements, schema_text
from spc.store.seals import Seal, columns_of, seal_question, sealed_tables

T = TypeVar("T")

#: Seconds to wait for another process to let go of the store before giving up.
WAIT_SECONDS = 5.0
_CONFIG: dict[str, Any] = {
    # Another program's file must not make the driver look for an extension on the network.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    # The oldest driver that is supported must be able to read what the newest one wrote.
    "storage_compatibility_version": "v1.5.0",
}
#: What a large table may take on its way into the store.
_MODEST = "256MB"
#: What the driver says where another process holds the file, on Linux and macOS, and on Windows.
_HELD = ("set lock", "conflicting lock", "used by another process")


def now() -> datetime:
    """Return the time in UTC without a zone, as the store keeps it."""
    return datetime.now(UTC).replace(tzinfo=None)


class Store:
    """An open store. Use ``open_store`` or ``create_store``, and close it soon.

    While one process holds a store open for writing no other can open it, not even to read, so
    every command opens it, does one thing and closes it.
    """

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection) -> None:
        self.path = path
        self._connection = connection
        self._in_transaction = False
        self._brought: dict[str, Seal] = {}

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def frame(self, sql: str, parameters: Sequence[Any] = ()) -> pd.DataFrame:
        """Return the answer to one SELECT."""
        with _driver_errors(self.path):
            return self._connection.execute(sql, list(parameters)).df()

    def scalar(self, sql: str, parameters: Sequence[Any] = ()) -> Any:
        """Return the first value of the answer, or None."""
        with _driver_errors(self.path):
            # All rows: a result left half read keeps the connection from its next statement.
            rows = self._connection.execute(sql, list(parameters)).fetchall()
        return rows[0][0] if rows else None

    def insert(self, table: str, rows: pd.DataFrame) -> int:
        """Append rows by name inside the open transaction and return how many.

        Rows come by frame only: NaN in a frame arrives as NULL, as a bound parameter it would stay
        NaN and poison every average.
        """
        if not self._in_transaction:
            raise StoreError("a row was offered outside a transaction; nothing was written")
        if len(rows):
            with _driver_errors(self.path):
                self._connection.register("incoming", rows)
                self._connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")
                self._seal(table, "incoming", columns=rows.columns)
                self._connection.unregister("incoming")
        return len(rows)

    @contextmanager
    def modestly(self) -> Iterator[None]:
        """Write with one core less, and little memory, so that other work can go on beside.

        Of a large table the driver would otherwise hold what it has not packed yet: half a gigabyte
        of some millions of rows.
        """
        cores = max((os.cpu_count() or 1) - 1, 1)
        with _driver_errors(self.path):
            self._connection.execute(f"SET threads={cores}")
            self._connection.execute(f"SET memory_limit='{_MODEST}'")
        try:
            yield
        finally:
            # A store that a full disk has brought to its end says so elsewhere.
            with suppress(duckdb.Error), interruptible():
                self._connection.execute("RESET threads")
                self._connection.execute("RESET memory_limit")

    def execute(self, statement: str) -> None:
        """Run one statement of the schema inside the open transaction."""
        if not self._in_transaction:
            raise StoreError("the schema was to change outside a transaction; nothing was written")
        with _driver_errors(self.path):
            self._connection.execute(statement)

    def copy_in(self, table: str, question: str, parameters: Sequence[Any] = ()) -> int:
        """Append the answer to a SELECT by name inside the open transaction; return its rows."""
        if not self._in_transaction:
            raise StoreError("rows were offered outside a transaction; nothing was written")
        with _driver_errors(self.path):
            # Before, since what is in is new no more.
            self._seal(table, f"({question})", parameters)
            done = self._connection.execute(
                f"INSERT INTO {table} BY NAME {question}", list(parameters)
            )
            return int(done.fetchall()[0][0])

    def _seal(
        self, table: str, source: str, parameters: Sequence[Any] = (),
        columns: Iterable[str] | None = None,
    ) -> None:  # fmt: skip
        if table in sealed_tables():
            seal = self._seal_of(table, source, parameters, columns)
            self._brought[table] = self._brought.get(table, Seal()) + seal

    def _seal_of(
        self, table: str, source: str, parameters: Sequence[Any] = (),
        columns: Iterable[str] | None = None,
    ) -> Seal:  # fmt: skip
        question = f"SELECT {seal_question(table, source, columns)}"
        (found,) = self._connection.execute(question, list(parameters)).fetchall()
        return Seal.of_sum(*found)

    def brought(self) -> dict[str, Seal]:
        """Return the seals of what came in since the last entry of the audit chain, for the next.

        A transaction that brought rows and ends without an entry for them writes nothing.
        """
        brought, self._brought = self._brought, {}
        return brought

    def held(self) -> dict[str, Seal]:
        """Return the seals of all that is there."""
        with _driver_errors(self.path):
            return {table: self._seal_of(table, table) for table in sealed_tables()}

    def held_by_file(self, table: str) -> dict[str, Seal]:
        """Return the seals of a table's rows by the file that they came from, where they say it."""
        if ("file_id", "VARCHAR") not in columns_of(table):
            return {}
        question = f"SELECT file_id, {seal_question(table, table)} GROUP BY file_id"
        with _driver_errors(self.path):
            found = self._connection.execute(question).fetchall()
        return {str(file_id): Seal.of_sum(rows, total) for file_id, rows, total in found}

    @contextmanager
    def beside(self, other: Path, *, wait: float = WAIT_SECONDS) -> Iterator["Store"]:
        """Open another store for reading beside this one, whose tables are then ``other.TABLE``.

        Raises
        ------
        StoreError
            As ``open_store`` does.
        """
        # Opened and closed before: closing a file gives up every lock of the process on it.
        open_store(other, read_only=True, wait=wait).close()
        statement = f"""ATTACH '{os.fspath(other).replace("'", "''")}' AS other (READ_ONLY)"""
        _patiently(other, wait, lambda: self._connection.execute(statement))
        asked = self._connection.cursor()
        try:
            with interruptible():
                asked.execute("USE other")
            yield Store(other, asked)
        finally:
            asked.close()
            with interruptible():
                self._connection.execute("DETACH other")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Write whole or not at all.

        A second BEGIN would abort the open transaction in the driver, so nesting is refused here.
        """
        if self._in_transaction:
            raise StoreError("a transaction is open already; nothing was written")
        with _driver_errors(self.path):
            self._connection.execute("BEGIN")
        self._in_transaction = True
        try:
            yield
            if self._brought:
                raise StoreError(
                    f"rows of '{min(self._brought)}' came without an entry in the audit chain; "
                    "nothing was written"
                )
            with _driver_errors(self.path):
                self._connection.execute("COMMIT")
        except BaseException:
            # A commit that failed (a full disk) has ended the transaction itself already.
            with suppress(duckdb.Error), interruptible():
                self._connection.execute("ROLLBACK")
            raise
        finally:
            self._in_transaction, self._brought = False, {}


def create_store(path: Path) -> Store:
    """Make a new store at ``path``; an existing file is never touched."""
    if path.exists():
        raise StoreError(f"{path}: exists already; name another file or use it as it is")
    if not path.parent.is_dir():
        raise StoreError(f"{path}: the folder {path.parent} does not exist; make it first")
    store = Store(path, _connect(path, read_only=False, wait=0.0))
    try:
        _lay_out(store)
    except BaseException:
        # Half a store is none.
        store.close()
        path.unlink(missing_ok=True)
        raise
    return store


def _lay_out(store: Store) -> None:
    row = {"version": [VERSION], "applied_at": [now()], "tool_version": [__version__]}
    with store.transaction():
        for statement in [*_statements(schema_text()), *comment_statements()]:
            store.execute(statement)
        store.insert("schema_version", pd.DataFrame(row))


def open_store(
    path: Path, *, read_only: bool = False, wait: float = WAIT_SECONDS, older: bool = False
) -> Store:
    """Open an existing store.

    Parameters
    ----------
    path
        The store.
    read_only
        Several may read at a time, and one alone write.
    wait
        Seconds to wait for another process to let go of it.
    older
        Open one of an older schema too, to bring it forward.

    Raises
    ------
    BusyError
        Where another process holds it longer than ``wait``.
    StoreError
        Where there is none, it is no store, or it is of another version.
    """
    if not path.is_file():
        raise StoreError(f"{path}: no store here; make one with 'spc init' or name it with --store")
    store = Store(path, _connect(path, read_only=read_only, wait=wait))
    try:
        _check_version(store, older)
    except BaseException:
        store.close()
        raise
    return store


def _connect(path: Path, *, read_only: bool, wait: float) -> duckdb.DuckDBPyConnection:
    name = os.fspath(path)

    def opened() -> duckdb.DuckDBPyConnection:
        connection = duckdb.connect(name, read_only=read_only, config=_CONFIG)
        # Where the driver takes Python for one that somebody types into, it would draw the progress
        # of long questions amid what the program prints.
        return connection.execute("SET enable_progress_bar=false")

    return _patiently(path, wait, opened)


def _patiently(path: Path, wait: float, opened: Callable[[], T]) -> T:
    """Return what ``opened`` does, tried again while another process holds the file."""
    deadline = time.monotonic() + wait
    while True:
        try:
            with interruptible():
                return opened()
        except duckdb.Error as error:
            held = isinstance(error, duckdb.IOException)
            if not held or not any(word in str(error).lower() for word in _HELD):
                raise StoreError(f"{path}: {_what_is_wrong(error)}") from error
            if time.monotonic() >= deadline:
                raise BusyError(
                    f"{path}: in use by another program, waited {wait:g} s; close it there, try "
                    "again in a moment, or wait longer with --wait"
                ) from error
            time.sleep(0.1)


@contextmanager
def _driver_errors(path: Path) -> Iterator[None]:
    """Put what the driver says into one line of this project's own errors."""
    try:
        with interruptible():
            yield
    except duckdb.Error as error:
        raise StoreError(
            f"{path}: the store refused ({str(error).splitlines()[0]}); nothing was written"
        ) from error


def _what_is_wrong(error: duckdb.Error) -> str:
    text = str(error)
    # With extensions off, the driver asks for one where it recognises another program's format;
    # a table of text it would read as one, in memory.
    if any(word in text for word in ("not a valid DuckDB", "extension", "in-memory database")):
        return "not a store of this program; name another file with --store"
    if "version number" in text:
        return f"written by a newer DuckDB than the {duckdb.__version__} here; install that one"
    return f"cannot be opened ({text.splitlines()[0]}); check the path and that it may be written"


#: Counts what only a store of this program has.
_IS_STORE = """
    SELECT count(*) FROM duckdb_columns() WHERE table_name = 'schema_version'
    AND column_name = 'version' AND data_type = 'INTEGER'"""


def version_of(store: Store) -> int:
    """Return the version of a store's schema.

    Raises
    ------
    StoreError
        Where it is no store.
    """
    if not store.scalar(_IS_STORE) or not store.scalar("SELECT count(version) FROM schema_version"):
        raise StoreError(
            f"{store.path}: a database, but not a store of this program; name another file"
        )
    return int(store.scalar("SELECT max(version) FROM schema_version"))


def _check_version(store: Store, older: bool) -> None:
    version = version_of(store)
    if version > VERSION:
        raise StoreError(
            f"{store.path}: of schema version {version}, newer than the version {VERSION} of this "
            "program; use the version of spc that wrote it, or a newer one"
        )
    if version < min(STEPS, default=VERSION):
        raise StoreError(
            f"{store.path}: of schema version {version}, which no release of spc has written; "
            "name another file"
        )
    if version < VERSION and not older:
        raise StoreError(
            f"{store.path}: of schema version {version}, older than the version {VERSION} of this "
            "program; bring it forward with 'spc store migrate', which makes a backup first"
        )


def _statements(text: str) -> list[str]:
    lines = (line.split("--")[0] for line in text.splitlines())
    return [part for part in "\n".join(lines).split(";") if part.strip()]
