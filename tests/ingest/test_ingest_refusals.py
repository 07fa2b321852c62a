"""Each bad results file is one line on the error stream, status 2, and a store left as it was."""

import re
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest
from helpers import Outcome, contents, held_bytes

Command = Callable[..., Outcome]
Edit = Callable[[str], str | bytes]


def swap(old: str, new: str, count: int = 1) -> Edit:
    """Return an edit that puts ``new`` in the place of ``old``, which must be there."""

    def edit(text: str) -> str:
        assert old in text
        return text.replace(old, new, count)

    return edit


def without(column: str) -> Edit:
    """Return an edit that takes a column out."""

    def edit(text: str) -> str:
        rows = [line.split(",") for line in text.splitlines()]
        at = rows[0].index(column)
        return "\n".join(",".join(row[:at] + row[at + 1 :]) for row in rows)

    return edit


def field(line: int, column: str, value: str) -> Edit:
    """Return an edit of one field; lines count from 1 with the header as 1."""

    def edit(text: str) -> str:
        rows = [row.split(",") for row in text.splitlines()]
        rows[line - 1][rows[0].index(column)] = value
        return "\n".join(",".join(row) for row in rows)

    return edit


def only_decks(text: str) -> str:
    """Return the table without the fit points that hold the piece aside and ahead."""
    return "\n".join(x for x in text.splitlines() if not re.search(",(flank|nose)-[123],", x))


def shuffled(text: str) -> str:
    """Return the table with every point under the name of the one eleven places on."""
    rows = [line.split(",") for line in text.splitlines()]
    at = rows[0].index("point")
    names = list(dict.fromkeys(row[at] for row in rows[1:]))
    for row in rows[1:]:
        row[at] = names[(names.index(row[at]) + 11) % len(names)]
    return "\n".join(",".join(row) for row in rows)


BAD: dict[str, tuple[Edit, tuple[str, ...]]] = {
    "missing column": (without("serial"), ("row 1", "no column 'serial'", "--mapping")),
    "no unit column": (without("unit"), ("row 1", "no column 'unit'", "never guessed")),
    "no positions": (lambda t: without("x")(without("y")(without("z")(t))),
                     ("neither x, y, z nor deviation",)),
    "two of three axes": (without("z"), ("'x' without the other two",)),
    "positions and deviations": (swap("station", "deviation"), ("both x, y, z and deviation",)),
    "text where a number belongs": (field(7, "y", "abc"), ("row 7, column 'y'", "'abc'")),
    "empty number": (field(9, "z", ""), ("row 9, column 'z'", "empty where a number belongs")),
    "not a number": (field(5, "x", "NaN"), ("row 5, column 'x'", "'NaN'", "leave the row out")),
    "infinite": (field(5, "x", "inf"), ("row 5, column 'x'", "'inf'")),
    "beyond a float": (field(5, "x", "1e999"), ("row 5, column 'x'", "1e999")),
    "a filler for missing": (field(5, "x", "1e30"), ("row 5, column 'x'", "1e30")),
    "beyond a float in inches": (lambda t: field(5, "x", "1e308")(t.replace(",mm", ",in")),
                                 ("row 5, column 'x'", "1e308")),
    "digits of another script": (field(5, "x", "９３４.７"), ("row 5, column 'x'", "９３４.７")),
    "hexadecimal": (field(5, "x", "0x10"), ("row 5, column 'x'", "0x10")),
    "two signs": (field(5, "x", "--5"), ("row 5, column 'x'", "--5")),
    "a thousands mark": (field(5, "x", "1 234.5"), ("row 5, column 'x'",)),
    "bad temperature": (swap(",21.4,", ",warm,", 99), ("row 2, column 'part_temp_c'", "'warm'")),
    "unknown point": (field(4, "point", "deck-9"), ("row 4, column 'point'", "'deck-9'", "deck-1")),
    "empty point": (field(4, "point", ""), ("row 4, column 'point'", "empty")),
    "empty serial": (field(4, "serial", ""), ("row 4, column 'serial'", "empty")),
    "unknown part": (swap("LH-640,", "LH-641,", 999), ("row 2", "LH-641", "LH-640 C")),
    "unknown revision": (swap(",C,", ",D,", 999), ("row 2", "LH-640 D")),
    "unknown unit": (swap(",mm", ",cm", 999), ("row 2, column 'unit'", "'cm'", "mm, in, thou")),
    "unit in capitals": (swap(",mm", ",MM", 999), ("row 2, column 'unit'", "'MM'")),
    "empty unit": (field(6, "unit", ""), ("row 6, column 'unit'", "no unit")),
    "two units": (field(6, "unit", "in"), ("row 6, column 'unit'", "one unit", "split")),
    "control character in a name": (swap(",ana,", ",a\x1bna,", 999),
                                    ("row 2, column 'operator'", "control character")),
    "duplicate hit": (field(3, "hit", "1"), ("row 3", "'deck-1' hit 1", "row 2", "H0001-1")),
    "hit zero": (field(3, "hit", "0"), ("row 3, column 'hit'", "'0'")),
    "half a hit": (field(3, "hit", "1.5"), ("row 3, column 'hit'", "'1.5'")),
    "an immense hit": (field(3, "hit", "3000000000"), ("row 3, column 'hit'", "'3000000000'")),
    "empty file": (lambda _: b"", ("the file is empty",)),
    "blank file": (lambda _: b" \n\n", ("the file is empty",)),
    "only a byte order mark": (lambda _: b"\xef\xbb\xbf", ("the file is empty",)),
    "only separators": (lambda _: ",,,\n,,,\n", ("the file is empty",)),
    "header only": (lambda t: t.splitlines()[0] + "\n", ("a header but no rows",)),
    "binary file": (lambda _: b"PK\x03\x04\x14\x00\x06\x00" * 50, ("not a text file",)),
    "UTF-16": (lambda t: t.encode("utf-16"), ("not UTF-8 text but UTF-16", "--encoding utf-16")),
    "another code page": (lambda t: t.replace(",ana,", ",zoë,").encode("cp1252"),
                          ("row 2", "not UTF-8", "--encoding", "cp1252")),
    "ragged row": (lambda t: t.replace("\n", ",\n").replace(",\n", "\n", 7),
                   ("row 8", "20 fields where the header has 19")),
    "short row": (lambda t: t + "LH-640,C\n", ("row 200", "2 fields where the header has 19")),
    "unclosed quote": (field(5, "operator", '"ana'), ("row 199", "unclosed quotation mark")),
    "text after a quote": (field(5, "operator", '"ana"x'), ("row 5", "well-formed")),
    "column twice": (swap("station", "probe"), ("row 1", "'probe' twice")),
    "a column called line": (swap("station", "line"), ("row 1", "'line'", "rename")),
    "decimal comma between commas": (field(5, "x", '"934,7"'),
                                     ("row 5, column 'x'", "'934,7'", "';'")),
    "decimal comma and decimal point": (
        lambda t: field(3, "x", "1.234")(t.replace(",", ";").replace(".", ",").replace(";", "\t")
                                         .replace(",", "DEC").replace("\t", ",")).replace(
                                             ",", ";").replace("DEC", ","),
        ("row 3, column 'x'", "'1.234'")),
    "time without zone": (swap("+02:00", "", 999), ("row 2, column 'measured_at'", "--zone")),
    "no time": (swap("2026-04-02T12:50:00+02:00", "yesterday", 999),
                ("row 2, column 'measured_at'", "'yesterday'")),
    "no time in a later row": (field(60, "measured_at", "yesterday"),
                               ("row 60, column 'measured_at'", "'yesterday'")),
    "no such day": (swap("2026-04-02T", "2026-02-30T", 999), ("row 2", "2026-02-30")),
    "day before month": (swap("2026-04-02T12:50:00+02:00", "02.04.2026 12:50", 999),
                         ("row 2", "not a time", "2026-04-01T08:30:00+02:00")),
    "a time long before any arm": (swap("2026-04-02T12:50:00", "0001-01-01T00:00:00", 999),
                                   ("row 2, column 'measured_at'", "before 1981", "filler")),
    "a time before its zone begins": (swap("2026-04-02T12:50:00+02:00", "0001-01-01T00:00+14:00"),
                                      ("row 2, column 'measured_at'", "before 1981")),
    "the first second of a clock": (swap("2026-04-02T12:50:00+02:00", "1970-01-01T00:00:00Z", 999),
                                    ("row 2, column 'measured_at'", "before 1981")),
    "a line break in a name": (swap(",ana,", ',"a\nna",', 999),
                               ("row 3, column 'operator'", "line break or control character")),
    "a tab in a name": (swap(",ana,", ",a\tna,", 999),
                        ("row 2, column 'operator'", "line break or control character")),
    "an unknown unit before known ones": (lambda text: text.replace(",mm", ",furlong", 1),
                                          ("row 2, column 'unit'", "unknown unit 'furlong'")),
    "the first day of spreadsheets": (swap("2026-04-02T12:50:00", "1899-12-30T00:00:00", 999),
                                      ("row 2, column 'measured_at'", "leave the field empty")),
    "a time at the end of days": (swap("2026-04-02T12:50:00", "9999-12-31T23:59:59", 999),
                                  ("row 2, column 'measured_at'", "after 2099")),
    "a temperature below all": (swap(",21.4,", ",-999,", 999),
                                ("row 2, column 'part_temp_c'", "'-999' is no temperature")),
    "an age below nought": (swap(",31.8,", ",-1,", 999),
                            ("row 2, column 'hours_since_moulding'", "'-1' is no age")),
    "contradiction within a run": (field(70, "operator", "zoë"),
                                   ("row 70, column 'operator'", "'zoë'", "'ana'")),
    "two moulds in a piece": (
        lambda t: t.replace("H0002,K1", "H0001,K2"),
        ("serial 'H0001'", "column 'mould'", "'K1'", "'K2'")),
    "bad last row": (lambda t: field(len(t.splitlines()), "x", "?")(t),
                     ("row 199, column 'x'", "'?'")),
    "inches said to be millimetres": (
        lambda t: re.sub(r"(-?\d+\.\d{3})(?=,|$)", lambda m: f"{float(m[1]) / 25.4:.4f}", t),
        ("no run fits the plan", "a factor of 1/25.4, as where inches are declared as 'mm'")),
    "millimetres said to be inches": (swap(",mm", ",in", 999),
                                      ("no run fits", "25.4, as where millimetres are declared")),
    "millimetres said to be thou": (swap(",mm", ",thou", 999),
                                    ("no run fits", "1/39.3701, as where millimetres")),
    "too few fit points": (only_decks, ("no run can be aligned", "4 of 9 fit points",
                                        "six independent")),
    "points under each other's names": (shuffled, ("no run fits the plan of LH-640 C",)),
}  # fmt: skip


def offered(command: Command, tmp_path: Path, data: str | bytes, store: Path) -> Outcome:
    """Offer a file to the store and return what came of it."""
    path = tmp_path / "offered.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return command("ingest", path, "--store", store)


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_one_line_and_changes_nothing(
    name: str, good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    edit, words = BAD[name]
    before = held_bytes(store_path)
    outcome = offered(spc, tmp_path, edit(good), store_path)
    assert outcome.refused("offered.csv", *words)
    assert held_bytes(store_path) == before


def test_the_file_that_the_bad_ones_are_made_of_is_good(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    assert offered(spc, tmp_path, good, store_path).done("2 runs from 198 rows")


def test_a_mirrored_part_is_named_as_such(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    rows = [line.split(",") for line in good.splitlines()]
    at = rows[0].index("x")
    for row in rows[1:]:
        row[at] = str(-float(row[at]))
    before = held_bytes(store_path)
    text = "\n".join(",".join(row) for row in rows)
    assert offered(spc, tmp_path, text, store_path).refused("mirror image", "other hand")
    assert held_bytes(store_path) == before


def test_a_file_after_a_refused_one_is_not_taken_and_the_ones_before_are(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    paths = [tmp_path / f"{n}.csv" for n in range(3)]
    for path, text in zip(paths, (good, "part\n", good.replace("H000", "H900")), strict=True):
        path.write_text(text)
    outcome = spc("ingest", *paths, "--store", store_path)
    assert outcome.status == 2
    assert outcome.err.count("\n") == 1
    assert "1.csv" in outcome.err
    assert outcome.out.startswith(f"{paths[0]}: 2 runs")
    held = contents(store_path)
    assert {row[4] for row in held["run"]} == {"H0001", "H0002"}


@pytest.mark.parametrize(
    ("shape", "options", "words"),
    [
        ("folder", (), ("a folder, not a file",)),
        ("nothing", (), ("no such file",)),
        ("file", ("--zone", "Europe"), ("unknown time zone 'Europe'",)),
        ("file", ("--zone", "Europe/Nowhere"), ("unknown time zone",)),
        ("file", ("--zone", "../../etc/passwd"), ("unknown time zone",)),
        ("file", ("--encoding", "hex"), ("unknown encoding 'hex'",)),
        ("file", ("--encoding", "klingon"), ("unknown encoding 'klingon'",)),
        ("file", ("--encoding", "punycode"), ("punycode",)),
        ("file", ("--encoding", "utf-16"), ()),
        ("file", ("--unit", "cm"), ("'mm' where 'cm' was declared",)),
        ("file", ("--unit", "in"), ("row 2, column 'unit'", "'mm' where 'in' was declared")),
        ("file", ("--part", ""), ()),
        ("file", ("--mapping", "none.toml"), ("none.toml", "no such file")),
    ],
)
def test_options_and_names_that_cannot_be_used_are_one_line(
    shape: str, options: tuple[str, ...], words: tuple[str, ...], good: str, spc: Command,
    store_path: Path, tmp_path: Path,
) -> None:  # fmt: skip
    path = tmp_path / "offered.csv"
    if shape == "folder":
        path.mkdir()
    elif shape == "file":
        path.write_text(good.replace("+02:00", "") if "--zone" in options else good)
    before = held_bytes(store_path)
    if options == ("--part", ""):
        assert spc("ingest", path, "--store", store_path, *options).done("2 runs")
        return
    assert spc("ingest", path, "--store", store_path, *options).refused(*words)
    assert held_bytes(store_path) == before


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("columns = 3", ("'columns' is not a table",)),
        ("units = 'mm'", ("unknown key 'units'",)),
        ("[columns]\nfoo = 'x'", ("'foo', which is none of ours",)),
        ("zone = 5", ("'zone'", "text")),
        ("encoding = 5", ("'encoding'", "text")),
        ("unit = ['mm']", ("'unit'", "text")),
        ("[columns]\nx = 'y'", ("'y'",)),
        ("unit = ", ("not a TOML file",)),
    ],
)
def test_a_bad_mapping_is_one_line(
    text: str, words: tuple[str, ...], good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    mapping, path = tmp_path / "mapping.toml", tmp_path / "offered.csv"
    mapping.write_text(text)
    path.write_text(good.replace("+02:00", ""))
    before = held_bytes(store_path)
    outcome = spc("ingest", path, "--store", store_path, "--mapping", mapping)
    assert outcome.refused(*words)
    assert held_bytes(store_path) == before


@pytest.mark.parametrize("time", ["2026-10-25T02:30:00", "2026-03-29T02:30:00"])
def test_an_hour_that_the_clock_change_doubles_or_drops_is_refused(
    time: str, good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "offered.csv"
    path.write_text(good.replace("2026-04-02T12:50:00+02:00", time).replace("+02:00", ""))
    before = held_bytes(store_path)
    outcome = spc("ingest", path, "--store", store_path, "--zone", "Europe/Berlin")
    assert outcome.refused("row 2, column 'measured_at'", "twice or never", "offset")
    assert held_bytes(store_path) == before


def test_of_several_bad_times_the_first_is_named(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    text = good.replace("+02:00", "")
    assert offered(spc, tmp_path, text, store_path).refused("row 2, column 'measured_at'")


def test_the_same_label_with_other_values_is_refused(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    before = held_bytes(store_path)
    other = field(5, "x", "930.000")(good)
    outcome = offered(spc, tmp_path, other, store_path)
    assert outcome.refused("row 2, column 'run'", "run 'H0001-1' of serial 'H0001'", "other values")
    assert held_bytes(store_path) == before


def test_another_mould_for_a_known_piece_is_refused(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    before = held_bytes(store_path)
    again = good.replace(",K1,", ",K2,").replace("-1,2026-04-02", "-2,2026-04-03")
    outcome = offered(spc, tmp_path, again, store_path)
    assert outcome.refused("column 'mould'", "'H0001'", "'K1'", "'K2'", "--correct")
    assert held_bytes(store_path) == before


def test_another_mould_in_the_very_same_runs_is_refused_too(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    before = held_bytes(store_path)
    outcome = offered(spc, tmp_path, good.replace(",K1,", ",K2,"), store_path)
    assert outcome.refused("column 'mould'", "'H0001'", "'K1'", "'K2'", "--correct")
    assert held_bytes(store_path) == before


def test_a_correction_is_kept_beside_what_it_corrects(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    path = tmp_path / "corrected.csv"
    path.write_text(good.replace(",K1,", ",K2,"))
    outcome = spc("ingest", path, "--store", store_path, "--correct", "label misread")
    assert outcome.done("2 known pieces were corrected: label misread")
    with duckdb.connect(str(store_path), read_only=True) as connection:
        rows = connection.execute(
            "SELECT serial, mould, why FROM piece ORDER BY serial, recorded_at"
        ).fetchall()
        runs = connection.execute("SELECT count(*) FROM run").fetchone()
    assert rows == [
        ("H0001", "K1", ""), ("H0001", "K2", "label misread"),
        ("H0002", "K1", ""), ("H0002", "K2", "label misread"),
    ]  # fmt: skip
    assert runs == (2,)
    listed = spc("run", "list", "--store", store_path)
    assert listed.out.count(" K2 ") == 2


def test_a_file_that_contradicts_itself_is_refused_for_whatever_reason(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    before = held_bytes(store_path)
    head, *rows = good.splitlines()
    mine = [row.replace("H0001-1", "H0001-2") for row in rows if "H0001" in row]
    other = [row.replace("H0001-2", "H0001-3").replace(",K1,", ",K9,") for row in mine]
    path = tmp_path / "both.csv"
    path.write_text("\n".join([head, *mine, *other]) + "\n")
    for how in ((), ("--correct", "label misread")):
        outcome = spc("ingest", path, "--store", store_path, *how)
        assert outcome.refused(
            "row 101", "has mould 'K1' further up, here 'K9'", "correct the file"
        )
        assert "--correct" not in outcome.err
    assert held_bytes(store_path) == before


@pytest.mark.parametrize("reason", ["", "  "])
def test_a_correction_without_a_reason_is_refused(
    reason: str, good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    before = held_bytes(store_path)
    path = tmp_path / "corrected.csv"
    path.write_text(good.replace(",K1,", ",K2,"))
    assert spc("ingest", path, "--store", store_path, "--correct", reason).refused("say why")
    assert held_bytes(store_path) == before


def test_lengths_a_thousand_times_too_long_are_named_as_such(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    head, *rows = good.splitlines()
    place = head.split(",").index("x")
    cells = [row.split(",") for row in rows]
    scaled = [[*c[:place], *(f"{1000 * float(v):.0f}" for v in c[place : place + 3]),
               *c[place + 3 :]] for c in cells]  # fmt: skip
    text = "\n".join([head, *map(",".join, scaled)]) + "\n"
    outcome = offered(spc, tmp_path, text, store_path)
    assert outcome.refused("is more than a kilometre", "a factor of 1000")


def test_another_operator_for_a_known_run_is_said_and_the_store_keeps_its_own(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    offered(spc, tmp_path, good, store_path)
    outcome = offered(spc, tmp_path, good.replace(",ana,", ",zoë,"), store_path)
    assert outcome.done("nothing changed", "operator 'zoë' here", "keeps 'ana'")
