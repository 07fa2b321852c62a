"""A table as a file offers it: the reader for its kind, then what a mapping says of it."""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pandas as pd

from spc.errors import InputError
from spc.identity import bytes_hash
from spc.ingest.checked import Declared
from spc.ingest.columns import NAMES
from spc.ingest.kinds import JSON, PARQUET, XLSX
from spc.ingest.text import LINE, TextTable, decode, read_table
from spc.ingest.wide import lengthened


def table_of(path: Path, data: bytes, kind: str, declared: Declared) -> TextTable:
    """Return the table that a file of this kind holds, under the file's own names."""
    name = str(path)
    if kind == PARQUET:
        from spc.ingest.parquet import read_parquet

        return read_parquet(path, file_id=bytes_hash(data), size=len(data))
    if kind == XLSX:
        from spc.ingest.xlsx import read_xlsx

        table = read_xlsx(data, name=name, file_id=bytes_hash(data), sheet=declared.sheet,
                          skip=declared.layout.skip)  # fmt: skip
        return replace(table, mark=declared.layout.mark)
    if kind == JSON:
        from spc.ingest.jsonl import read_jsonl

        text = decode(data, name, declared.encoding)
        table = read_jsonl(text, name=name, file_id=bytes_hash(data), size=len(data))
        return replace(table, mark=declared.layout.mark)
    return read_table(path, data=data, encoding=declared.encoding, layout=declared.layout)


def as_declared(table: TextTable, declared: Declared) -> TextTable:
    """Return a table under our names: renamed, made long, with what the file's name says."""
    table = _with_moments(_renamed(table, declared), declared)
    table = replace(table, frame=table.frame.drop(columns=list(declared.ignored), errors="ignore"))
    if declared.wide:
        table = lengthened(table, declared)
    table = _with_file_name(table, declared)
    _refuse_number_names(table)
    return replace(table, notes=(*table.notes, *_dressed(table)))


def _renamed(table: TextTable, declared: Declared) -> TextTable:
    ours = {own: ours for ours, own in declared.columns.items()}
    frame = table.frame.rename(columns=ours)
    twice = frame.columns[frame.columns.duplicated()]
    if len(twice):
        raise InputError(
            f"the mapping calls '{declared.columns[str(twice[0])]}' our '{twice[0]}', and the file "
            "has a column of that name too",
            file=table.name,
            row=1,
            do="say in the mapping what the other one is",
        )
    notes = (*table.notes, *not_there([str(c) for c in table.frame], declared))
    told = [{ours.get(c, c): at for c, at in d.items()} for d in (table.decimals, table.dressed)]
    return replace(table, frame=frame, decimals=told[0], dressed=told[1], notes=notes)


def not_there(columns: Sequence[str], declared: Declared) -> list[str]:
    """Say which columns a mapping names and the file does not have: they are not guessed."""
    return [
        f"the mapping's column '{own}' for '{ours}' is not in the file"
        for ours, own in declared.columns.items()
        if own not in columns
    ]


def _with_moments(table: TextTable, declared: Declared) -> TextTable:
    """Join the columns that make up a time, and write times as ISO 8601 where they are not."""
    frame = table.frame
    missing = [c for c in declared.moment if c not in frame]
    if missing:
        raise InputError(
            f"no column '{missing[0]}'", file=table.name, row=1, do="correct it in the mapping"
        )
    if declared.moment:
        together = frame[declared.moment[0]]
        for column in declared.moment[1:]:
            together = (together + " " + frame[column]).str.strip()
        frame = frame.drop(columns=list(declared.moment)).assign(measured_at=together)
    for column in ("measured_at", "at"):
        if declared.time_format and column in frame:
            iso = _in_iso(frame, column, declared.time_format, table.name)
            frame = frame.assign(**{column: iso})
    return replace(table, frame=frame)


def _in_iso(frame: pd.DataFrame, column: str, form: str, name: str) -> "pd.Series[str]":
    written = {"": ""}
    for field in frame[column].unique():
        try:
            written[field] = field and datetime.strptime(field, form).isoformat()
        except ValueError:
            row = int(frame[LINE][frame[column] == field].iloc[0])
            raise InputError(
                f"'{field}' is not a time written as '{form}'", file=name, row=row, column=column,
                do="correct it, or time_format in the mapping",
            ) from None  # fmt: skip
    return frame[column].map(written)


def _with_file_name(table: TextTable, declared: Declared) -> TextTable:
    """Add what the file's name says; a column that says otherwise is a contradiction."""
    frame = table.frame
    for column, value in from_name(table.name, declared.file_name).items():
        if column not in frame:
            frame = frame.assign(**{column: value})
        other = (frame[column] != value) & (frame[column] != "")
        if other.any():
            raise InputError(
                f"'{frame[column][other].iloc[0]}' where the file's name says '{value}'",
                file=table.name, row=int(frame[LINE][other].iloc[0]), column=column,
                do="find out which is right",
            )  # fmt: skip
        frame = frame.assign(**{column: value})
    return replace(table, frame=frame)


def from_name(name: str, patterns: tuple[str, ...]) -> dict[str, str]:
    """Return what a file's name tells by these expressions, by our column names.

    Raises
    ------
    InputError
        Where the name does not match one of them.
    """
    said: dict[str, str] = {}
    for pattern in patterns:
        match = re.search(pattern, Path(name).name)
        if match is None:
            raise InputError(
                f"the file's name does not match '{pattern}' of the mapping", file=name,
                do="rename the file, or correct [filename] in the mapping",
            )  # fmt: skip
        said |= {k: v.strip() for k, v in match.groupdict().items() if v}
    return said


def _refuse_number_names(table: TextTable) -> None:
    for column in NAMES:
        if column in table.decimals:
            raise InputError(
                "a decimal number where a name belongs", file=table.name,
                row=table.decimals[column], column=column,
                do="store names as text, so that 12 and 12.0 are not two pieces",
            )  # fmt: skip


def _dressed(table: TextTable) -> list[str]:
    return [
        f"column '{column}', row {row}: a number that is shown in another form was taken as it is "
        "stored; store names as text"
        for column, row in table.dressed.items()
        if column in NAMES
    ]


def named_in(patterns: tuple[str, ...]) -> set[str]:
    """Return the columns that a file's name tells by these expressions."""
    return {group for pattern in patterns for group in re.compile(pattern).groupindex}
