"""Spreadsheets: one sheet as a table, values only, and archives that are no spreadsheets."""

import csv
import io
import sys
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from helpers import Outcome, held_bytes
from openpyxl import Workbook, load_workbook

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.results import read_file
from spc.ingest.text import Layout

Command = Callable[..., Outcome]
NUMBERS = ("hit", "x", "y", "z", "part_temp_c", "hours_since_moulding")


@pytest.fixture(scope="module")
def rows(good: str) -> list[list[Any]]:
    """Return the good file as cells: a header and numbers as numbers."""
    head, *body = csv.reader(io.StringIO(good))
    return [head, *([float(v) if h in NUMBERS else v for h, v in zip(head, r, strict=True)]
                    for r in body)]  # fmt: skip


def book(rows: list[list[Any]], *, above: int = 0, sheet: str = "Hits") -> Workbook:
    """Return a workbook of one sheet."""
    made = Workbook()
    assert made.active is not None
    made.active.title = sheet
    for _ in range(above):
        made.active.append(["Hall 2"])
    for row in rows:
        made.active.append(row)
    return made


def saved(made: Workbook, path: Path) -> Path:
    """Write a workbook."""
    made.save(path)
    return path


def read(path: Path, **declared: object) -> Results:
    """Return what a results file gives."""
    found = read_file(path, Declared(**declared))  # type: ignore[arg-type]
    assert isinstance(found, Results)
    return found


def refused(path: Path, *words: str, **declared: object) -> None:
    """Check that a file is refused with each of the words."""
    with pytest.raises(InputError) as error:
        read(path, **declared)
    said = str(error.value)
    assert said.startswith(str(path))
    assert not [w for w in words if w not in said], said


def changed(path: Path, member: str, edit: Callable[[bytes], bytes]) -> Path:
    """Return a copy of an archive with one member edited."""
    target = path.with_name("changed.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            data = old.read(info)
            new.writestr(info.filename, edit(data) if info.filename == member else data)
    return target


def test_a_spreadsheet_and_csv_of_the_same_results_are_the_same(
    rows: list[list[Any]], good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "first.csv").write_text(good)
    saved(book(rows), tmp_path / "second.bin.xlsx").rename(tmp_path / "second")
    assert spc("ingest", "first.csv", "--store", store_path).done("2 runs from 198 rows")
    before = held_bytes(store_path)
    assert spc("ingest", "second", "--store", store_path).done("nothing changed")
    assert held_bytes(store_path) == before


def test_rows_count_as_the_spreadsheet_counts_them(rows: list[list[Any]], tmp_path: Path) -> None:
    body = [list(row) for row in rows]
    body[3][body[0].index("x")] = "n/a"
    path = saved(book([body[0], [], *body[1:]], above=2), tmp_path / "a.xlsx")
    refused(path, "row 7, column 'x'", "'n/a'", layout=Layout(skip=2))


def test_the_sheet_must_be_told_where_there_are_several(
    rows: list[list[Any]], tmp_path: Path
) -> None:
    made = book(rows)
    made.create_sheet("Empty")
    path = saved(made, tmp_path / "a.xlsx")
    assert len(read(path).runs) == 2
    made.create_sheet("Notes").append(["read", "me"])
    saved(made, path)
    refused(path, "2 sheets hold something (Hits, Notes)", 'sheet = "..."')
    assert len(read(path, sheet="Hits").runs) == 2
    refused(path, "no sheet 'hits'", "Hits", sheet="hits")


def test_a_formula_gives_the_value_that_was_saved_and_is_never_run(
    rows: list[list[Any]], tmp_path: Path
) -> None:
    made = book(rows)
    assert made.active is not None
    at = rows[0].index("x") + 1
    made.active.cell(2, at).value = "=900+34.786"
    path = saved(made, tmp_path / "a.xlsx")
    refused(path, "row 2, column 'x'", "a formula whose value the file does not hold")
    column = chr(ord("A") + at - 1)
    with_value = changed(
        path, "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b"<f>900+34.786</f><v></v>", b"<f>900+34.786</f><v>934.786</v>")
        .replace(b"<f>900+34.786</f><v />", b"<f>900+34.786</f><v>934.786</v>"),
    )  # fmt: skip
    assert column == "P"
    assert read(with_value).values["x"][0] == 934.786


def test_names_are_text(rows: list[list[Any]], tmp_path: Path) -> None:
    head = rows[0]
    body = [list(row) for row in rows[1:]]
    for row in body:
        row[head.index("serial")], row[head.index("run")] = 12, "r"
    made = book([head, *body[:99]])
    assert read(saved(made, tmp_path / "a.xlsx")).runs["serial"].tolist() == ["12"]
    assert made.active is not None
    made.active.cell(2, head.index("serial") + 1).number_format = "0000"
    dressed = read(saved(made, tmp_path / "b.xlsx"))
    assert dressed.warnings == (
        "column 'serial', row 2: a number that is shown in another form was taken as it is stored; "
        "store names as text",
    )
    body[0][head.index("serial")] = 12.5
    refused(saved(book([head, *body[:99]]), tmp_path / "c.xlsx"), "row 2, column 'serial'",
            "a decimal number where a name belongs")  # fmt: skip


def test_dates_are_times_without_a_zone(rows: list[list[Any]], tmp_path: Path) -> None:
    at = rows[0].index("measured_at")
    body = [[*r[:at], datetime(2026, 4, 2, 12, 50), *r[at + 1 :]] for r in rows[1:]]
    path = saved(book([rows[0], *body]), tmp_path / "a.xlsx")
    refused(path, "has no time zone")
    found = read(path, zone="Europe/Berlin").runs["measured_at"]
    assert set(map(str, found)) == {"2026-04-02 10:50:00"}


def test_notes_beside_the_table_are_refused(rows: list[list[Any]], tmp_path: Path) -> None:
    refused(saved(book([rows[0], [*rows[1], "look here"], *rows[2:]]), tmp_path / "a.xlsx"),
            "row 2", "20 fields where the header has 19", "beside the table")  # fmt: skip


def test_empty_sheets(rows: list[list[Any]], tmp_path: Path) -> None:
    refused(saved(book([]), tmp_path / "a.xlsx"), "the file is empty")
    refused(saved(book(rows[:1]), tmp_path / "a.xlsx"), "a header but no rows")


def test_the_extra_is_named_where_it_is_missing(
    rows: list[list[Any]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = saved(book(rows), tmp_path / "a.xlsx")
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    refused(path, "an extra that is not installed", "pip install 'spc[xlsx]'")


# --- archives ------------------------------------------------------------------------------------


def archive(path: Path, members: dict[str, bytes]) -> Path:
    """Write an archive."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, data in members.items():
            out.writestr(name, data)
    return path


def test_archives_that_are_no_spreadsheets(tmp_path: Path) -> None:
    refused(
        archive(tmp_path / "a.xlsx", {"readme.txt": b"hello"}), "an archive, but no spreadsheet"
    )
    (tmp_path / "b.xlsx").write_bytes(b"PK\x03\x04" + b"\0" * 200)
    refused(tmp_path / "b.xlsx", "damaged or locked spreadsheet")


def test_a_bomb_is_not_unpacked(rows: list[list[Any]], tmp_path: Path) -> None:
    path = saved(book(rows), tmp_path / "a.xlsx")
    zeros = changed(path, "xl/worksheets/sheet1.xml", lambda xml: xml + b" " * (64 << 20))
    refused(zeros, "unpacks to 67 MB, far more than a sheet of results")
    refused(archive(tmp_path / "b.xlsx", {"xl/workbook.xml": b"<a/>",
                                          **{f"{i}": b"" for i in range(2001)}}),
            "unpacks to")  # fmt: skip


def test_a_bomb_of_entities_is_not_expanded(rows: list[list[Any]], tmp_path: Path) -> None:
    bomb = b'<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    for member in ("xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/styles.xml"):
        path = changed(
            saved(book(rows), tmp_path / "a.xlsx"), member,
            lambda xml: bomb + xml[xml.index(b"<", 1) if xml.startswith(b"<?") else 0 :],
        )  # fmt: skip
        refused(path, f"'{member}' in it declares a document type")


def test_a_row_far_below_does_not_fill_the_memory(rows: list[list[Any]], tmp_path: Path) -> None:
    path = saved(book(rows), tmp_path / "a.xlsx")
    far = changed(path, "xl/worksheets/sheet1.xml",
                  lambda xml: xml.replace(b'<row r="3"', b'<row r="999999999999"'))  # fmt: skip
    refused(far, "more rows or columns than a sheet of results can have")


def test_damaged_parts_are_refused(rows: list[list[Any]], tmp_path: Path) -> None:
    path = saved(book(rows), tmp_path / "a.xlsx")
    cut = changed(path, "xl/worksheets/sheet1.xml", lambda xml: xml[: len(xml) // 2])
    refused(cut, "a damaged spreadsheet")
    data = path.read_bytes()
    for at in range(50, len(data) - 1, len(data) // 25):
        path.write_bytes(data[:at])
        refused(path, "damaged or locked")
    path.write_bytes(data)
    assert load_workbook(path).sheetnames == ["Hits"]


@pytest.mark.parametrize(
    ("line", "column", "others"),
    [(4, "x", "some"), (4, "unit", "none after it"), (2, "part", "nothing else in the row")],
)
def test_a_formula_without_its_value_is_no_empty_cell(
    line: int, column: str, others: str, rows: list[list[Any]], tmp_path: Path
) -> None:
    head, *body = (list(row) for row in rows)
    at = head.index(column)
    body[line - 2][at] = "=A1&B1"
    if others == "nothing else in the row":
        body[line - 2] = ["=A1&B1"] + [None] * (len(head) - 1)
    # The library writes formulas and never their values.
    path = saved(book([head, *body], above=2), tmp_path / "formulas.xlsx")
    refused(
        path, f"row {line + 2}, column '{column}': a formula whose value the file does not hold",
        "save it again", layout=Layout(skip=2),
    )  # fmt: skip


def test_a_formula_above_the_table_is_let_be(rows: list[list[Any]], tmp_path: Path) -> None:
    path = saved(book([["=NOW()"], *rows]), tmp_path / "above.xlsx")
    assert read(path, layout=Layout(skip=1)).rows == len(rows) - 1
