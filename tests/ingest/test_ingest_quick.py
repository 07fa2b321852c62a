"""The reader that goes by columns gives what the careful reader gives, or gives up.

The careful reader is the reference, itself held to the rules by the other tests of this folder.
"""

import os
import re
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from helpers import SAMPLES
from hypothesis import example, given, settings
from hypothesis import strategies as st
from strategies import box, csv_text, dated_runs, hit_rows, probed
from two_readers import same, written

from spc.errors import InputError
from spc.ingest import results
from spc.ingest.checked import Declared, Results
from spc.ingest.mapping import read_mapping
from spc.ingest.quick import read_quick
from spc.ingest.results import read_file
from spc.ingest.text import Layout

#: Examples of a property; all of them with SPC_BENCH=1.
MANY = 300 if os.environ.get("SPC_BENCH") == "1" else 8
PLAN = box(check=1)
RNG = np.random.default_rng(20)
HITS = probed(PLAN, RNG.normal(0, 0.2, (2, 10)), RNG)
ROWS = hit_rows(PLAN, HITS, dated_runs(2, part_temp_c="21.5", station="1"))
TEXT = csv_text(ROWS).replace("\r\n", "\n")
COMMA = csv_text(
    [
        {
            k: str(v).replace(".", ",") if k in "xyz" or k == "part_temp_c" else v
            for k, v in row.items()
        }
        for row in ROWS
    ],
    separator=";",
).replace("\r\n", "\n")
READY = "part,serial,run,point,deviation,residual,unit\n" + "".join(
    f"BX-1,P{r},1,p{p},{v},{w},in\n"
    for r in range(3) for p, (v, w) in enumerate([("0.01", ""), ("-1e-3", "0.5"), (".2", "+1.")])
)  # fmt: skip
POINTS = re.sub(r"\nBX-1.*?,[23],-?\d.*", "", TEXT).replace(",hit,", ",remark,")


GOOD: dict[str, tuple[str, Declared]] = {
    "hits": (TEXT, Declared()),
    "decimal commas": (COMMA, Declared()),
    "decimal commas declared": (COMMA, Declared(layout=Layout(separator=";", mark=","))),
    "tabs": (TEXT.replace(",", "\t"), Declared()),
    "points": (POINTS, Declared()),
    "deviations": (READY, Declared()),
    "Windows line ends": (TEXT.replace("\n", "\r\n"), Declared()),
    "a byte order mark": ("\ufeff" + TEXT, Declared()),
    "all in quotation marks": ("\ufeff" + re.sub(r"[^,\n]+", r'"\g<0>"', TEXT), Declared()),
    "no line end": (TEXT.removesuffix("\n"), Declared()),
    "no line end after a number": (
        READY.replace(",unit", "").replace(",in\n", "\n").removesuffix("\n"), Declared(unit="mm"),
    ),
    "another order of rows": (
        "\n".join([TEXT.splitlines()[0], *TEXT.splitlines()[:0:-1]]) + "\n", Declared(),
    ),
    "a mapping": (
        TEXT.replace("serial", "Nr").replace(",x,y,z", ",y,x,Höhe").replace("unit", "u"),
        Declared(columns={"serial": "Nr", "x": "y", "y": "x", "z": "Höhe"}, unit="thou",
                 constants={"mould": "K1", "device": "arm-2"}),
    ),
    "ignored and unknown columns": (
        TEXT.replace("unit", "u").replace("part_temp_c", "colour"),
        Declared(unit="in", ignored=("u", "station")),
    ),
    "names from the file's name": (
        TEXT.replace("serial", "who"), Declared(file_name=("(?P<serial>res)u(?P<device>lts)",))
    ),
    "times without a zone": (TEXT.replace("+00:00", "").replace("Z,", ","),
                             Declared(zone="Europe/Berlin")),
    "names of other scripts": (TEXT.replace("P0", "Ö π"), Declared()),
}  # fmt: skip


@pytest.mark.parametrize("name", GOOD)
def test_a_plain_file_is_read_by_columns_as_the_careful_reader_reads_it(
    name: str, tmp_path: Path
) -> None:
    text, declared = GOOD[name]
    assert same(written(text.encode(), tmp_path), declared)


def test_the_sample_runs_are_read_alike(tmp_path: Path) -> None:
    files = sorted(SAMPLES.rglob("*.csv"))[::20]
    assert sum(same(path, Declared()) for path in files) >= len(files) - 2


def test_a_point_that_first_comes_far_down_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("spc.ingest.quick.SAMPLE", 4)
    assert same(written(TEXT.encode(), tmp_path), Declared())


def _rest(old: str, new: str, count: int = 1) -> Callable[[str], str]:
    return lambda text: text.replace(old, new, count)


UNUSUAL = {
    "a number that is none": _rest(ROWS[7]["x"], "NaN"),
    "digits with a mark for thousands": _rest(ROWS[7]["x"], "1_000"),
    "two signs": _rest(ROWS[7]["x"], "+-1"),
    "a blank before a number": _rest(ROWS[7]["x"], " 1"),
    "a number beyond all": _rest(ROWS[7]["x"], "1e999"),
    "a length beyond a kilometre": _rest(ROWS[7]["x"], "1e7"),
    "a decimal comma": _rest(ROWS[7]["x"], '"1,5"'),
    "a hit twice": lambda text: text + text.splitlines()[-1] + "\n",
    "another unit": lambda text: text[:-3] + "in\n",
    "another temperature within a run": _rest(",mm,21.5,", ",mm,21.6,"),
    "another time within a run": _rest(ROWS[0]["measured_at"], "2026-04-01T05:00:00Z"),
    "a run with a blank more": _rest(",P0001,", ", P0001,"),
    "an empty point": _rest(f",{PLAN.points[3].id},", ",,"),
    "a point with a control character": _rest(f",{PLAN.points[3].id},", ",a\x1b[2J,"),
    "a blank line": _rest("\n", "\n\n", 5),
    "a line of commas": lambda text: text + "," * TEXT.splitlines()[0].count(",") + "\n",
    "a field more": lambda text: text[:-1] + ",1\n",
    "a separator more": lambda text: text[:-1] + ",\n",
    "a field less": lambda text: text[:-4] + "\n",
    "a quotation mark within a name": _rest("P0001", 'P0"01'),
    "a line break within a name": _rest("P0001", '"P00\n01"'),
    "a carriage return alone": _rest("P0001", "P00\r01"),
    "one Windows line end": _rest("\n", "\r\n"),
    "a zero byte": _rest("P0001", "P00\x0001"),
    "a column twice": _rest("mould", "serial"),
    "a column without a name": _rest("mould", ""),
    "no time zone": _rest("Z,", ","),
    "a time before any arm": _rest(str(ROWS[0]["measured_at"]), "0001-01-01T00:00:00Z", 999),
    "a temperature that none is": _rest(",mm,21.5,", ",mm,-999,", 999),
}


@pytest.mark.parametrize("name", UNUSUAL)
def test_whatever_is_unusual_is_left_to_the_careful_reader(name: str, tmp_path: Path) -> None:
    text = UNUSUAL[name](TEXT)
    assert text != TEXT
    path = written(text.encode(), tmp_path)
    assert read_quick(path, Declared()) is None or same(path, Declared())


def test_bytes_that_are_no_text_are_left_to_the_careful_reader(tmp_path: Path) -> None:
    for data in (TEXT.encode("utf-16"), TEXT.replace("P0001", "Pö").encode("cp1252"), b"\xff"):
        assert read_quick(written(data, tmp_path), Declared()) is None
    assert read_quick(tmp_path / "nothing.csv", Declared()) is None


@settings(max_examples=MANY, deadline=None)
@given(
    at=st.integers(0, len(TEXT) - 1),
    cut=st.integers(0, 30),
    put=st.text(
        st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from(',;"\n\r.-+e0_ \t')),
        max_size=6,
    ),
    comma=st.booleans(),
)
@example(at=400, cut=0, put='""', comma=False)
@example(at=len(TEXT) - 1, cut=1, put="\r", comma=False)
@example(at=0, cut=0, put="\ufeff", comma=False)
def test_any_change_to_a_good_file_is_read_alike_or_left_to_the_careful_reader(
    at: int, cut: int, put: str, comma: bool
) -> None:
    text = COMMA if comma else TEXT
    with tempfile.TemporaryDirectory() as folder:
        data = (text[:at] + put + text[at + cut :]).encode()
        same(written(data, Path(folder)), Declared())


@settings(max_examples=MANY, deadline=None)
@given(
    fields=st.lists(
        st.one_of(
            st.text("0123456789+-.e_ ,naif", min_size=1, max_size=7),
            st.floats(-1e6, 1e6).map(repr),
            st.decimals(-999999, 999999, places=12).map(str),
        ),
        min_size=1, max_size=4,
    )
)  # fmt: skip
def test_any_number_is_read_to_the_same_bits(fields: list[str]) -> None:
    rows = [f"BX-1,P1,1,p{at};{field};0;0".replace(",", ";") if "," not in field else
            f"BX-1;P1;1;p{at};{field};0;0" for at, field in enumerate(fields)]  # fmt: skip
    text = "part;serial;run;point;x;y;z\n" + "".join(f"{row}\n" for row in rows)
    with tempfile.TemporaryDirectory() as folder:
        same(written(text.encode(), Path(folder)), Declared(unit="in"))


def test_a_large_file_goes_by_columns_and_a_bad_one_is_refused_by_its_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(TEXT.encode(), tmp_path)
    monkeypatch.setattr(results, "LEAST_BYTES", 100)
    found = read_file(path, Declared())
    assert isinstance(found, Results)
    assert isinstance(found.values["point"].dtype, pd.CategoricalDtype), "read by columns"
    path.write_text(TEXT.replace(str(ROWS[7]["x"]), "12,5 mm", 1).replace("12,5", "12.5"))
    with pytest.raises(InputError, match=r"row 9, column 'x': '12.5 mm' where a number belongs"):
        read_file(path, Declared())


def test_a_file_that_changes_while_it_is_read_is_left_to_the_careful_reader(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stamps = iter([(1, 1), (1, 2)])
    monkeypatch.setattr("spc.ingest.quick_scan.stamp_of", lambda path: next(stamps))
    assert read_quick(written(TEXT.encode(), tmp_path), Declared()) is None


def test_a_path_is_a_path_and_no_pattern(tmp_path: Path) -> None:
    folder = tmp_path / "it's [1] batch=B01 *"
    folder.mkdir()
    assert same(written(TEXT.encode(), folder), Declared())


def test_a_mapping_on_file_is_understood_alike(tmp_path: Path) -> None:
    mapping = tmp_path / "m.toml"
    mapping.write_text(
        'time_format = "%d.%m.%Y %H:%M"\nzone = "UTC"\n'
        '[columns]\nmeasured_at = ["day", "clock"]\n[constants]\noperator = "zoë"\n'
    )
    text = re.sub(r"(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d):\d\d(Z|\+00:00)", r"\3.\2.\1,\4", TEXT)
    text = text.replace("measured_at", "day,clock")
    declared = read_mapping(mapping)
    assert same(written(text.encode(), tmp_path), declared)
    bad = replace(declared, time_format="%Y")
    assert read_quick(written(text.encode(), tmp_path), bad) is None
