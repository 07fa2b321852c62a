"""Bytes into a table of text, with the line of the file that each row stands on."""

import codecs
import csv
import io
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from spc.errors import InputError
from spc.identity import bytes_hash

#: Separators that are tried on the header, the most telling first.
SEPARATORS = (";", "\t", ",", "|")
#: Name of the column that keeps the line of the file, the header being line 1.
LINE = "line"
#: Columns of lengths, which tell the decimal mark.
_LENGTHS = ("x", "y", "z", "deviation", "residual", "reference", "uncertainty", "reading")


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a table is laid out, where its first line does not tell.

    Parameters
    ----------
    separator
        What stands between columns; told by the header where None.
    mark
        The decimal mark; told by the lengths where None.
    skip
        Lines above the header.
    skip_matching
        Regular expression of lines that are no rows; empty where every line is one.
    """

    separator: str | None = None
    mark: str | None = None
    skip: int = 0
    skip_matching: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TextTable:
    """A file as a table of text, whatever it was stored as.

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
        What stands between its columns; empty where columns are stored apart.
    mark
        The decimal mark, where a mapping declares it.
    decimals
        Columns that hold numbers with decimals, not text, each with the first line of one.
    dressed
        Columns whose numbers are shown otherwise than stored (0012 for 12), likewise.
    notes
        What should be said but does not stop the file.
    """

    name: str
    file_id: str
    size: int
    frame: pd.DataFrame
    separator: str
    mark: str | None = None
    decimals: dict[str, int] = field(default_factory=dict)
    dressed: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def decimal(self) -> str:
        """Return the decimal mark that the lengths use; known once the columns have our names."""
        if self.mark is not None:
            return self.mark
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
    utf16 = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) and any(data[2:4])
    if encoding is None and utf16:
        raise InputError("not UTF-8 text but UTF-16", file=name, do="say --encoding utf-16")
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


def as_utf8(data: bytes, encoding: str | None) -> tuple[str, ...]:
    """Say where a text was declared to be of another code page and yet reads as UTF-8.

    Text of another code page hardly ever does; names would be changed for good.
    """
    if encoding is None or data.isascii() or codecs.lookup(encoding).name.startswith("utf-8"):
        return ()
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return ()
    return (
        f"read as {encoding}, as declared, and yet every letter in it is UTF-8: look whether "
        "letters with marks came out right",
    )


def read_table(
    path: Path, *, data: bytes | None = None, encoding: str | None = None,
    layout: Layout | None = None,
) -> TextTable:  # fmt: skip
    """Read a delimited file with a header line; every field stays text.

    A row with more or fewer fields than the header is refused with its line, since a shifted row
    would put a number under another name.

    Parameters
    ----------
    path
        The file.
    data
        Its bytes, where they were read before.
    encoding
        Code page; UTF-8 where not said.
    layout
        What a mapping says of separators and of lines that are no rows.
    """
    layout = layout or Layout()
    data = read_bytes(path) if data is None else data
    text = without_lines(decode(data, str(path), encoding), layout)
    separator = layout.separator or separator_of(text)
    rows, lines = _records(text, separator, str(path))
    if not rows:
        raise _empty(str(path))
    header = [cell.strip() or f"column {at}" for at, cell in enumerate(rows[0], start=1)]
    check_header(header, str(path), lines[0])
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
        mark=layout.mark,
        notes=(
            *as_utf8(data, encoding),
            *(() if text.endswith(("\n", "\r")) else cut_off(rows[-1][-1])),
        ),
    )


def separator_of(text: str) -> str:
    """Return what stands between columns, told by the header: the first line that is not empty."""
    lines = text.lstrip().splitlines()
    return max(SEPARATORS, key=lines[0].count) if lines else SEPARATORS[0]


def cut_off(last: str) -> tuple[str, ...]:
    """Say where a file without a line end may have been cut off within its last number.

    That cannot be seen in the number.
    """
    if not re.fullmatch(r"[+-]?[0-9.,]+", last.strip()):
        return ()
    return ("the last line ends within a number and without a line end: was the file cut off?",)


def without_lines(text: str, layout: Layout) -> str:
    """Return the text with the lines that are no rows made blank, so that every line keeps its row.

    A line is what ends in a line break; one that stands inside quotation marks counts too.
    """
    if not layout.skip and not layout.skip_matching:
        return text
    pattern = re.compile(layout.skip_matching) if layout.skip_matching else None
    return "".join(
        "\n" if at < layout.skip or (pattern and pattern.search(line.rstrip("\r\n"))) else line
        for at, line in enumerate(io.StringIO(text, newline=""))
    )


def _records(text: str, separator: str, name: str) -> tuple[list[list[str]], list[int]]:
    rows, lines = [], []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
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


def check_header(header: list[str], name: str, row: int = 1) -> None:
    """Refuse a header that names a column twice, or one that is kept for the line."""
    twice = sorted(column for column, count in Counter(header).items() if count > 1)
    if twice:
        raise InputError(
            f"the header names '{twice[0]}' twice", file=name, row=row, do="keep one of them"
        )
    if LINE in header:
        raise InputError(
            f"a column is called '{LINE}', which is kept for the line of the file",
            file=name,
            row=row,
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
    columns = [c for c in _LENGTHS if c in frame]
    return any(bool(frame[c].str.contains(",", regex=False).any()) for c in columns)
