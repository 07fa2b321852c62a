"""A large file as columns of text that the database engine reads anew for each question.

A delimited text, or a Parquet file whose values count as the text that a CSV would hold. The engine
guesses nothing and fetches nothing.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from spc.identity import file_hash
from spc.ingest.checked import Declared
from spc.ingest.offered import not_there
from spc.ingest.parquet import (
    MOST_BYTES,
    MOST_ROWS,
    engine,
    is_decimal,
    is_nested,
    quoted,
    text_of,
    total,
)  # fmt: skip
from spc.ingest.plain_text import Head, PlainText, head_of, plain_text, stamp_of
from spc.ingest.recoded import folder_of_copies, is_known, recode
from spc.ingest.text import LINE, TextTable
from spc.ingest.typed import LONGEST_VALUE

if TYPE_CHECKING:
    import duckdb

#: Rows that are looked at for what a file is like before all are read.
SAMPLE = 100_000
#: A number as the careful reader takes it, for each decimal mark.
_NUMBERS = {
    mark: rf"[+-]?([0-9]+{escaped}?[0-9]*|{escaped}[0-9]+)([eE][+-]?[0-9]+)?"
    for mark, escaped in ((".", r"\."), (",", ","))
}
#: A field longer than this is refused by the careful reader.
_LONGEST_LINE = 131_072
#: Nothing is left lying about for a file's sake, and little is held of it.
_SETTINGS = {"memory_limit": "600MB", "temp_directory": ""}
_UTF8 = re.compile(r"utf-?8(-sig)?", re.IGNORECASE)


class Unusual(Exception):
    """Something that only the careful reader may judge."""


def only(plain: bool) -> None:
    """Give up where something is unusual."""
    if not plain:
        raise Unusual


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a file's columns are called and stored as.

    Parameters
    ----------
    names
        The file's own names.
    separator
        What stands between columns; empty where columns are stored apart.
    mark
        The decimal mark, where it is declared.
    line
        Line of the first row.
    doubles
        Columns that the file holds as numbers of the very kind that the store keeps.
    decimals
        As in ``TextTable``.
    """

    names: tuple[str, ...]
    separator: str
    mark: str | None
    line: int
    doubles: frozenset[str] = frozenset()
    decimals: tuple[str, ...] = ()


def number_read(field: str, mark: str) -> str:
    """Return the expression for a text's number: NULL for an empty text, infinite for a bad one.

    A text that the pattern of the careful reader would not take may come as infinite; none comes as
    another number than the careful reader's.
    """
    text = f"replace({field}, ',', '.')" if mark == "," else field
    number = (
        f"WHEN regexp_full_match({field}, '{_NUMBERS[mark]}') "
        f"THEN TRY_CAST({text} AS DOUBLE) ELSE 'infinity'::DOUBLE END"
    )
    if mark == ".":
        # Where neither of these stands the engine takes for a number what the pattern does, and
        # costs half as much.
        number = (
            f"WHEN NOT (contains({field}, '_') OR contains({field}, '+')) "
            f"THEN coalesce(TRY_CAST({field} AS DOUBLE), 'infinity'::DOUBLE) {number}"
        )
    return f"CASE WHEN {field} = '' THEN NULL {number}"


class Scan:
    """The file's rows, which the engine reads anew for each question."""

    def __init__(
        self, connection: "duckdb.DuckDBPyConnection", rows: "duckdb.DuckDBPyRelation", kind: Kind,
        look: "Future[PlainText | None]", path: Path, declared: Declared,
    ) -> None:  # fmt: skip
        self.rows, self.kind, self.path = rows, kind, path
        self._connection, self._look = connection, look
        ours = {own: ours for ours, own in declared.columns.items()}
        self.names = [ours.get(own, own) for own in kind.names]
        self.doubles = {ours.get(own, own) for own in kind.doubles}
        self._decimals = {ours.get(own, own): kind.line for own in kind.decimals}
        self._notes = not_there(kind.names, declared)
        only(len(set(self.names)) == len(self.names) and LINE not in self.names)

    @property
    def text(self) -> PlainText:
        """Return what the look through the bytes found."""
        found = self._look.result()
        if found is None:
            raise Unusual
        return found

    def raw(self, name: str) -> str:
        """Return the expression for a column's text; NULL or empty where nothing stands there."""
        # Columns go by their places: no name of the file is ever part of a question.
        column = f"c{self.names.index(name)}"
        return f"CAST({column} AS VARCHAR)" if name in self.doubles else column

    def field(self, name: str) -> str:
        """Return the expression for a column's text; empty where nothing stands there."""
        return f"coalesce({self.raw(name)}, '')"

    def number(self, name: str, mark: str, padded: bool) -> str:
        """Return the expression for a number: NULL for an empty field, infinite for a bad one."""
        if name in self.doubles:
            column = f"c{self.names.index(name)}"
            return f"CASE WHEN isnan({column}) THEN 'infinity'::DOUBLE ELSE {column} END"
        field = f"trim({self.field(name)})" if padded else self.field(name)
        return number_read(field, mark)

    def numbers_like(self, names: Sequence[str]) -> tuple[str, bool]:
        """Return the decimal mark of the first rows, and whether blanks stand about numbers.

        Another mark, or a blank, further down is unusual.
        """
        fields = [self.field(name) for name in names if name not in self.doubles]
        mark = self.kind.mark or "."
        if not fields:
            return mark, False
        comma = " OR ".join(f"contains({field}, ',')" for field in fields)
        blank = " OR ".join(f"contains({field}, ' ')" for field in fields)
        asked = f"bool_or({comma}) AS comma, bool_or({blank}) AS blank"
        some = self.rows.limit(SAMPLE).aggregate(asked).df().iloc[0]
        if self.kind.mark is None and self.kind.separator != "," and some["comma"]:
            mark = ","
        return mark, bool(some["blank"])

    def distinct(self, expression: str, limit: int | None) -> list[str]:
        """Return the texts that an expression gives, of the first rows or of all."""
        rows = self.rows.limit(limit) if limit else self.rows
        return list(rows.project(f"{expression} AS name").distinct().df()["name"])

    def name_kind(self, kind: str, names: Sequence[str]) -> None:
        """Make a type of these names, by which a column of them comes as numbers."""
        self._connection.register("told", pd.DataFrame({"name": pd.Series(names, dtype=object)}))
        self._connection.execute(f"CREATE OR REPLACE TYPE {kind} AS ENUM (FROM told)")
        self._connection.unregister("told")

    def table(self, frame: pd.DataFrame, mark: str) -> TextTable:
        """Return a frame as the table of this file."""
        return TextTable(
            name=str(self.path), file_id=self.text.file_id, size=self.text.size, frame=frame,
            separator=self.kind.separator, mark=mark,
            notes=(*self.text.notes, *self._notes),
            decimals=self._decimals,
        )  # fmt: skip


@contextmanager
def scanned(path: Path, declared: Declared, parquet: bool) -> Iterator[Scan]:
    """Open a file for questions.

    Raises
    ------
    Unusual
        Where it is not plain, or changes meanwhile.
    """
    stamp = stamp_of(path)
    with (
        ExitStack() as kept,
        ThreadPoolExecutor(1) as beside,
        engine(**_SETTINGS) as connection,
    ):
        if parquet:
            rows, kind, look = _stored(connection, path)
        else:
            rows, kind, look = _written(connection, path, declared, kept)
        # The look through the bytes goes on beside the first questions.
        yield Scan(connection, rows, kind, beside.submit(look), path, declared)
    only(stamp_of(path) == stamp)


_Opened = tuple["duckdb.DuckDBPyRelation", Kind, Callable[[], PlainText | None]]


def _written(
    connection: "duckdb.DuckDBPyConnection", path: Path, declared: Declared, kept: ExitStack
) -> _Opened:
    """Open a delimited text; one in another code page by a copy in UTF-8 that does not outlive it.

    The copy is the file's size; without room for it the careful reader reads the file.
    """
    layout, encoding, original = declared.layout, declared.encoding or "utf-8", None
    read = path
    if not _UTF8.fullmatch(encoding):
        only(is_known(encoding))
        read = kept.enter_context(folder_of_copies()) / "utf8"
        original = recode(path, read, encoding)
    head = head_of(read, layout)
    if head is None:
        raise Unusual
    rows = connection.read_csv(
        escape(str(read)), auto_detect=False, header=True, sep=head.separator, quotechar='"',
        columns={f"c{at}": "VARCHAR" for at in range(len(head.names))}, escapechar='"',
        strict_mode=True, null_padding=False, max_line_size=_LONGEST_LINE, skiprows=layout.skip,
    )  # fmt: skip
    kind = Kind(names=head.names, separator=head.separator, mark=layout.mark, line=layout.skip + 2)
    return rows, kind, lambda: _looked(read, head, original)


def _looked(path: Path, head: Head, original: tuple[str, int] | None) -> PlainText | None:
    found = plain_text(path, head)
    if found is None or original is None:
        return found
    file_id, size = original
    return PlainText(file_id=file_id, size=size, rows=found.rows, notes=found.notes)


def _stored(connection: "duckdb.DuckDBPyConnection", path: Path) -> _Opened:
    """Open a Parquet file."""
    pattern = escape(str(path))
    count = total(connection, "parquet_file_metadata", "num_rows", pattern)
    size = total(connection, "parquet_metadata", "total_uncompressed_size", pattern)
    only(0 < count <= MOST_ROWS and size <= MOST_BYTES)
    connection.execute("SET TimeZone='UTC'")
    table = connection.read_parquet(pattern, hive_partitioning=False)
    kinds = {c: str(t) for c, t in zip(table.columns, table.types, strict=True)}
    only(not any(map(is_nested, kinds.values())))
    names = tuple(column.strip() for column in kinds)
    only("" not in names and len(set(names)) == len(names))
    double = [kind == "DOUBLE" for kind in kinds.values()]
    texts = [
        f"{quoted(c) if is_double else text_of(c, kinds[c])} AS c{at}"
        for at, (c, is_double) in enumerate(zip(kinds, double, strict=True))
    ]
    rows = table.project(", ".join(texts))
    _refuse_long(rows, [at for at, is_double in enumerate(double) if not is_double])
    kind = Kind(
        names=names, separator="", mark=None, line=1,
        doubles=frozenset(n for n, is_double in zip(names, double, strict=True) if is_double),
        decimals=tuple(
            n for n, k in zip(names, kinds.values(), strict=True) if is_decimal(k)
        ),
    )  # fmt: skip
    return (
        rows,
        kind,
        lambda: PlainText(file_id=file_hash(path), size=path.stat().st_size, rows=count, notes=()),
    )


def _refuse_long(rows: "duckdb.DuckDBPyRelation", at: Sequence[int]) -> None:
    """Give up on values that are no values; the careful reader says which."""
    if at:
        longest = ", ".join(f"max(length(c{k})) AS c{k}" for k in at)
        only(not (rows.aggregate(longest).df() > LONGEST_VALUE).any(axis=None))
