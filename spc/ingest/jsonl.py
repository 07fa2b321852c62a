"""JSON lines: one object a line, its keys our columns."""

import json
from typing import Any

import pandas as pd

from spc.errors import InputError
from spc.ingest.text import TextTable
from spc.ingest.typed import typed_table


class _Number(str):
    """A number as its own text, so that no digit is lost and a name of digits is still told."""

    __slots__ = ()


class _Refused(Exception):
    """A line that cannot be taken: what is wrong, and in which column."""


def read_jsonl(text: str, *, name: str, file_id: str, size: int) -> TextTable:
    """Read one JSON object a line; a key left out or null is empty.

    Raises
    ------
    InputError
        At the first line that is no plain object.
    """
    if text.lstrip().startswith("["):
        raise InputError(
            "one JSON list, not JSON lines", file=name, do="write one object a line, without [ ]"
        )
    rows, lines = [], []
    for line, raw in enumerate(text.split("\n"), start=1):
        if raw.strip():
            rows.append(_row(raw, name, line))
            lines.append(line)
    frame = pd.DataFrame(rows, index=range(len(rows)), dtype=object).fillna("")
    return typed_table(
        frame, lines, name=name, file_id=file_id, size=size, decimals=_decimals(rows, lines)
    )


def _row(raw: str, name: str, line: int) -> dict[str, str]:
    try:
        said = _DECODER.decode(raw.strip())
    except _Refused as refused:
        what, column = refused.args
        raise InputError(
            what, file=name, row=line, column=column, do="write plain values, each key once"
        ) from None
    except (ValueError, RecursionError) as error:
        where = f"at character {error.colno}" if isinstance(error, json.JSONDecodeError) else "deep"
        raise InputError(
            f"not a JSON object ({where})", file=name, row=line, do="write one object a line"
        ) from None
    if not isinstance(said, dict):
        raise InputError("not a JSON object", file=name, row=line, do="write one object a line")
    return said


def _plain(pairs: list[tuple[str, Any]]) -> dict[str, str]:
    row: dict[str, str] = {}
    for key, value in pairs:
        column = key.strip()
        if column in row:
            raise _Refused("the key stands twice", column)
        row[column] = _text(column, value)
    return row


def _text(column: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dict | list):
        raise _Refused("lists where plain values belong", column)
    # bool before str: JSON's true is a word.
    text = str(value).lower() if isinstance(value, bool) else value
    return text if isinstance(text, _Number) else str(text).strip()


def _decimals(rows: list[dict[str, str]], lines: list[int]) -> dict[str, int]:
    """Return the first line of each column that holds a number with decimals, not text."""
    found: dict[str, int] = {}
    for row, line in zip(rows, lines, strict=True):
        for column, value in row.items():
            if isinstance(value, _Number) and not value.lstrip("-").isdigit():
                found.setdefault(column, line)
    return found


_DECODER = json.JSONDecoder(
    object_pairs_hook=_plain, parse_int=_Number, parse_float=_Number, parse_constant=_Number
)
