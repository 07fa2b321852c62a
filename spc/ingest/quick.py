"""Large plain files read by columns, for speed and memory; the careful reader has the last word.

The database engine parses the text and hands on columns; nothing is guessed by it, and every field
is held to the very rules of the careful reader. Wherever anything at all is unusual this reader
gives up, and the careful one reads the file from the start and says what is wrong where. So there
is one set of refusals, and both readers give the same results.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.ingest.arm_checks import NEEDED as ARM_CHECK
from spc.ingest.checked import DEVIATIONS, HITS, Declared, Results
from spc.ingest.columns import KNOWN, LENGTHS
from spc.ingest.fields import LARGEST_LENGTH, refuse_controls, whole_numbers
from spc.ingest.offered import as_declared, named_in
from spc.ingest.quick_scan import SAMPLE, Scan, Unusual, only, scanned
from spc.ingest.quick_times import (
    WALL,
    ZONE,
    HitTimes,
    columns_of_time,
    differ_within_runs,
    earliest,
    hit_times,
)  # fmt: skip
from spc.ingest.runs_table import depth_of, run_keys, run_rows, unit_of, with_known_columns
from spc.ingest.text import LINE
from spc.interrupts import interruptible
from spc.units import millimetres_per

Ints = npt.NDArray[np.int64]
Lengths = npt.NDArray[np.float64]

#: Smaller files gain nothing, bytes; Parquet holds much in few.
LEAST_BYTES, LEAST_PACKED = 4 << 20, 1 << 19
#: Columns that may differ within a run: a few names, and lengths.
_NAMES = ("point", "hit", "station")
_VALUES = (*_NAMES, *LENGTHS)
#: What tells a run from the others.
_LABEL = ("part", "serial", "run")
#: A file of more runs than this is no file of results.
_MOST_RUNS = 2_000_000
#: Rows looked at together.
_BLOCK = 1 << 16
#: A name must differ from the run's other names by this, which no good name holds.
_BETWEEN = "\x1f"


def read_quick(path: Path, declared: Declared, *, parquet: bool = False) -> Results | None:
    """Read a plain results file; None where the careful reader has to.

    Parameters
    ----------
    path
        The file.
    declared
        What is declared about it.
    parquet
        True for a Parquet file, False for a delimited text.
    """
    if declared.wide or declared.layout.skip_matching:
        return None
    import duckdb

    try:
        with interruptible(), scanned(path, declared, parquet) as scan:
            return _results(scan, declared)
    except (Unusual, InputError, OSError, UnicodeError, duckdb.Error):
        return None


def _results(scan: Scan, declared: Declared) -> Results:
    named = [name for name in scan.names if name not in declared.ignored]
    only(not {"at", "kind"} <= set(named) and not set(ARM_CHECK) <= set(named))
    only(not set(declared.constants) & set(_VALUES) - set(named))
    rows, runs, declared = _rows_and_runs(scan, declared, named)
    # The columns have our names already.
    frame = _table(named, runs, declared)
    table = as_declared(scan.table(frame, rows.mark), replace(declared, columns={}))
    frame, said = with_known_columns(table, declared)
    name, depth = table.name, depth_of(frame, table.name)
    unit = unit_of(frame, name)
    keys = run_keys(frame, name)
    # Two spellings of one run (a blank more) would have to be compared with one another.
    only(bool((keys == np.arange(len(frame))).all()))
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
    line: int


def _rows_and_runs(
    scan: Scan, declared: Declared, named: Sequence[str]
) -> tuple[_Rows, pd.DataFrame, Declared]:
    """Return the rows, what the file says of each run with its first line, and what is left to say.

    Where each hit has its own time, a run's is the earliest, in ISO 8601 and without a format.
    """
    label = [name for name in _LABEL if name in named]
    only(bool(label))
    timed = columns_of_time(declared, named)
    times = None
    if differ_within_runs(scan, label, timed):
        only("measured_at" not in {*named_in(declared.file_name), *named} - set(timed))
        times = hit_times(scan, declared, timed)
    of_runs = [n for n in named if n in timed or (n in KNOWN and n not in _VALUES)]
    told = _told_of_runs(scan, [n for n in of_runs if times is None or n not in timed])
    # Where the label alone tells runs apart, less text has to be looked up.
    by = next(([name] for name in label[::-1] if not told[name].duplicated().any()), label)
    values, mark = _values_read(scan, named, _run_kind(scan, told, by), times)
    place, first, order = _numbered(values.pop("run"), len(told))
    runs = told.iloc[order].reset_index(drop=True).map(str.strip)
    runs[LINE] = first + scan.kind.line
    if times is not None:
        walls, zones = values.pop(WALL), values.pop(ZONE)
        runs["measured_at"] = pd.Series(earliest(place, walls, zones, declared.zone), dtype=object)
        declared = replace(
            declared, moment=(), time_format="", ignored=(*declared.ignored, *declared.moment)
        )
    return _Rows(run=place, values=values, mark=mark, line=scan.kind.line), runs, declared


def _numbered(coded: "pd.Series[int]", count: int) -> tuple[Ints, Ints, Ints]:
    """Return the run of each row in the order of the file, its first row, and its place before."""
    codes: Ints = np.asarray(coded, dtype=np.int64)
    first = np.flatnonzero(~coded.duplicated()).astype(np.int64)
    order = codes[first]
    only(len(order) == count)
    place = np.empty(count, dtype=np.int64)
    place[order] = np.arange(count)
    return place[codes], first, order


def _told_of_runs(scan: Scan, names: Sequence[str]) -> pd.DataFrame:
    """Return every combination of what rows say of their runs: one a run, or not plain."""
    raw = [f"{scan.raw(name)} AS t{at}" for at, name in enumerate(names)]
    told = scan.rows.project(", ".join(raw)).distinct().limit(_MOST_RUNS).df()
    only(len(told) < _MOST_RUNS)
    # An empty field and an empty text are one; few rows differ, and all would be dear to ask.
    some = told.astype(object).fillna("").drop_duplicates(ignore_index=True)
    named: pd.DataFrame = some.set_axis(list(names), axis=1)
    for name in names:
        only(not named[name].str.contains(_BETWEEN, regex=False).any())
    return named


def _run_kind(scan: Scan, told: pd.DataFrame, by: Sequence[str]) -> str:
    """Make a type of the runs that these columns tell apart; return the expression of a row's."""
    spelled = told[by[0]]
    for name in by[1:]:
        spelled = spelled + _BETWEEN + told[name]
    only(not spelled.duplicated().any())
    scan.name_kind("runs", list(spelled))
    return f" || '{_BETWEEN}' || ".join(scan.field(name) for name in by)


def _values_read(
    scan: Scan, named: Sequence[str], run: str, times: HitTimes | None
) -> tuple[pd.DataFrame, str]:
    """Return run, names and lengths of each row; names as categories, and the decimal mark."""
    names = {name: scan.field(name) for name in _NAMES if name in named}
    sizes = [name for name in LENGTHS if name in named]
    mark, padded = scan.numbers_like(sizes)
    values = [f"{scan.number(name, mark, padded)} AS {name}" for name in sizes]
    if times is not None:
        names[ZONE] = times.zone
        values.append(f"{times.wall} AS {WALL}")
    # Names that are not among the first rows are rare; then all rows are looked at.
    for limit in (SAMPLE, None):
        for name, field in names.items():
            scan.name_kind(f"{name}s", scan.distinct(field, limit))
        fields = [f"TRY_CAST({field} AS {name}s) AS {name}" for name, field in names.items()]
        asked = [f"TRY_CAST({run} AS runs) AS run", *fields, *values]
        rows = scan.rows.project(", ".join(asked)).df()
        only(len(rows) == scan.text.rows)
        coded = rows[["run", *names]].apply(lambda column: column.cat.codes)
        if (coded >= 0).all(axis=None):
            return rows.assign(run=coded["run"]), mark
    raise Unusual


def _table(named: Sequence[str], runs: pd.DataFrame, declared: Declared) -> pd.DataFrame:
    """Return a table with one row a run; what a run's rows differ in stands for itself."""
    names = [name for name in named if name in runs or name not in declared.ignored]
    names += ["measured_at"] if "measured_at" in runs and "measured_at" not in names else []
    columns = {
        name: runs[name] if name in runs else ("-" if name in _VALUES else "") for name in names
    }
    frame = pd.DataFrame(columns, index=runs.index, dtype=object)
    frame[LINE] = runs[LINE]
    return frame


def _values(rows: _Rows, depth: str, factor: float) -> pd.DataFrame:
    """Return the values by the rules of the careful reader, or give up."""
    said, count = rows.values, len(rows.values)
    columns: dict[str, Any] = {"key": rows.run, "point": _names(said["point"], needed=True)}
    columns[LINE] = np.arange(rows.line, rows.line + count)
    parts = [rows.run, columns["point"].codes]
    if depth == DEVIATIONS:
        lengths = {"deviation": True, "residual": False}
    else:
        lengths = dict.fromkeys("xyz", True)
        columns["hit"] = _whole(said["hit"]) if depth == HITS else np.zeros(count, dtype=np.int64)
        columns["station"] = _names(said["station"]) if "station" in said else ""
        parts.append(columns["hit"])
    only(_each_once(parts))
    for name, needed in lengths.items():
        columns[name] = _lengths(said, name, factor, needed)
    # Copied columns would take as much memory again.
    return pd.DataFrame(columns, copy=False)


def _names(said: "pd.Series[Any]", *, needed: bool = False) -> "pd.Categorical[str]":
    """Return a column of names without the blanks around them."""
    raw = pd.Series(said.cat.categories.astype(object))
    refuse_controls(raw, pd.Series(0, index=raw.index), file="")
    codes, names = pd.factorize(raw.str.strip())
    only(not (needed and "" in names))
    return pd.Categorical.from_codes(codes[said.cat.codes], pd.Index(names, dtype=object))


def _whole(said: "pd.Series[Any]") -> Ints:
    raw = pd.Series(said.cat.categories.astype(object), name="hit").str.strip()
    numbers = whole_numbers(raw, pd.Series(0, index=raw.index), file="").to_numpy()
    return np.asarray(numbers[said.cat.codes])


def _each_once(parts: Sequence[Ints]) -> bool:
    """Tell whether no two rows are of the same run, point and hit."""
    places = [_by_appearance(part) for part in parts]
    together = np.empty(len(parts[0]), dtype=np.int64)
    rising = True
    # Block by block: what lies in the processor's cache costs a third.
    for start in range(0, len(together), _BLOCK):
        block = together[start : start + _BLOCK]
        block[:] = 0
        for part, place in zip(parts, places, strict=True):
            block *= len(place)
            block += place[part[start : start + _BLOCK]]
        steps = np.diff(together[max(start - 1, 0) : start + _BLOCK])
        rising = rising and bool((steps > 0).all())
    return rising or bool((np.diff(np.sort(together)) > 0).all())


def _by_appearance(codes: Ints) -> Ints:
    """Return a number for each code, by first appearance: runs that are alike are then in order."""
    first = pd.unique(codes[:SAMPLE])
    place = np.full(int(codes.max()) + 1, -1, dtype=np.int64)
    place[first] = np.arange(len(first))
    place[place < 0] = np.arange(len(first), len(place))
    return place


def _lengths(said: pd.DataFrame, name: str, factor: float, needed: bool) -> Lengths:
    if name not in said:
        return np.full(len(said), np.nan)
    lengths = said[name].to_numpy(dtype=np.float64)
    missing = np.isnan(lengths)
    only(not (needed and missing.any()))
    only(bool((missing | (np.abs(lengths) <= LARGEST_LENGTH / factor)).all()))
    return lengths if factor == 1.0 else lengths * factor
