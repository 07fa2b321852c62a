"""Parquet files: a table with typed columns, brought to the text that a CSV would hold."""

from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING

from spc.errors import InputError
from spc.ingest.text import TextTable
from spc.ingest.typed import typed_table
from spc.interrupts import interruptible

if TYPE_CHECKING:
    import duckdb

#: More rows and bytes than any export of one shift; a file that claims more is not unpacked.
MOST_ROWS, MOST_BYTES = 30_000_000, 4 << 30
#: Nothing is fetched or loaded for a file's sake.
_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}
_DECIMALS = ("DOUBLE", "FLOAT", "DECIMAL")
_NESTED = ("STRUCT", "MAP", "UNION", "LIST", "BLOB", "VARIANT")


def engine(**settings: str) -> "duckdb.DuckDBPyConnection":
    """Return the database engine over nothing but memory, which prints nothing of its own."""
    import duckdb

    connection = duckdb.connect(":memory:", config=_SETTINGS | settings)
    return connection.execute("SET enable_progress_bar=false")


def read_parquet(path: Path, *, file_id: str, size: int) -> TextTable:
    """Read a Parquet file; rows count from 1, for it has no header line.

    Numbers come as the shortest text that gives them again, times as ISO 8601.

    Raises
    ------
    InputError
        Where it is damaged, too large, or has columns that are no plain values.
    """
    import duckdb

    name = str(path)
    try:
        with interruptible(), engine() as connection:
            # A file may be called 'runs[1].parquet'; its folder may be called 'batch=B01'.
            pattern = escape(name)
            _refuse_large(connection, pattern, name)
            table = connection.read_parquet(pattern, hive_partitioning=False)
            kinds = {c: str(t) for c, t in zip(table.columns, table.types, strict=True)}
            _refuse_nested(kinds, name)
            connection.execute("SET TimeZone='UTC'")
            frame = table.project(
                ", ".join(f"{text_of(c, kind)} AS {quoted(c)}" for c, kind in kinds.items())
            ).df()
    except duckdb.Error as error:
        said = str(error).splitlines()[0].replace(f"'{name}'", "it")
        raise InputError(
            f"not a Parquet file that can be read ({said})", file=name, do="export it again"
        ) from None
    text = frame.astype(object).fillna("").map(str.strip)
    return typed_table(
        text, range(1, len(text) + 1), name=name, file_id=file_id, size=size,
        decimals={c: 1 for c, kind in kinds.items() if is_decimal(kind)},
    )  # fmt: skip


def _refuse_large(connection: "duckdb.DuckDBPyConnection", pattern: str, name: str) -> None:
    """Look at what the file says of its size before anything is unpacked."""
    rows = total(connection, "parquet_file_metadata", "num_rows", pattern)
    size = total(connection, "parquet_metadata", "total_uncompressed_size", pattern)
    if rows > MOST_ROWS or size > MOST_BYTES:
        raise InputError(
            f"{rows} rows, more than one file can bring", file=name, do="split the file"
        )


def total(connection: "duckdb.DuckDBPyConnection", function: str, column: str, pattern: str) -> int:
    """Return the sum of what a file says of itself, part by part."""
    (total,) = connection.table_function(function, [pattern]).aggregate(f"sum({column})").fetchall()
    return int(total[0] or 0)


def _refuse_nested(kinds: dict[str, str], name: str) -> None:
    for column, kind in kinds.items():
        if is_nested(kind):
            raise InputError(
                "lists where plain values belong", file=name, column=column,
                do="export one row a hit or point",
            )  # fmt: skip


def is_nested(kind: str) -> bool:
    """Tell whether a column holds more than plain values."""
    return kind.startswith(_NESTED) or kind.endswith("]")


def is_decimal(kind: str) -> bool:
    """Tell whether a column holds numbers with decimals."""
    return kind.startswith(_DECIMALS)


def quoted(column: str) -> str:
    """Return a column's name as the engine takes it."""
    return '"' + column.replace('"', '""') + '"'


def text_of(column: str, kind: str) -> str:
    """Return the expression for a column's values as the text that a CSV would hold."""
    text = f"trim(CAST({quoted(column)} AS VARCHAR))"
    if kind == "TIMESTAMP WITH TIME ZONE":
        text = f"regexp_replace({text}, '[+]00$', 'Z')"
    return text
