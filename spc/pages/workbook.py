"""Tables as one workbook (.xlsx): numbers as numbers, text never a formula, units in the headings.

Writing it is an extra: openpyxl is needed, and asked for by name where it is missing.
"""

import io
import os
import re
import zipfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from spc.errors import InputError
from spc.pages.html import clean
from spc.pages.table_units import headed
from spc.pages.tables import Written

#: A heading and its rows.
Table = tuple[Sequence[str], Sequence[Sequence[Any]]]
#: No column is set wider than this, in letters.
WIDEST, NARROWEST = 60, 8
#: Letters of a cell that the format can hold.
LONGEST = 32_767
#: What a moment is written as, and where the archive's own times are set, so that the same tables
#: give the same bytes.
_STAMP = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*")
_EPOCH = (1980, 1, 1, 0, 0, 0)


def write_workbook(path: Path, about: Sequence[tuple[str, str]], tables: Mapping[str, Table],
                   made: datetime) -> Written:  # fmt: skip
    """Write tables into one workbook, a sheet each after a first one that says what they are.

    Parameters
    ----------
    path
        Where; a file of that name is replaced, whole or not at all.
    about
        Names and values of the first sheet.
    tables
        Sheets by name; empty ones are left out.
    made
        The moment that the file is dated to: that of its data, not of the clock.

    Raises
    ------
    InputError
        Where openpyxl is missing, or the file cannot be written.
    """
    try:
        from openpyxl import Workbook
    except ImportError:
        raise InputError(
            "workbooks need the package openpyxl, which is not installed",
            do="install it with: pip install 'spc[xlsx]'",
        ) from None
    book = Workbook()
    _fill(book.active, "about", (["what", "value"], [list(pair) for pair in about]))
    shown = {name: table for name, table in tables.items() if table[1]}
    for name, (header, rows) in shown.items():
        _fill(book.create_sheet(), name, ([headed(name, column) for column in header], rows))
    data = io.BytesIO()
    book.save(data)
    put_file(path, _dated(data.getvalue(), made))
    return Written(path=path, rows=sum(len(rows) for _, rows in shown.values()))


def _fill(sheet: Any, name: str, table: Table) -> None:
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    header, rows = table
    sheet.title = name[:31]
    for at, row in enumerate([list(header), *rows], start=1):
        for place, value in enumerate(row, start=1):
            _set(sheet.cell(row=at, column=place), value)
    for place, column in enumerate(zip(header, *rows, strict=True), start=1):
        top = sheet.cell(row=1, column=place)
        top.font, top.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")
        # The heading may wrap between its words; what stands below it may not.
        words = max(str(header[place - 1]).split(), key=len)
        width = max(len(_text(v)) for v in (words, *column[1:]))
        letter = get_column_letter(place)
        sheet.column_dimensions[letter].width = min(max(width, NARROWEST), WIDEST) + 2
    sheet.freeze_panes = "B2"


def _set(cell: Any, value: Any) -> None:
    """Put a value in a cell as what it is; text is text, whatever it begins with."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return
    if isinstance(value, bool | int | float):
        cell.value = value
    elif isinstance(value, datetime):
        cell.value = value
        cell.number_format = "yyyy-mm-dd hh:mm"
    else:
        cell.value = _text(value)
        cell.data_type = "s"


def _text(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(str(item) for item in value)
    if isinstance(value, float | np.floating):
        return f"{value:.6g}" if isfinite(value) else ""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    return clean("" if value is None else str(value))[:LONGEST]


def _dated(data: bytes, made: datetime) -> bytes:
    """Return the archive with every time in it set."""
    stamp = f"{made:%Y-%m-%dT%H:%M:%SZ}".encode()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for member in old.infolist():
            inside = old.read(member)
            if member.filename == "docProps/core.xml":
                inside = _STAMP.sub(rb"\g<1>" + stamp, inside)
            entry = zipfile.ZipInfo(member.filename, _EPOCH)
            new.writestr(entry, inside, compress_type=zipfile.ZIP_DEFLATED)
    return out.getvalue()


def put_file(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=str(path), do="close it elsewhere"
        ) from None
    finally:
        with suppress(OSError):
            part.unlink()
