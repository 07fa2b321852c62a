"""Boards to test: the sample runs with one more piece measured after them, altered as told."""

import csv
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from pathlib import Path

from helpers import SAMPLES

from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.store.connection import Store
from spc.studies.intake import take_file

Row = dict[str, str]
#: A file with a good piece of the beginning, before anything went wrong, and that piece.
GOOD_FILE, GOOD = "2026-04-09_B02_K1.csv", "H0020"


def rows_of(serial: str = GOOD, name: str = GOOD_FILE) -> list[Row]:
    """Return the hits of one piece of the sample runs."""
    (path,) = SAMPLES.rglob(name)
    with path.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["serial"] == serial]


def later(rows: Iterable[Row], serial: str, *, run: str = "", days: float = 5.0) -> list[Row]:
    """Return the hits as those of another piece, measured so much later than the last sample."""
    when = datetime(2026, 10, 28, 10, 51) + timedelta(days=days)
    label = run or f"{serial}-1"
    return [row | {"serial": serial, "run": label, "measured_at": f"{when:%Y-%m-%dT%H:%M:%SZ}"}
            for row in rows]  # fmt: skip


def moved(rows: Iterable[Row], by: Callable[[Row], float]) -> list[Row]:
    """Return the hits with z off by so much, mm."""
    return [row | {"z": str(float(row["z"]) + by(row))} for row in rows]


def take(store: Store, folder: Path, rows: list[Row], **declared: str) -> None:
    """Write the hits to a file and take it in."""
    path = folder / f"{len(list(folder.glob('*.csv')))}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    take_file(store, read_file(path, Declared(**declared)), "tester")
