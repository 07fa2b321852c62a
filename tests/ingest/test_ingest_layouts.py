"""The same results in another layout are the same results; what is taken is what was written."""

import csv
import io
import random
import re
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest
from helpers import Outcome, contents, held_bytes
from strategies import csv_text

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.results import read_file

Command = Callable[..., Outcome]


def semicolons(text: str) -> str:
    """Return the table with ';' between columns and decimal commas, as many countries write it."""
    return re.sub(r"(?<=\d)\.(?=\d)", ",", text.replace(",", ";"))


def shuffled(text: str) -> str:
    """Return the table with its rows in another order."""
    head, *rows = text.splitlines()
    random.Random(7).shuffle(rows)
    return "\n".join([head, *rows])


def columns_turned(text: str) -> str:
    """Return the table with its columns in the opposite order."""
    return "\n".join(",".join(reversed(line.split(","))) for line in text.splitlines())


def quoted(text: str) -> str:
    """Return the table with every field in quotation marks."""
    out = io.StringIO(newline="")
    csv.writer(out, quoting=csv.QUOTE_ALL).writerows(csv.reader(io.StringIO(text)))
    return out.getvalue()


LAYOUTS: dict[str, Callable[[str], str | bytes]] = {
    "as it is": lambda t: t,
    "line ends of Windows": lambda t: t.replace("\n", "\r\n"),
    "no last line end": lambda t: t.rstrip("\n"),
    "blank lines": lambda t: "\n\n" + t.replace("\n", "\n\n", 20) + "\n \n",
    "byte order mark": lambda t: b"\xef\xbb\xbf" + t.encode(),
    "semicolons and decimal commas": semicolons,
    "tabs": lambda t: t.replace(",", "\t"),
    "bars": lambda t: t.replace(",", "|"),
    "rows in another order": shuffled,
    "columns in another order": columns_turned,
    "every field quoted": quoted,
    "blanks round the fields": lambda t: t.replace(",", " , "),
    "more digits": lambda t: re.sub(r"(\.\d{3}),", r"\g<1>000,", t),
    "exponents": lambda t: re.sub(r",(\d)(\d\d\.\d{3}),", lambda m: f",{m[1]}.{m[2]}E2,".replace(
        f"{m[2]}", m[2].replace(".", "")), t),
    "another offset": lambda t: t.replace("T12:50:00+02:00", "T10:50:00Z"),
}  # fmt: skip


@pytest.mark.parametrize("name", LAYOUTS)
def test_another_layout_of_the_same_results_brings_nothing_new(
    name: str, good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    first, other = tmp_path / "first.csv", tmp_path / "other.csv"
    first.write_text(good)
    data = LAYOUTS[name](good)
    other.write_bytes(data if isinstance(data, bytes) else data.encode())
    assert spc("ingest", first, "--store", store_path).done("2 runs from 198 rows")
    before = held_bytes(store_path)
    outcome = spc("ingest", other, "--store", store_path)
    assert outcome.done("everything in it is in the store already; nothing changed")
    assert outcome.out.count("\n") == 1
    assert held_bytes(store_path) == before


def test_only_the_new_run_of_a_growing_file_is_taken(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    first, whole = tmp_path / "first.csv", tmp_path / "whole.csv"
    first.write_text("\n".join(line for line in good.splitlines() if "H0002" not in line))
    whole.write_text(good)
    assert spc("ingest", first, "--store", store_path).done("1 run from 99 rows")
    assert spc("ingest", whole, "--store", store_path).done("1 run from 198 rows, 1 known before")
    held = contents(store_path)
    assert [len(held[t]) for t in ("run", "fit", "hit", "deviation")] == [2, 2, 198, 66]


def test_a_declared_code_page_keeps_the_names(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "old.csv"
    path.write_bytes(good.replace(",ana,", ",zoë,").encode("cp1252"))
    assert spc("ingest", path, "--store", store_path, "--encoding", "cp1252").done("2 runs")
    assert spc("run", "list", "--store", store_path).out.count(" zoë ") == 2


def test_a_code_page_that_the_bytes_contradict_is_said(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "new.csv"
    path.write_bytes(good.replace(",ana,", ",zoë,").encode())
    taken = spc("ingest", path, "--store", store_path, "--encoding", "cp1252")
    assert taken.done("2 runs", "note: read as cp1252, as declared, and yet every letter", "UTF-8")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-8-sig"])
def test_a_byte_order_mark_is_no_part_of_the_first_name(
    encoding: str, good: str, tmp_path: Path
) -> None:
    path = tmp_path / "marked.csv"
    text = good if encoding != "utf-8" else "\ufeff" + good
    path.write_bytes(text.encode(encoding))
    read = read_file(path, Declared(encoding=encoding))
    assert isinstance(read, Results)
    assert (len(read.runs), len(read.values)) == (2, 198)


NAMES = ["zoë, the 2nd", 'the "new" one', "Ｗｉｄｅ 名", "=1+1", "a;b|c"]


def named(good: str) -> str:
    """Return one run a name, its operator being that name, with lines as RFC 4180 writes them.

    All but one have a remark of two lines, which nobody asks for.
    """
    rows = list(csv.DictReader(io.StringIO(good)))
    one = [row for row in rows if row["run"] == "H0001-1"]
    return csv_text(
        {
            **row,
            "run": f"run of {name}",
            "serial": f"piece {name}",
            "operator": name,
            "remark": "" if name == "=1+1" else f"of\n{name}",
        }
        for name in NAMES
        for row in one
    )


def test_names_with_commas_quotes_and_other_scripts_come_back_as_they_are(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "nämes, “quoted”.csv"
    path.write_bytes(named(good).encode())
    assert spc("ingest", path, "--store", store_path).done("5 runs from 495 rows")
    with duckdb.connect(str(store_path), read_only=True) as connection:
        held = connection.execute("SELECT operator, run, serial FROM run").fetchall()
        (file,) = connection.execute("SELECT name FROM source_file").fetchall()
    assert sorted(held) == sorted((n, f"run of {n}", f"piece {n}") for n in NAMES)
    assert file == (str(path),)


def test_the_row_named_is_the_line_of_the_file_even_after_quoted_line_ends(
    good: str, tmp_path: Path
) -> None:
    text = named(good).replace("\r\n", "\n")
    lines = text.split("\n")
    at = max(i for i, line in enumerate(lines) if ",=1+1," in line and ",deck-1,2," in line)
    fields = lines[at].split(",")
    fields[-4] = "nine"
    lines[at] = ",".join(fields)
    path = tmp_path / "bad.csv"
    path.write_text("\n".join(lines))
    # Three names before it, each row of two lines.
    assert at > 2 * 3 * 99
    with pytest.raises(InputError) as refused:
        read_file(path, Declared())
    assert refused.value.row == at + 1
    assert refused.value.column == "y"


def test_the_time_of_a_run_is_that_of_its_earliest_hit_in_any_order(
    good: str, tmp_path: Path
) -> None:
    rows = list(csv.DictReader(io.StringIO(good)))
    for at, row in enumerate(rows):
        row["measured_at"] = f"2026-04-02T{12 + (at % 99) // 60:02d}:{(at % 99) % 60:02d}:00+02:00"
    rows[50]["measured_at"] = ""
    times = []
    for name, listed in (("forth", rows), ("back", rows[::-1])):
        path = tmp_path / f"{name}.csv"
        path.write_text(csv_text(listed))
        read = read_file(path, Declared())
        assert isinstance(read, Results)
        times.append(dict(zip(read.runs["run"], read.runs["measured_at"], strict=True)))
        assert set(read.runs["zone"]) == {"+02:00"}
    assert times[0] == times[1]
    assert [str(t) for t in times[0].values()] == ["2026-04-02 10:00:00"] * 2


@pytest.mark.parametrize(
    ("text", "options", "utc", "zone"),
    [
        ("2026-04-02T12:50:00+02:00", (), "2026-04-02 10:50:00", "+02:00"),
        ("2026-04-02T10:50:00Z", (), "2026-04-02 10:50:00", "Z"),
        ("2026-04-02 12:50:00", ("--zone", "Europe/Berlin"), "2026-04-02 10:50:00",
         "Europe/Berlin"),
        ("2026-01-02 12:50:00", ("--zone", "Europe/Berlin"), "2026-01-02 11:50:00",
         "Europe/Berlin"),
        ("2026-10-25T02:30:00+01:00", (), "2026-10-25 01:30:00", "+01:00"),
        ("2026-04-02", ("--zone", "America/Chicago"), "2026-04-02 05:00:00", "America/Chicago"),
    ],
)  # fmt: skip
def test_times_are_kept_in_utc_with_the_zone_they_came_in(
    text: str, options: tuple[str, ...], utc: str, zone: str, good: str, spc: Command,
    store_path: Path, tmp_path: Path,
) -> None:  # fmt: skip
    path = tmp_path / "timed.csv"
    path.write_text("\n".join(x for x in good.replace("2026-04-02T12:50:00+02:00", text).split("\n")
                              if "H0002" not in x))  # fmt: skip
    assert spc("ingest", path, "--store", store_path, *options).done("1 run")
    with duckdb.connect(str(store_path), read_only=True) as connection:
        (row,) = connection.execute("SELECT measured_at::VARCHAR, zone FROM run").fetchall()
    assert row == (utc, zone)


def test_a_mapping_says_what_a_file_leaves_out(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    rows = list(csv.DictReader(io.StringIO(good)))
    foreign = [
        {"Teil-Nr": r["serial"], "Lauf": r["run"], "Zeit": r["measured_at"][:19],
         "Prüfer": "zoë", "Punkt": r["point"], "Nr": r["hit"], "X": r["x"].replace(".", ","),
         "Y": r["y"].replace(".", ","), "Z": r["z"].replace(".", ","), "Bemerkung": "gut"}
        for r in rows
    ]  # fmt: skip
    path, mapping = tmp_path / "fremd.csv", tmp_path / "mapping.toml"
    path.write_bytes(csv_text(foreign, separator=";").encode("cp1252"))
    mapping.write_text(
        'unit = "mm"\nzone = "Europe/Berlin"\nencoding = "cp1252"\n'
        '[columns]\nserial = "Teil-Nr"\nrun = "Lauf"\nmeasured_at = "Zeit"\noperator = "Prüfer"\n'
        'point = "Punkt"\nhit = "Nr"\nx = "X"\ny = "Y"\nz = "Z"\n'
        '[constants]\npart = "LH-640"\nmould = "K1"\nbatch = "B01"\n',
        encoding="utf-8",
    )
    outcome = spc("ingest", path, "--store", store_path, "--mapping", mapping)
    assert outcome.done("2 runs from 198 rows", "column 'Bemerkung' is not used")
    plain = tmp_path / "plain.csv"
    plain.write_text(good)
    # The very same runs, so nothing of them may have been lost or changed on the way.
    again = spc("ingest", plain, "--store", store_path)
    assert again.done("nothing changed", "operator 'ana' here; the store keeps 'zoë'")


def test_an_option_goes_before_the_mapping(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path, mapping = tmp_path / "offered.csv", tmp_path / "mapping.toml"
    path.write_text(good)
    mapping.write_text('unit = "in"')
    assert spc("ingest", path, "--store", store_path, "--mapping", mapping, "--unit", "mm").done(
        "2 runs"
    )


def test_a_column_of_no_meaning_is_told_and_left_out(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "offered.csv"
    path.write_text(good.replace("station", "colour"))
    outcome = spc("ingest", path, "--store", store_path)
    assert outcome.done("2 runs", "note: column 'colour' is not used")
