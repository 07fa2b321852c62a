"""Bytes into a table of text, with the line of the file that each row stands on."""

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from spc.errors import InputError
from spc.identity import bytes_hash

#: Separators that are tried on the header, the most telling first.
SEPARATORS = (";", "\t", ",", "|")
#: Name of the column that keeps the line of the file, the header being line 1.
LINE = "line"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TextTable:
    """A delimited file as text.

    Parameters
    ----------
    name
        The file's name as the user gave it.
    file_id
        SHA-256 of its bytes.
    size
        Bytes.
    frame
        One column a field, all text, plus ``line``.
    separator
        What stands between its columns.
    """

    name: str
    file_id: str
    size: int
    frame: pd.DataFrame
    separator: str

    @property
    def decimal(self) -> str:
        """Return the decimal mark that the lengths use; known once the columns have our names."""
        return "," if self.separator != "," and _uses_comma(self.frame) else "."


def read_bytes(path: Path) -> bytes:
    """Return a file's bytes, or say in one line why not."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError("no such file", file=str(path), do="check the name") from None
    except IsADirectoryError:
        raise InputError(
            "a folder, not a file", file=str(path), do="name the files in it, such as FOLDER/*.csv"
        ) from None
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise InputError(f"cannot be read ({reason})", file=str(path)) from None
    if not data.strip():
        raise _empty(str(path))
    return data


def _empty(name: str) -> InputError:
    return InputError("the file is empty", file=name, do="export it again")


def decode(data: bytes, name: str, encoding: str | None = None) -> str:
    """Return the text of a file: UTF-8 with or without a mark, or the encoding that was declared.

    Another code page is never guessed: a wrong guess silently changes names.
    """
    if b"\x00" in data[:4096] and encoding is None:
        raise InputError("not a text file", file=name, do="export the results as CSV text (UTF-8)")
    try:
        # A byte order mark is no part of the first name, whichever code page was declared.
        return data.decode(encoding or "utf-8").removeprefix("\ufeff")
    except LookupError:
        raise InputError(
            f"unknown encoding '{encoding}'", file=name, do="use a name such as utf-8 or cp1252"
        ) from None
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"not {encoding or 'UTF-8'} text",
            file=name,
            row=row,
            do="save it as UTF-8, or say which code page it is with --encoding (cp1252 is usual "
            "on Windows)",
        ) from None
    except UnicodeError as error:
        raise InputError(
            f"not {encoding} text ({error})", file=name, do="say which code page it is"
        ) from None


def read_table(path: Path, *, encoding: str | None = None) -> TextTable:
    """Read a delimited file with a header line; every field stays text.

    A row with more or fewer fields than the header is refused with its line, since a shifted row
    would put a number under another name.
    """
    data = read_bytes(path)
    text = decode(data, str(path), encoding)
    first_lines = text.lstrip().splitlines()
    separator = max(SEPARATORS, key=first_lines[0].count) if first_lines else SEPARATORS[0]
    rows, lines = _records(text, separator, str(path))
    if not rows:
        raise _empty(str(path))
    header = [field.strip() for field in rows[0]]
    _check_header(header, str(path))
    _check_lengths(rows, lines, len(header), str(path))
    frame = pd.DataFrame(rows[1:], columns=header, dtype=object)
    frame = frame.map(str.strip) if len(frame) else frame
    frame[LINE] = lines[1:]
    if frame.empty:
        raise InputError("a header but no rows", file=str(path), do="export it again")
    return TextTable(
        name=str(path),
        file_id=bytes_hash(data),
        size=len(data),
        frame=frame,
        separator=separator,
    )


def _records(text: str, separator: str, name: str) -> tuple[list[list[str]], list[int]]:
    rows, lines = [], []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for row in reader:
            if any(field.strip() for field in row):
                rows.append(row)
                lines.append(reader.line_num)
    except csv.Error as error:
        raise InputError(
            f"not a well-formed table ({error})",
            file=name,
            row=reader.line_num,
            do="look for an unclosed quotation mark",
        ) from None
    return rows, lines


def _check_header(header: list[str], name: str) -> None:
    twice = sorted({column for column in header if column and header.count(column) > 1})
    if twice:
        raise InputError(
            f"the header names '{twice[0]}' twice", file=name, row=1, do="keep one of them"
        )
    if LINE in header:
        raise InputError(
            f"a column is called '{LINE}', which is kept for the line of the file",
            file=name,
            row=1,
            do="rename it",
        )


def _check_lengths(rows: list[list[str]], lines: list[int], width: int, name: str) -> None:
    for row, line in zip(rows, lines, strict=True):
        if len(row) != width:
            raise InputError(
                f"{len(row)} fields where the header has {width}",
                file=name,
                row=line,
                do="look for a missing or an extra separator",
            )


def _uses_comma(frame: pd.DataFrame) -> bool:
    """Tell whether numbers in the table use a decimal comma; one with a point is then refused."""
    columns = [c for c in ("x", "y", "z", "deviation", "residual") if c in frame]
    return any(bool(frame[c].str.contains(",", regex=False).any()) for c in columns)
