"""Large files that are not plain, read by columns: times by hit, code pages, Parquet and the like.

The careful reader is the reference, as in ``test_ingest_quick.py``; here each form has to go by
columns at its best, and to be left to the careful reader wherever a change makes it unusual.
"""

import io
import os
import re
import tempfile
import time
from dataclasses import replace
from itertools import product
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import box, csv_text, dated_runs, hit_rows, probed
from two_readers import careful, same, written

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.fields import numbers
from spc.ingest.quick import read_quick
from spc.ingest.quick_scan import number_read
from spc.ingest.text import Layout

#: Examples of a property; all of them with SPC_BENCH=1.
MANY = 200 if os.environ.get("SPC_BENCH") == "1" else 8
PLAN = box(check=1)
RNG = np.random.default_rng(21)
RUNS = dated_runs(3, part_temp_c="21.5", station="1", operator="Zoë")
ROWS = [
    row | {"measured_at": f"2026-04-0{1 + at // 40}T08:{59 - at % 30}:07.{at}Z"}
    for at, row in enumerate(hit_rows(PLAN, probed(PLAN, RNG.normal(0, 0.2, (3, 10)), RNG), RUNS))
]
COMMAS = ("x", "y", "z", "part_temp_c")


def delimited(rows: list[dict[str, object]], separator: str = ",") -> str:
    """Return rows as a delimited text with plain line ends."""
    return csv_text(rows, separator=separator).replace("\r\n", "\n")


TEXT = delimited(ROWS)
GERMAN = re.sub(
    r"(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d:\d\d)[.\d]*Z", r"\3.\2.\1;\4",
    delimited([{k: str(v).replace(".", ",") if k in COMMAS else v for k, v in row.items()}
               for row in ROWS], ";"),
).replace("measured_at", "Tag;Uhrzeit").replace(";x;y;z", ";X;Y;Höhe")  # fmt: skip
SAID = Declared(
    zone="Europe/Berlin", moment=("Tag", "Uhrzeit"), time_format="%d.%m.%Y %H:%M:%S",
    columns={"x": "X", "y": "Y", "z": "Höhe"},
)  # fmt: skip
PADDED = re.sub(r",(-?\d+\.\d+)(?=,)", r",   \1 ", TEXT)
LINES = "Cell 4\nOperator, anna;\n\n"

FORMS: dict[str, tuple[bytes, Declared]] = {
    "a time a hit": (TEXT.encode(), Declared()),
    "a time a hit, without a zone": (
        TEXT.replace("Z,", ",").replace("T08", " 08").encode(), Declared(zone="Europe/Berlin"),
    ),
    "a time a hit, some left out": (re.sub(r"2026\S+?[02468]Z", "", TEXT).encode(), Declared()),
    "times in two offsets": (re.sub(r"([02468])Z", r"\1+02:00", TEXT).encode(), Declared()),
    "the same moment in two offsets": (
        re.sub(r"2026-04-01T08:(..):..\.(\d+)Z", "2026-04-01T08:00:00Z", TEXT)
        .replace("T08:00:00Z", "T10:00:00+02:00", 1).encode(), Declared(),
    ),
    "a run without any time": (re.sub(r"2026-04-02\S+?Z", "", TEXT).encode(), Declared()),
    "decimal commas, day and clock": (GERMAN.encode(), SAID),
    "tabs and decimal commas": (GERMAN.replace(";", "\t").encode(), SAID),
    "Windows-1252": (GERMAN.encode("cp1252"), replace(SAID, encoding="cp1252")),
    "UTF-16": (GERMAN.encode("utf-16"), replace(SAID, encoding="utf-16")),
    "blanks about numbers": (PADDED.encode(), Declared()),
    "lines above the header": ((LINES + TEXT).encode(), Declared(layout=Layout(skip=3))),
    "lines above, Windows line ends, a mark": (
        ("\ufeff" + LINES + TEXT).replace("\n", "\r\n").encode(), Declared(layout=Layout(skip=3)),
    ),
    "columns of no use to us": (
        "\n".join(f'"n, {at}",{line}' if at else f"remark,{line}"
                  for at, line in enumerate(TEXT.splitlines())).encode(), Declared(),
    ),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_a_form_is_read_by_columns_as_the_careful_reader_reads_it(
    form: str, tmp_path: Path
) -> None:
    data, declared = FORMS[form]
    assert same(written(data, tmp_path), declared)


def test_the_earliest_hit_dates_a_run(tmp_path: Path) -> None:
    # Said outright, beside the careful reader's word: minutes run down and back up to 30.
    found = read_quick(written(TEXT.encode(), tmp_path), Declared())
    assert found is not None
    told = found.runs[["serial", "measured_at"]].drop_duplicates("serial")
    frame = pd.read_csv(io.StringIO(TEXT))
    frame["measured_at"] = pd.to_datetime(frame["measured_at"], format="ISO8601", utc=True)
    first = frame.groupby("serial")["measured_at"].min().dt.tz_localize(None)
    assert len(told) == 3
    assert (told.set_index("serial")["measured_at"] == first).all()


UNUSUAL = {
    "an hour that never was": ("Tag", r"\d\d\.\d\d\.2026;08:", "29.03.2026;02:"),
    "a day that never was": ("Tag", r"01\.04\.2026", "31.02.2026"),
    "a day of one digit": ("Tag", r"01\.04", "1.4"),
    "no clock": ("Tag", r";08:59:07", ";"),
    "a decimal point": ("X", r"(;-?\d+),", r"\1."),
}


@pytest.mark.parametrize("name", UNUSUAL)
def test_what_is_unusual_in_a_form_is_left_to_the_careful_reader(name: str, tmp_path: Path) -> None:
    column, old, new = UNUSUAL[name]
    changed = re.sub(old, new, GERMAN, count=1)
    assert column in GERMAN.splitlines()[0]
    assert changed != GERMAN
    assert not same(written(changed.encode(), tmp_path), SAID)


@pytest.mark.parametrize("said", ["cp1252", "utf-8", "utf-16", "idna", "rot13", "nothing"])
def test_a_code_page_that_it_is_not_is_left_to_the_careful_reader(
    said: str, tmp_path: Path
) -> None:
    # 0x81 is no letter of Windows-1252.
    path = written(GERMAN.encode("cp1252").replace(b"\xeb", b"\x81"), tmp_path)
    declared = replace(SAID, encoding=said)
    assert read_quick(path, declared) is None
    assert isinstance(careful(path, declared), InputError)


def test_no_copy_of_a_code_page_is_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(kept))
    assert same(written(*_cp1252(tmp_path)), replace(SAID, encoding="cp1252"))
    assert not list(kept.iterdir())
    # What a killed process left there a day ago goes; what another one just made stays.
    for name, age in (("spc-copy-old", 90_000), ("spc-copy-new", 0), ("other", 90_000)):
        (kept / name).mkdir()
        (kept / name / "utf8").write_text("x")
        os.utime(kept / name, (time.time() - age,) * 2)
    assert same(written(*_cp1252(tmp_path)), replace(SAID, encoding="cp1252"))
    assert sorted(p.name for p in kept.iterdir()) == ["other", "spc-copy-new"]
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "no such folder"))
    assert read_quick(tmp_path / "results.csv", replace(SAID, encoding="cp1252")) is None


def _cp1252(folder: Path) -> tuple[bytes, Path]:
    return FORMS["Windows-1252"][0], folder


@settings(max_examples=MANY, deadline=None)
@given(
    form=st.sampled_from(sorted(FORMS)),
    at=st.floats(0, 1),
    cut=st.integers(0, 12),
    put=st.text(st.sampled_from(',;"\n\r\t .-+:TZe012359 \x85\x00aé'), max_size=5),
)
def test_any_change_to_a_form_is_read_alike_or_left_to_the_careful_reader(
    form: str, at: float, cut: int, put: str
) -> None:
    data, declared = FORMS[form]
    place = int(at * len(data))
    changed = data[:place] + put.encode("cp1252", "replace") + data[place + cut :]
    with tempfile.TemporaryDirectory() as folder:
        same(written(changed, Path(folder)), declared)


MOMENTS = st.datetimes(pd.Timestamp("1971-01-01"), pd.Timestamp("2099-01-01"))
OFFSETS = st.sampled_from(["", "Z", "+00:00", "-00:00", "+02:00", "-03:30", "+14:00", "+1"])


@settings(max_examples=MANY, deadline=None)
@given(
    moments=st.lists(
        st.one_of(
            st.just(""),
            st.tuples(MOMENTS, st.sampled_from(["auto", "seconds", "minutes"]), OFFSETS).map(
                lambda said: said[0].isoformat("T", said[1]) + said[2]
            ),
            st.just("2024-10-27T02:30:00"),
        ),
        min_size=2, max_size=8,
    ),
    zone=st.sampled_from([None, "UTC", "Europe/Berlin", "Australia/Lord_Howe"]),
)  # fmt: skip
def test_any_times_of_hits_are_read_alike(moments: list[str], zone: str | None) -> None:
    head = "part,serial,run,point,hit,measured_at,x,y,z,unit\n"
    rows = "".join(
        f"BX-1,P{at % 2},1,p,{at + 1},{moment},1,2,3,mm\n" for at, moment in enumerate(moments)
    )
    with tempfile.TemporaryDirectory() as folder:
        same(written((head + rows).encode(), Path(folder)), Declared(zone=zone))


# --- Parquet -------------------------------------------------------------------------------------


def stored(frame: pd.DataFrame, folder: Path, kinds: str = "") -> Path:
    """Write a frame as Parquet by the engine's own means, with columns of other kinds."""
    path = folder / "results.parquet"
    changed = f"* REPLACE ({kinds})" if kinds else "*"
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone='UTC'")
        connection.register("offered", frame)
        connection.execute(f"CREATE TABLE held AS SELECT {changed} FROM offered")
        connection.execute(f"COPY held TO '{path}' (FORMAT parquet)")
    return path


FRAME = pd.DataFrame(ROWS, dtype=object).astype(str)
DOUBLES = ", ".join(f"CAST({c} AS DOUBLE) AS {c}" for c in COMMAS)
KINDS = {
    "text": "",
    "numbers": f"{DOUBLES}, CAST(hit AS INTEGER) AS hit",
    "times": f"{DOUBLES}, CAST(measured_at AS TIMESTAMPTZ) AS measured_at",
    "floats and decimals": "CAST(x AS FLOAT) AS x, CAST(y AS DECIMAL(18, 6)) AS y",
    "whole numbers": "CAST(x AS INTEGER) AS x, CAST(z AS HUGEINT) AS z",
}


@pytest.mark.parametrize("name", KINDS)
def test_parquet_is_read_by_columns_as_the_careful_reader_reads_it(
    name: str, tmp_path: Path
) -> None:
    declared = Declared(columns={"serial": "Nr"}, constants={"mould": "K2"})
    frame = FRAME.rename(columns={"serial": "Nr"}).assign(colour="grey", mine=1.5)
    assert same(stored(frame.drop(columns="mould", errors="ignore"), tmp_path, KINDS[name]),
                declared)  # fmt: skip


def test_parquet_with_decimal_commas_and_a_zone(tmp_path: Path) -> None:
    frame = FRAME.assign(
        **{c: FRAME[c].str.replace(".", ",") for c in COMMAS},
        measured_at=FRAME["measured_at"].str.rstrip("Z"),
    )
    assert same(stored(frame, tmp_path), Declared(zone="Asia/Tokyo"))


OTHERS = {
    "a number that is none": (f"{DOUBLES}, CAST(hit AS DOUBLE) AS hit", "x", "NaN"),
    "an infinite number": (DOUBLES, "y", "inf"),
    "a name that is a number": ("CAST(station AS DOUBLE) AS station", "station", "1"),
    "a list": ("[x] AS x", "x", "1"),
    "a name without end": ("", "batch", "B" * 20_000),
    "a useless field without end": ("", "operator", "x" * 20_000),
}


@pytest.mark.parametrize("name", OTHERS)
def test_parquet_that_is_unusual_is_left_to_the_careful_reader(name: str, tmp_path: Path) -> None:
    kinds, column, value = OTHERS[name]
    frame = FRAME.assign(batch="B1")
    frame.loc[3, column] = value
    declared = Declared(ignored=("operator",))
    path = stored(frame, tmp_path, kinds)
    assert not same(path, declared)
    assert isinstance(careful(path, declared), InputError)


@settings(max_examples=MANY, deadline=None)
@given(
    numbers=st.lists(st.one_of(st.none(), st.floats(width=64), st.floats(-2000, 2000)),
                     min_size=1, max_size=6),
    kind=st.sampled_from(["DOUBLE", "FLOAT", "VARCHAR", "DECIMAL(20, 9)"]),
    names=st.lists(st.text(min_size=1, max_size=4).filter(lambda t: "\x00" not in t),
                   min_size=1, max_size=3),
)  # fmt: skip
def test_any_parquet_is_read_alike_or_left_to_the_careful_reader(
    numbers: list[float | None], kind: str, names: list[str]
) -> None:
    frame = pd.DataFrame({
        "part": "BX-1", "serial": [names[at % len(names)] for at in range(len(numbers))],
        "run": "1", "point": [f"p{at}" for at in range(len(numbers))],
        "deviation": pd.Series(numbers, dtype="float64"), "unit": "in",
    })  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        try:
            path = stored(frame, Path(folder), f"CAST(deviation AS {kind}) AS deviation")
        except (duckdb.Error, UnicodeError):
            return  # no such number of that kind, or no text at all
        same(path, Declared())


def test_names_in_parquet_stand_without_the_blanks_around_them(tmp_path: Path) -> None:
    # As in every other kind of file: a tab more is no other piece.
    frame = FRAME.assign(serial="\t" + FRAME["serial"] + "\u00a0")
    found = careful(stored(frame, tmp_path), Declared())
    assert isinstance(found, Results)
    assert set(found.runs["serial"]) == set(FRAME["serial"])


#: What numbers are written with, and what an engine might read as one.
LETTERS = '07+-.,eE_ \tx"naif'


@pytest.mark.parametrize("mark", [".", ","])
def test_the_engine_reads_no_number_but_the_careful_reader_s(mark: str) -> None:
    # Every text of up to four of these letters, and longer ones of fewer.
    texts = ["".join(t) for n in range(1, 5) for t in product(LETTERS, repeat=n)]
    texts += ["".join(t) for n in (5, 6) for t in product("07+-.,e", repeat=n)]
    texts += ["1e400", "-1e400", "nan", "inf", "infinity", "Infinity", "1_000", "0x1F", "1d5"]
    with duckdb.connect() as connection:
        connection.register("told", pd.DataFrame({"text": texts}))
        found = connection.execute(f"SELECT text, {number_read('text', mark)} AS v FROM told").df()
    assert len(found) == len(texts)
    taken = found["v"].notna() & np.isfinite(found["v"])
    for text, value in found[taken].itertuples(index=False):
        fields = pd.Series([text.strip()], name="x")
        (said,) = numbers(fields, pd.Series([2]), file="f", decimal=mark)
        assert said == value, text
    # And it leaves none of the plain ones aside.
    dot = re.escape(mark)
    plain = re.compile(rf"-?([0-9]+{dot}?[0-9]*|{dot}[0-9]+)(e-?[0-9])?")
    left = [t for t in found["text"][~taken] if plain.fullmatch(t)]
    assert left == []
    assert taken.sum() > 1000
