"""Parquet: the same columns and the same refusals as CSV, told by content and not by name."""

import io
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from helpers import Outcome, contents, held_bytes

from spc.errors import InputError
from spc.ingest.checked import Declared, Events, Results
from spc.ingest.results import read_file

Command = Callable[..., Outcome]
NUMBERS = ("x", "y", "z", "part_temp_c", "hours_since_moulding")


def write(frame: pd.DataFrame, path: Path) -> Path:
    """Write a frame as Parquet with DuckDB, which is not what reads it here by its own say-so."""
    with duckdb.connect() as connection:
        connection.register("offered", frame)
        target = str(path).replace("'", "''")
        connection.execute(f"COPY offered TO '{target}' (FORMAT parquet)")
    return path


@pytest.fixture(scope="module")
def typed(good: str) -> pd.DataFrame:
    """Return the good file with numbers as numbers and times as times."""
    frame = pd.read_csv(io.StringIO(good), dtype=str)
    frame = frame.astype(dict.fromkeys(NUMBERS, "float64") | {"hit": "int64"})
    return frame.assign(measured_at=pd.to_datetime(frame["measured_at"], utc=True))


def read(path: Path, **declared: object) -> Results:
    """Return what a results file gives."""
    found = read_file(path, Declared(**declared))  # type: ignore[arg-type]
    assert isinstance(found, Results)
    return found


def refused(path: Path, *words: str, **declared: object) -> None:
    """Check that a file is refused with each of the words."""
    with pytest.raises(InputError) as error:
        read_file(path, Declared(**declared))  # type: ignore[arg-type]
    said = str(error.value)
    assert said.startswith(str(path))
    assert not [w for w in words if w not in said], said


def test_parquet_and_csv_of_the_same_results_are_the_same(
    typed: pd.DataFrame, good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "first.csv").write_text(good)
    write(typed, tmp_path / "second.csv")  # by content, whatever its name
    assert spc("ingest", "first.csv", "--store", store_path).done("2 runs from 198 rows")
    before = held_bytes(store_path)
    again = spc("ingest", "second.csv", "--store", store_path)
    assert again.done("everything in it is in the store already; nothing changed")
    assert held_bytes(store_path) == before


def test_every_value_comes_through(
    typed: pd.DataFrame, take: Callable[..., object], store_path: Path, tmp_path: Path
) -> None:
    take(write(typed, tmp_path / "a.parquet"))
    held = contents(store_path)["hit"]
    assert len(held) == len(typed)
    assert np.allclose(sorted(row[3] for row in held), np.sort(typed["x"]), rtol=0, atol=0)
    assert sorted(row[7] for row in held) == list(range(1, 199))  # type: ignore[type-var]


def test_names_of_folders_and_files_mean_nothing(typed: pd.DataFrame, tmp_path: Path) -> None:
    folder = tmp_path / "batch=B99"
    folder.mkdir()
    results = read(write(typed, folder / "runs[1]*.parquet"))
    assert set(results.runs["batch"]) == {"B01"}
    assert len(results.runs) == 2


def test_empty_is_unknown_and_never_zero(typed: pd.DataFrame, tmp_path: Path) -> None:
    frame = typed.assign(part_temp_c=np.nan, operator=None)
    results = read(write(frame, tmp_path / "a.parquet"))
    assert results.runs["part_temp_c"].isna().all()
    assert set(results.runs["operator"]) == {""}


def test_single_precision_is_the_number_that_was_printed(
    typed: pd.DataFrame, tmp_path: Path
) -> None:
    results = read(write(typed.astype({"x": "float32"}), tmp_path / "a.parquet"))
    assert np.array_equal(results.values["x"], typed["x"])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"x": ("at", 4, np.inf)}, ("row 5, column 'x'", "'inf' where a number belongs")),
        ({"x": ("at", 4, 1e30)}, ("row 5, column 'x'", "more than a kilometre")),
        ({"x": ("at", 4, np.nan)}, ("row 5, column 'x'", "empty where a number belongs")),
        ({"hit": ("at", 2, 0)}, ("row 3, column 'hit'", "whole number from 1")),
        ({"point": ("at", 3, None)}, ("row 4, column 'point'", "empty")),
        ({"unit": ("at", 5, "in")}, ("row 6, column 'unit'", "one file has one unit")),
        ({"serial": ("all", None, 12.0)}, ("column 'serial'", "a decimal number where a name")),
        ({"serial": ("drop", None, None)}, ("no column 'serial'",)),
        ({"x": ("lists", None, None)}, ("column 'x'", "lists where plain values belong")),
        ({"operator": ("all", None, "z" * 20_000)}, ("column 'operator'", "10000 characters")),
        ({"line": ("all", None, 1)}, ("kept for the line of the file",)),
    ],
)
def test_refusals_name_row_and_column(
    change: dict[str, tuple[str, int | None, object]], words: tuple[str, ...],
    typed: pd.DataFrame, tmp_path: Path,
) -> None:  # fmt: skip
    ((column, (how, at, value)),) = change.items()
    frame = typed.copy()
    if how == "drop":
        frame = frame.drop(columns=column)
    elif how == "lists":
        frame[column] = [[v] for v in frame[column]]
    elif how == "all":
        frame[column] = value
    else:
        frame.loc[at, column] = value
    refused(write(frame, tmp_path / "a.parquet"), *words)


def test_a_time_without_a_zone_needs_one(typed: pd.DataFrame, tmp_path: Path) -> None:
    local = typed.assign(measured_at=pd.Timestamp("2026-04-02T12:50:00"))
    path = write(local, tmp_path / "a.parquet")
    refused(path, "has no time zone")
    assert str(read(path, zone="Europe/Berlin").runs["measured_at"][0]) == "2026-04-02 10:50:00"


def test_no_rows(typed: pd.DataFrame, tmp_path: Path) -> None:
    refused(write(typed.head(0), tmp_path / "a.parquet"), "a header but no rows")


def test_damaged_files_are_refused_at_every_cut(typed: pd.DataFrame, tmp_path: Path) -> None:
    data = write(typed, tmp_path / "a.parquet").read_bytes()
    for cut in (4, 8, 12, 100, len(data) // 2, len(data) - 9, len(data) - 1):
        (tmp_path / "b.parquet").write_bytes(data[:cut])
        refused(tmp_path / "b.parquet", "not a Parquet file that can be read")


def test_a_file_that_claims_too_much_is_not_unpacked(
    typed: pd.DataFrame, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("spc.ingest.parquet.MOST_ROWS", 100)
    refused(write(typed, tmp_path / "a.parquet"), "198 rows, more than one file can bring")


def test_events_too(tmp_path: Path) -> None:
    frame = pd.DataFrame({"at": ["2026-04-01T08:00Z"], "kind": ["arm check"], "note": [None]})
    found = read_file(write(frame, tmp_path / "events"), Declared())
    assert isinstance(found, Events)
    assert found.events["kind"].tolist() == ["arm check"]
