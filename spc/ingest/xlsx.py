"""Spreadsheets (.xlsx): one sheet as a table; formulas give the values that were saved with them.

Reading them is an extra: openpyxl is needed and asked for by name where it is missing.
"""

import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pandas as pd

from spc.errors import InputError
from spc.ingest.text import TextTable
from spc.ingest.typed import typed_table
from spc.ingest.xml_safe import refuse_declarations

#: An archive that unpacks to more than this, or has more members, is not opened.
MOST_BYTES, MOST_MEMBERS = 400 << 20, 2000
#: Unpacked bytes a packed one; sheets of results stay below 40.
MOST_PACKED = 250
#: Rows and columns that a spreadsheet of this format can have, and cells that are kept.
MOST_ROWS, MOST_COLUMNS, MOST_CELLS = 1_048_576, 16_384, 30_000_000
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
#: Formats in which a number is shown as it is stored.
_PLAIN = {"General", "0", "@", ""}
#: What the library lets through where a part of the archive is damaged.
_DAMAGE = (
    ArithmeticError, AttributeError, LookupError, TypeError, ValueError, SyntaxError, OSError,
    EOFError, RecursionError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    line: int
    cells: list[Any]


def read_xlsx(
    data: bytes, *, name: str, file_id: str, sheet: str | None, skip: int = 0
) -> TextTable:
    """Read one sheet of a spreadsheet; rows count as the spreadsheet counts them.

    Parameters
    ----------
    data
        The file's bytes.
    name, file_id
        Its name, and the hash of its bytes.
    sheet
        Which sheet, where there are several.
    skip
        Rows above the header.

    Raises
    ------
    InputError
        Where the extra is missing, the archive is damaged or too large, or no sheet is named.
    """
    _refuse_bombs(data, name)
    found = _chosen(_sheets(data, name, sheet), sheet, name)
    rows = [row for row in found if row.line > skip]
    _refuse_unvalued(data, name, sheet, skip, rows)
    if not rows:
        raise InputError("the file is empty", file=name, do="export it again")
    header, body = [_text(cell.value) for cell in rows[0].cells], rows[1:]
    for row in body:
        if len(row.cells) > len(header):
            raise InputError(
                f"{len(row.cells)} fields where the header has {len(header)}", file=name,
                row=row.line, do="look for notes beside the table",
            )  # fmt: skip
    fields = [[_text(c.value) for c in row.cells] for row in body]
    frame = pd.DataFrame(
        [row + [""] * (len(header) - len(row)) for row in fields], columns=header, dtype=object
    )
    return typed_table(
        frame, [row.line for row in body], name=name, file_id=file_id, size=len(data),
        decimals=_first(body, header, _is_decimal), dressed=_first(body, header, _is_dressed),
        head=rows[0].line,
    )  # fmt: skip


def _refuse_unvalued(
    data: bytes, name: str, sheet: str | None, skip: int, rows: list[_Row]
) -> None:
    """Refuse formulas that some program wrote without their values: they are not empty cells."""
    if not _has_formulas(data):
        return
    written = _chosen(_sheets(data, name, sheet, values=False), sheet, name)
    valued = {row.line: [cell.value for cell in row.cells] for row in rows}
    header = [_text(cell.value) for cell in rows[0].cells] if rows else []
    for row in (row for row in written if row.line > skip):
        values = valued.get(row.line, [])
        for at, cell in enumerate(row.cells):
            if cell.data_type == "f" and (at >= len(values) or values[at] is None):
                raise InputError(
                    "a formula whose value the file does not hold", file=name, row=row.line,
                    column=header[at] if at < len(header) else None,
                    do="open it in a spreadsheet program and save it again",
                )  # fmt: skip


def _has_formulas(data: bytes) -> bool:
    """Tell whether any sheet may hold a formula; to look for them costs a second reading."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        sheets = [n for n in archive.namelist() if n.startswith("xl/worksheets/")]
        return any(_FORMULA.search(archive.read(n)) for n in sheets if n.endswith(".xml"))


def _refuse_bombs(data: bytes, name: str) -> None:
    """Look at an archive's list of contents before anything is unpacked.

    The sizes in the list bind: no more than a member's listed size is ever unpacked of it.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            if "xl/workbook.xml" not in archive.namelist():
                raise InputError(
                    "not a text file: an archive, but no spreadsheet", file=name,
                    do="unpack it, or save it as .xlsx",
                )  # fmt: skip
            _refuse_size(members, name)
            for member in members:
                if member.filename.endswith((".xml", ".rels")):
                    with archive.open(member) as stream:
                        refuse_declarations(stream, name, member.filename)
    except (*_DAMAGE, NotImplementedError, RuntimeError):
        raise InputError(
            "not a text file: a damaged or locked spreadsheet or archive", file=name,
            do="save it again as .xlsx without a password, or as CSV UTF-8",
        ) from None  # fmt: skip


def _refuse_size(members: list[zipfile.ZipInfo], name: str) -> None:
    size = sum(m.file_size for m in members)
    packed = max(m.file_size / max(m.compress_size, 1) for m in members)
    bomb = packed > MOST_PACKED and size > 10 << 20
    if size > MOST_BYTES or len(members) > MOST_MEMBERS or bomb:
        raise InputError(
            f"unpacks to {size / 1e6:.0f} MB, far more than a sheet of results", file=name,
            do="save it as CSV UTF-8",
        )  # fmt: skip


def fullest_sheet(data: bytes, name: str) -> tuple[str, bool]:
    """Return the sheet with the most rows, and whether others hold anything too."""
    _refuse_bombs(data, name)
    filled = {title: len(rows) for title, rows in _sheets(data, name, None).items() if rows}
    if not filled:
        raise InputError("the file is empty", file=name, do="export it again")
    return max(filled, key=lambda title: filled[title]), len(filled) > 1


def _sheets(
    data: bytes, name: str, wanted: str | None, *, values: bool = True
) -> dict[str, list[_Row]]:
    """Return the rows of the sheet that is wanted, or of all; with formulas, or their values."""
    try:
        from openpyxl import load_workbook
    except ImportError:
        raise InputError(
            "reading spreadsheets is an extra that is not installed", file=name,
            do="run: pip install 'spc[xlsx]', or save it as CSV UTF-8",
        ) from None  # fmt: skip
    try:
        with warnings.catch_warnings():
            # It warns of styles and checks of cells that it leaves out; only values are read.
            warnings.simplefilter("ignore", UserWarning)
            book = load_workbook(
                io.BytesIO(data), read_only=True, data_only=values, keep_links=False
            )
            there = {s.title: s for s in book.worksheets}
            asked = [title for title in there if wanted in (None, title)]
            if not asked:
                raise InputError(
                    f"no sheet '{wanted}'", file=name, do=f"there is {', '.join(there)}"
                )
            return {title: _rows(there[title], name) for title in asked}
    except _DAMAGE as error:
        raise InputError(
            f"a damaged spreadsheet ({type(error).__name__})", file=name,
            do="save it again, or save it as CSV UTF-8",
        ) from None  # fmt: skip


def _rows(sheet: Any, name: str) -> list[_Row]:
    """Return a sheet's rows that hold anything, without the empty cells at their ends."""
    sheet.reset_dimensions()
    found, cells = [], 0
    for line, row in enumerate(sheet.iter_rows(), start=1):
        if line > MOST_ROWS or len(row) > MOST_COLUMNS or cells > MOST_CELLS:
            raise InputError(
                "more rows or columns than a sheet of results can have", file=name,
                do="save it as CSV UTF-8",
            )  # fmt: skip
        held = list(row)
        while held and _text(held[-1].value) == "":
            held.pop()
        cells += len(held)
        if held:
            found.append(_Row(line=line, cells=held))
    return found


def _chosen(sheets: dict[str, list[_Row]], wanted: str | None, name: str) -> list[_Row]:
    if wanted is not None:
        return sheets[wanted]
    filled = [title for title, rows in sheets.items() if rows]
    if len(filled) > 1:
        raise InputError(
            f"{len(filled)} sheets hold something ({', '.join(filled)})", file=name,
            do='say which in a mapping: sheet = "..."',
        )  # fmt: skip
    return sheets[filled[0]] if filled else []


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime | date):
        return value.isoformat()
    return repr(value) if isinstance(value, float) else str(value).strip()


def _is_decimal(cell: Any) -> bool:
    return isinstance(cell.value, float)


def _is_dressed(cell: Any) -> bool:
    """Tell whether a number is shown otherwise than it is stored, as 0012 for 12."""
    return isinstance(cell.value, int) and cell.number_format not in _PLAIN


def _first(body: list[_Row], header: list[str], told: Callable[[Any], bool]) -> dict[str, int]:
    """Return the first line of each column that a cell of this sort stands in."""
    found: dict[str, int] = {}
    for row in body:
        for column, cell in zip(header, row.cells, strict=False):
            if column not in found and told(cell):
                found[column] = row.line
    return found
