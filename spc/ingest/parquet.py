"""Parquet files: a table with typed columns, brought to the text that a CSV would hold."""

from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING

from spc.errors import InputError
from spc.ingest.text import TextTable
from spc.ingest.typed import typed_table

if TYPE_CHECKING:
    import duckdb

#: More rows and bytes than any export of one shift; a file that claims more is not unpacked.
MOST_ROWS, MOST_BYTES = 30_000_000, 4 << 30
_DECIMALS = ("DOUBLE", "FLOAT", "DECIMAL")
_NESTED = ("STRUCT", "MAP", "UNION", "LIST", "BLOB", "VARIANT")


def read_parquet(path: Path, *, file_id: str, size: int) -> TextTable:
    """Read a Parquet file; rows count from 1, for it has no header line.

    Numbers come as the shortest text that gives them again, times as ISO 8601.

    Raises
    ------
    InputError
        Where it is damaged, too large, or has columns that are no plain values.
    """
    import duckdb

    # Nothing is fetched or loaded for a file's sake.
    settings: dict[str, str | bool | int | float | list[str]] = {
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
    }
    name = str(path)
    try:
        with duckdb.connect(":memory:", config=settings) as connection:
            # A file may be called 'runs[1].parquet'; its folder may be called 'batch=B01'.
            pattern = escape(name)
            _refuse_large(connection, pattern, name)
            table = connection.read_parquet(pattern, hive_partitioning=False)
            kinds = {c: str(t) for c, t in zip(table.columns, table.types, strict=True)}
            _refuse_nested(kinds, name)
            connection.execute("SET TimeZone='UTC'")
            frame = table.project(", ".join(_as_text(c, kind) for c, kind in kinds.items())).df()
    except duckdb.Error as error:
        said = str(error).splitlines()[0].replace(f"'{name}'", "it")
        raise InputError(
            f"not a Parquet file that can be read ({said})", file=name, do="export it again"
        ) from None
    return typed_table(
        frame.astype(object).fillna(""), range(1, len(frame) + 1), name=name, file_id=file_id,
        size=size, decimals={c: 1 for c, kind in kinds.items() if kind.startswith(_DECIMALS)},
    )  # fmt: skip


def _refuse_large(connection: "duckdb.DuckDBPyConnection", pattern: str, name: str) -> None:
    """Look at what the file says of its size before anything is unpacked."""
    rows = _total(connection, "parquet_file_metadata", "num_rows", pattern)
    size = _total(connection, "parquet_metadata", "total_uncompressed_size", pattern)
    if rows > MOST_ROWS or size > MOST_BYTES:
        raise InputError(
            f"{rows} rows, more than one file can bring", file=name, do="split the file"
        )


def _total(
    connection: "duckdb.DuckDBPyConnection", function: str, column: str, pattern: str
) -> int:
    (total,) = connection.table_function(function, [pattern]).aggregate(f"sum({column})").fetchall()
    return int(total[0] or 0)


def _refuse_nested(kinds: dict[str, str], name: str) -> None:
    for column, kind in kinds.items():
        if kind.startswith(_NESTED) or kind.endswith("]"):
            raise InputError(
                "lists where plain values belong", file=name, column=column,
                do="export one row a hit or point",
            )  # fmt: skip


def _as_text(column: str, kind: str) -> str:
    quoted = '"' + column.replace('"', '""') + '"'
    text = f"trim(CAST({quoted} AS VARCHAR))"
    if kind == "TIMESTAMP WITH TIME ZONE":
        text = f"regexp_replace({text}, '[+]00$', 'Z')"
    return f"{text} AS {quoted}"
