"""Mappings: how a file is laid out, what its name says, and what is refused in one."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome, held_bytes

from spc.errors import InputError
from spc.ingest.checked import Declared, Lookup, Results
from spc.ingest.mapping import read_mapping
from spc.ingest.results import read_file
from spc.ingest.text import Layout

Command = Callable[..., Outcome]


def mapping(text: str, tmp_path: Path) -> Declared:
    """Return what a mapping declares."""
    path = tmp_path / "source.toml"
    path.write_text(text, encoding="utf-8")
    return read_mapping(path)


def read(text: str | bytes, declared: Declared, path: Path) -> Results:
    """Return what a file of this text gives."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    found = read_file(path, declared)
    assert isinstance(found, Results)
    return found


def refused(text: str, declared: Declared, path: Path, *words: str) -> None:
    """Check that a file is refused with each of the words."""
    with pytest.raises(InputError) as error:
        read(text, declared, path)
    assert not [w for w in words if w not in str(error.value)], str(error.value)


def test_everything_that_can_be_said(tmp_path: Path) -> None:
    declared = mapping(
        """
        unit = "in"
        zone = "Europe/Berlin"
        encoding = "cp1252"
        delimiter = "tab"
        decimal = ","
        skip_rows = 4
        sheet = "Hits"
        wide = true
        point_columns = '(?P<point>.+)_(?P<axis>[XYZ])'
        ignore = ["Notes"]
        [columns]
        serial = "Seriennr"
        [constants]
        part = "LH-640"
        [filename]
        match = ['^(?P<batch>B\\d+)', '_(?P<mould>K\\d)']
        [qif]
        cavity = "Attribute:cavity"
        mould = { from = "Path", match = 'mould (\\w+)' }
        """,
        tmp_path,
    )
    assert declared == Declared(
        unit="in", zone="Europe/Berlin", encoding="cp1252", columns={"serial": "Seriennr"},
        constants={"part": "LH-640"}, layout=Layout(separator="\t", mark=",", skip=4),
        sheet="Hits", file_name=(r"^(?P<batch>B\d+)", r"_(?P<mould>K\d)"), wide=True,
        point_columns="(?P<point>.+)_(?P<axis>[XYZ])", ignored=("Notes",),
        qif={"cavity": Lookup(place="Attribute:cavity"),
             "mould": Lookup(place="Path", match=r"mould (\w+)")},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('unit = ""', "'unit' is left empty"),
        ("unit = 1", "'unit' is 1 where text belongs"),
        ("units = 'mm'", "unknown key 'units'"),
        ("columns = 'x'", "'columns' is not a table"),
        ("[columns]\nserail = 'S'", "[columns] names 'serail', which is none of ours"),
        ("[columns]\nserial = ['S']", "where text belongs"),
        ("delimiter = ';;'", "'delimiter' is ';;' where one character belongs"),
        ("decimal = ' '", "'decimal' is left empty"),
        ("decimal = ';'", "'decimal' is ';'"),
        ("skip_rows = -1", "'skip_rows' is -1"),
        ("skip_rows = true", "'skip_rows' is True"),
        ("skip_rows = '('", "skip_rows is no regular expression"),
        ("wide = 'yes'", "'wide' is 'yes'"),
        ("point_columns = '(?P<point>.+)'", "'point_columns' without wide = true"),
        ("wide = true\npoint_columns = '(.+)'", "point_columns has no group 'point'"),
        ("wide = true\npoint_columns = '(?P<point>.+)(?P<zone>.)'", "has a group 'zone'"),
        ("filename = 'x'", "'filename' is not a table"),
        ("[filename]\nserial = 'x'", "[filename] has 'serial'"),
        ("[filename]\nmatch = 7", "where a list of texts belongs"),
        ("[filename]\nmatch = '(?P<point>.)'", "[filename] match has a group 'point'"),
        ("ignore = 'Notes'", "where a list of texts belongs"),
        ("[qif]\nx = 'LotNumber'", "[qif] names 'x', which cannot be looked up"),
        ("[qif]\nmould = 'Somewhere'", "looked up at 'Somewhere', which is no place here"),
        ("[qif]\nmould = 'Attribute:'", "looked up at 'Attribute:', which is no place here"),
        ("[qif]\npoint = 'LotNumber'", "use one of FeatureName, UUID"),
        ("[qif]\nmould = { at = 'Path' }", "[qif] mould is {'at': 'Path'}"),
        ("[qif]\nmould = { from = 'Path', match = '[' }", "no regular expression"),
        ("unit = mm", "not a TOML file"),
        ("ignore = " + "[" * 5000 + "]" * 5000, "not a TOML file"),
        ("skip_rows = " + "9" * 5000, "not a TOML file"),
        ("zone = 'Mars/Base'", "unknown time zone 'Mars/Base'"),
        ("zone = 'Europe'", "unknown time zone 'Europe'"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_mapping_is_named(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        mapping(text, tmp_path)
    assert words in str(error.value)
    assert str(error.value).startswith(str(tmp_path / "source.toml"))


def test_a_column_that_the_mapping_names_and_the_file_lacks_is_said(
    good: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    found = read(good, mapping('[columns]\nprobe = "Taster"\n', tmp_path), path)
    assert "the mapping's column 'Taster' for 'probe' is not in the file" in found.warnings
    nameless = good.replace("serial", "Nr", 1)
    refused(nameless, mapping('[columns]\nserial = "Seriennr"\n', tmp_path), path,
            "no column 'serial'", "calls it 'Seriennr', which the file does not have")  # fmt: skip


# --- lines that are no rows ----------------------------------------------------------------------


def test_lines_above_the_header_are_skipped_and_still_counted(good: str, tmp_path: Path) -> None:
    above = 'Hall 2; arm 1\nPrinted, on, 2026-04-02, by, "somebody\n\n'
    results = read(above + good, Declared(layout=Layout(skip=3)), tmp_path / "a.csv")
    assert len(results.runs) == 2
    assert results.values["line"].min() == 5
    refused(
        above + good, Declared(), tmp_path / "a.csv", "row 2", "1 fields where the header has 2"
    )


def test_lines_that_match_are_skipped_and_still_counted(good: str, tmp_path: Path) -> None:
    head, *rows = good.splitlines()
    text = "\r\n".join(["# arm 1", head, *rows[:99], "# end of piece", "", *rows[99:], "Sum;198"])
    declared = Declared(layout=Layout(skip_matching="^(#|Sum)"))
    results = read(text, declared, tmp_path / "a.csv")
    assert len(results.values) == 198
    assert results.values["line"].iloc[99] == 104
    refused(text, Declared(), tmp_path / "a.csv", "row 2", "fields where the header has 1")


def test_a_skipped_row_does_not_move_the_row_that_is_named(good: str, tmp_path: Path) -> None:
    text = "# one\n# two\n" + good.replace("934.786", "n/a", 1)
    refused(text, Declared(layout=Layout(skip_matching="^#")), tmp_path / "a.csv",
            "row 4, column 'x'", "'n/a'")  # fmt: skip


# --- separators and marks ------------------------------------------------------------------------


def test_a_separator_is_taken_as_declared(good: str, tmp_path: Path) -> None:
    """A header with more semicolons in its names than commas between them."""
    text = good.replace("operator", "who;may;be;it;or;not;that;is;what;one;asks;now;but;who;"
                        "can;tell;at;all;of;us;here", 1)  # fmt: skip
    refused(text, Declared(), tmp_path / "a.csv", "fields where the header has 21")
    results = read(text, Declared(layout=Layout(separator=",")), tmp_path / "a.csv")
    assert len(results.values) == 198


def test_a_decimal_mark_is_taken_as_declared(good: str, tmp_path: Path) -> None:
    quoted = re.sub(r"(-?\d+)\.(\d+)(?=,|$)", r'"\1,\2"', good, flags=re.MULTILINE)
    refused(quoted, Declared(), tmp_path / "a.csv", "where a number belongs")
    results = read(quoted, Declared(layout=Layout(mark=",")), tmp_path / "a.csv")
    assert results.values["x"].iloc[0] == 934.786
    refused(good, Declared(layout=Layout(mark=",")), tmp_path / "a.csv", "'934.786'")


# --- the file's name -----------------------------------------------------------------------------


def without(good: str, *columns: str) -> str:
    """Return the table without some columns."""
    rows = [line.split(",") for line in good.splitlines()]
    kept = [at for at, name in enumerate(rows[0]) if name not in columns]
    return "\n".join(",".join(row[at] for at in kept) for row in rows)


def test_a_file_s_name_tells_what_its_rows_leave_out(good: str, tmp_path: Path) -> None:
    declared = Declared(
        file_name=(r"^(?P<measured_at>\d{4}-\d\d-\d\d)_(?P<batch>B\d+)(_(?P<mould>K\d))?",),
        zone="UTC",
    )
    text = without(good, "batch", "mould", "measured_at")
    runs = read(text, declared, tmp_path / "2026-04-02_B01_K1.csv").runs
    assert runs[["batch", "mould"]].to_numpy().tolist() == [["B01", "K1"]] * 2
    assert set(map(str, runs["measured_at"])) == {"2026-04-02 00:00:00"}
    # A group that need not be there leaves its column empty.
    runs = read(text, declared, tmp_path / "2026-04-02_B01.csv").runs
    assert set(runs["mould"]) == {""}
    refused(text, declared, tmp_path / "B01.csv", "does not match", "[filename]")


def test_a_name_that_contradicts_the_rows_is_refused(good: str, tmp_path: Path) -> None:
    declared = Declared(file_name=(r"(?P<batch>B\d+)",))
    assert read(good, declared, tmp_path / "B01.csv").runs["batch"].tolist() == ["B01", "B01"]
    refused(good, declared, tmp_path / "B02.csv", "row 2, column 'batch'",
            "'B01' where the file's name says 'B02'")  # fmt: skip


def test_only_the_last_part_of_a_path_is_looked_at(good: str, tmp_path: Path) -> None:
    folder = tmp_path / "B99"
    folder.mkdir()
    declared = Declared(file_name=(r"(?P<batch>B\d+)",))
    assert set(read(good, declared, folder / "B01.csv").runs["batch"]) == {"B01"}


# --- through the command -------------------------------------------------------------------------


def test_a_whole_mapping_brings_what_the_plain_file_does(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    ours = {"serial": "Seriennr", "measured_at": "Zeit", "x": "X [mm]", "operator": "Prüfer"}
    head, *rows = without(good, "batch", "mould", "part", "revision", "unit").splitlines()
    names = [ours.get(name, name) for name in head.split(",")]
    body = [re.sub(r"\.(?=\d)", ",", row.replace(",", ";")) + ";ok" for row in rows]
    text = "\n".join(["Export of hall 2", "", ";".join([*names, "Notiz"]), *body, "Ende;;;"])
    (tmp_path / "B01-K1.txt").write_bytes(text.replace("ana", "zoë").encode("cp1252"))
    (tmp_path / "plain.csv").write_text(good.replace(",ana,", ",zoë,"))
    (tmp_path / "hall2.toml").write_text(
        """
unit = "mm"
encoding = "cp1252"
skip_rows = '^(Export of|Ende)'
ignore = ["Notiz"]
[columns]
serial = "Seriennr"
measured_at = "Zeit"
x = "X [mm]"
operator = "Prüfer"
[constants]
part = "LH-640"
revision = "C"
[filename]
match = '^(?P<batch>B\\d+)-(?P<mould>K\\d)'
""",
        encoding="utf-8",
    )
    assert spc("ingest", "plain.csv", "--store", store_path).done("2 runs from 198 rows")
    before = held_bytes(store_path)
    outcome = spc("ingest", "B01-K1.txt", "--mapping", "hall2.toml", "--store", store_path)
    assert outcome.done("everything in it is in the store already")
    assert outcome.out.count("\n") == 1
    assert held_bytes(store_path) == before
