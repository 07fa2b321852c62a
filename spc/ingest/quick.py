"""Large plain files read by columns, for speed and memory; the careful reader has the last word.

The database engine parses the text and hands on columns; nothing is guessed by it, and every field
is held to the very rules of the careful reader. Wherever anything at all is unusual this reader
gives up, and the careful one reads the file from the start and says what is wrong where. So there
is one set of refusals, and both readers give the same results.
"""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.ingest.arm_checks import NEEDED as ARM_CHECK
from spc.ingest.checked import DEVIATIONS, HITS, Declared, Results
from spc.ingest.columns import KNOWN, LENGTHS
from spc.ingest.fields import LARGEST_LENGTH, refuse_controls, whole_numbers
from spc.ingest.offered import as_declared
from spc.ingest.plain_text import Head, PlainText, head_of, plain_text, stamp_of
from spc.ingest.runs_table import depth_of, run_keys, run_rows, unit_of, with_known_columns
from spc.ingest.text import LINE, TextTable
from spc.units import millimetres_per

if TYPE_CHECKING:
    import duckdb

Ints = npt.NDArray[np.int64]
Lengths = npt.NDArray[np.float64]

#: Smaller files gain nothing, bytes.
LEAST_BYTES = 4 << 20
#: Columns that may differ within a run: a few names, and lengths.
_NAMES = ("point", "hit", "station")
_VALUES = (*_NAMES, *LENGTHS)
#: Rows that are looked at for the names of points before all are read.
_SAMPLE = 100_000
#: A file of more runs than this is no file of results.
_MOST_RUNS = 2_000_000
#: A name must differ from the run's other names by this, which no good name holds.
_BETWEEN = "\x1f"
#: A number as the careful reader takes it, for each decimal mark.
_NUMBERS = {
    mark: rf"[+-]?([0-9]+{escaped}?[0-9]*|{escaped}[0-9]+)([eE][+-]?[0-9]+)?"
    for mark, escaped in ((".", r"\."), (",", ","))
}
#: A field longer than this is refused by the careful reader.
_LONGEST_LINE = 131_072
_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    # Nothing is fetched, loaded or left lying about for a file's sake.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "memory_limit": "600MB",
    "temp_directory": "",
}


class _Unusual(Exception):
    """Something that only the careful reader may judge."""


def read_quick(path: Path, declared: Declared) -> Results | None:
    """Read a plain results file; None where the careful reader has to.

    Parameters
    ----------
    path
        The file.
    declared
        What is declared about it.
    """
    if declared.wide or declared.layout.skip or declared.layout.skip_matching:
        return None
    if (declared.encoding or "utf-8").lower() not in ("utf-8", "utf8", "utf-8-sig"):
        return None
    import duckdb

    try:
        stamp, head = stamp_of(path), head_of(path, declared.layout)
        if head is None:
            return None
        with (
            ThreadPoolExecutor(1) as beside,
            duckdb.connect(":memory:", config=_SETTINGS) as connection,
        ):
            # The look through the bytes goes on beside the first questions.
            text = beside.submit(plain_text, path, head)
            results = _results(_Scan(connection, path, head, text, declared), declared)
        return results if stamp_of(path) == stamp else None
    except (_Unusual, InputError, OSError, duckdb.Error):
        return None


class _Scan:
    """The file as a table of text, ``rows``, that the engine reads anew for each question."""

    def __init__(
        self, connection: "duckdb.DuckDBPyConnection", path: Path, head: Head,
        text: "Future[PlainText | None]", declared: Declared,
    ) -> None:  # fmt: skip
        self.path, self.separator = path, head.separator
        self._connection, self._text = connection, text
        ours = {own: ours for ours, own in declared.columns.items()}
        self.names = [ours.get(own, own) for own in head.names]
        _only(len(set(self.names)) == len(self.names) and LINE not in self.names)
        # Columns go by their places: no name of the file is ever part of a question.
        self.rows = connection.read_csv(
            escape(str(path)), auto_detect=False, header=True, sep=head.separator, quotechar='"',
            columns={f"c{at}": "VARCHAR" for at in range(len(self.names))}, escapechar='"',
            strict_mode=True, null_padding=False, max_line_size=_LONGEST_LINE,
        )  # fmt: skip

    @property
    def text(self) -> PlainText:
        """Return what the look through the bytes found."""
        found = self._text.result()
        if found is None:
            raise _Unusual
        return found

    def field(self, name: str) -> str:
        """Return the expression for a column's text; empty where nothing stands there."""
        return f"coalesce(c{self.names.index(name)}, '')"

    def name_kind(self, kind: str, names: Sequence[str]) -> None:
        """Make a type of these names, by which a column of them comes as numbers."""
        self._connection.register("told", pd.DataFrame({"name": pd.Series(names, dtype=object)}))
        self._connection.execute(f"CREATE OR REPLACE TYPE {kind} AS ENUM (FROM told)")
        self._connection.unregister("told")


def _only(plain: bool) -> None:
    """Give up where something is unusual."""
    if not plain:
        raise _Unusual


def _results(scan: _Scan, declared: Declared) -> Results:
    named = [name for name in scan.names if name not in declared.ignored]
    _only(not {"at", "kind"} <= set(named) and not set(ARM_CHECK) <= set(named))
    _only(not set(declared.constants) & set(_VALUES) - set(named))
    rows, runs = _rows_and_runs(scan, declared, named)
    # The columns have our names already.
    table = as_declared(_table(scan, named, runs, rows.mark), replace(declared, columns={}))
    frame, said = with_known_columns(table, declared)
    name, depth = table.name, depth_of(frame, table.name)
    unit = unit_of(frame, name)
    keys = run_keys(frame, name)
    # Two spellings of one run (a blank more) would have to be compared with one another.
    _only(bool((keys == np.arange(len(frame))).all()))
    values = _values(rows, depth, millimetres_per(unit, file=name))
    return Results(
        name=name, file_id=table.file_id, size=table.size, rows=len(values), depth=depth, unit=unit,
        zone=declared.zone or "", warnings=(*table.notes, *said), values=values,
        runs=run_rows(frame, keys, table, declared.zone),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rows:
    """The rows of the file: the run of each, from 0 in their order, and its values."""

    run: Ints
    values: pd.DataFrame
    mark: str


def _rows_and_runs(
    scan: _Scan, declared: Declared, named: Sequence[str]
) -> tuple[_Rows, pd.DataFrame]:
    """Return the rows of the file, and what it says of each run, with the run's first line."""
    told = _told_of_runs(scan, [n for n in named if _of_runs(n, declared)])
    by = [name for name in ("part", "serial", "run") if name in told]
    _only(bool(by))
    # Where the label alone tells runs apart, less text has to be looked up.
    by = next(([name] for name in by[::-1] if not told[name].duplicated().any()), by)
    spelled = told[by[0]]
    for name in by[1:]:
        spelled = spelled + _BETWEEN + told[name]
    _only(not spelled.duplicated().any())
    between = f" || '{_BETWEEN}' || ".join(scan.field(name) for name in by)
    values, mark = _values_read(scan, named, declared, (between, list(spelled)))
    codes = values.pop("run").to_numpy()
    first = np.flatnonzero(~pd.Series(codes).duplicated())
    order = codes[first]
    _only(len(order) == len(told))
    place = np.empty(len(told), dtype=np.int64)
    place[order] = np.arange(len(told))
    runs = told.iloc[order].reset_index(drop=True).map(str.strip)
    return _Rows(run=place[codes], values=values, mark=mark), runs.assign(**{LINE: first + 2})


def _of_runs(name: str, declared: Declared) -> bool:
    return name in declared.moment or (name in KNOWN and name not in _VALUES)


def _told_of_runs(scan: _Scan, names: Sequence[str]) -> pd.DataFrame:
    """Return every combination of what rows say of their runs: one a run, or not plain."""
    _only(bool(names))
    fields = [f"{scan.field(name)} AS t{at}" for at, name in enumerate(names)]
    told = scan.rows.project(", ".join(fields)).distinct().limit(_MOST_RUNS).df()
    _only(len(told) < _MOST_RUNS)
    named: pd.DataFrame = told.astype(object).set_axis(list(names), axis=1)
    for name in names:
        _only(not named[name].str.contains(_BETWEEN, regex=False).any())
    return named


def _values_read(
    scan: _Scan, named: Sequence[str], declared: Declared, run: tuple[str, Sequence[str]]
) -> tuple[pd.DataFrame, str]:
    """Return run, names and lengths of each row; names as categories, and the decimal mark."""
    names = [name for name in _NAMES if name in named]
    sizes = [name for name in LENGTHS if name in named]
    scan.name_kind("runs", run[1])
    mark = declared.layout.mark or _mark(scan, sizes)
    # Names that are not among the first rows are rare; then all rows are looked at.
    for limit in (_SAMPLE, None):
        kinds = {name: _distinct(scan, name, limit) for name in names}
        for name, found in kinds.items():
            scan.name_kind(f"{name}s", found)
        fields = [f"TRY_CAST({scan.field(name)} AS {name}s) AS {name}" for name in names]
        fields += [f"{_number(scan.field(name), mark)} AS {name}" for name in sizes]
        fields.insert(0, f"TRY_CAST({run[0]} AS runs) AS run")
        rows = scan.rows.project(", ".join(fields)).df()
        _only(len(rows) == scan.text.rows)
        coded = rows[["run", *names]].apply(lambda column: column.cat.codes)
        if (coded >= 0).all(axis=None):
            return rows.assign(run=coded["run"]), mark
    raise _Unusual


def _distinct(scan: _Scan, name: str, limit: int | None) -> list[str]:
    rows = scan.rows.limit(limit) if limit else scan.rows
    return list(rows.project(f"{scan.field(name)} AS name").distinct().df()["name"])


def _mark(scan: _Scan, sizes: Sequence[str]) -> str:
    """Return the decimal mark of the first rows; another one further down is unusual."""
    if scan.separator == "," or not sizes:
        return "."
    comma = " OR ".join(f"contains({scan.field(name)}, ',')" for name in sizes)
    some = scan.rows.limit(_SAMPLE).aggregate(f"bool_or({comma}) AS comma").df()
    return "," if some["comma"].iloc[0] else "."


def _number(field: str, mark: str) -> str:
    """Return the expression for a number: NULL for an empty field, infinite for a bad one."""
    text = f"replace({field}, ',', '.')" if mark == "," else field
    return (
        f"CASE WHEN {field} = '' THEN NULL WHEN regexp_full_match({field}, '{_NUMBERS[mark]}') "
        f"THEN TRY_CAST({text} AS DOUBLE) ELSE 'infinity'::DOUBLE END"
    )


def _table(scan: _Scan, named: Sequence[str], runs: pd.DataFrame, mark: str) -> TextTable:
    """Return a table with one row a run; what a run's rows differ in stands for itself."""
    columns = {
        name: runs[name] if name in runs else ("-" if name in _VALUES else "") for name in named
    }
    frame = pd.DataFrame(columns, index=runs.index, dtype=object)
    frame[LINE] = runs[LINE]
    return TextTable(
        name=str(scan.path), file_id=scan.text.file_id, size=scan.text.size, frame=frame,
        separator=scan.separator, mark=mark, notes=scan.text.notes,
    )  # fmt: skip


def _values(rows: _Rows, depth: str, factor: float) -> pd.DataFrame:
    """Return the values by the rules of the careful reader, or give up."""
    said, count = rows.values, len(rows.values)
    columns: dict[str, Any] = {"key": rows.run, "point": _names(said["point"], needed=True)}
    columns[LINE] = np.arange(2, count + 2)
    parts = [rows.run, columns["point"].codes]
    if depth == DEVIATIONS:
        lengths = {"deviation": True, "residual": False}
    else:
        lengths = dict.fromkeys("xyz", True)
        columns["hit"] = _whole(said["hit"]) if depth == HITS else np.zeros(count, dtype=np.int64)
        columns["station"] = _names(said["station"]) if "station" in said else ""
        parts.append(columns["hit"])
    _only(_each_once(parts))
    for name, needed in lengths.items():
        columns[name] = _lengths(said, name, factor, needed)
    # Copied columns would take as much memory again.
    return pd.DataFrame(columns, copy=False)


def _names(said: "pd.Series[Any]", *, needed: bool = False) -> "pd.Categorical[str]":
    """Return a column of names without the blanks around them."""
    raw = pd.Series(said.cat.categories.astype(object))
    refuse_controls(raw, pd.Series(0, index=raw.index), file="")
    codes, names = pd.factorize(raw.str.strip())
    _only(not (needed and "" in names))
    return pd.Categorical.from_codes(codes[said.cat.codes], pd.Index(names, dtype=object))


def _whole(said: "pd.Series[Any]") -> Ints:
    raw = pd.Series(said.cat.categories.astype(object), name="hit").str.strip()
    numbers = whole_numbers(raw, pd.Series(0, index=raw.index), file="").to_numpy()
    return np.asarray(numbers[said.cat.codes])


def _each_once(parts: Sequence[Ints]) -> bool:
    """Tell whether no two rows are of the same run, point and hit."""
    together = np.zeros(len(parts[0]), dtype=np.int64)
    for part in parts:
        together = together * (int(part.max()) + 1) + part
    steps = np.diff(together)
    return bool((steps > 0).all() or (np.diff(np.sort(together)) > 0).all())


def _lengths(said: pd.DataFrame, name: str, factor: float, needed: bool) -> Lengths:
    if name not in said:
        return np.full(len(said), np.nan)
    lengths = said[name].to_numpy(dtype=np.float64)
    missing = np.isnan(lengths)
    _only(not (needed and missing.any()))
    _only(bool((missing | (np.abs(lengths) <= LARGEST_LENGTH / factor)).all()))
    return lengths * factor
