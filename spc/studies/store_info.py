"""What a store holds: its file, its schema, its parts, its files."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from spc.store import inventory, read
from spc.store.connection import Store, version_of
from spc.store.schema import VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPart:
    """One part revision.

    Parameters
    ----------
    part, revision, name
        Its names.
    plans
        Plans that were added for it, the one in force among them.
    pieces, runs, study_runs
        Pieces; runs of production; runs of gauge studies.
    first_measured, last_measured
        UTC; None where unknown.
    """

    part: str
    revision: str
    name: str
    plans: int
    pieces: int
    runs: int
    study_runs: int
    first_measured: datetime | None
    last_measured: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreInfo:
    """A store at a glance.

    Parameters
    ----------
    store
        Its file.
    bytes
        Its size, with the log of changes beside it.
    version, newest_version
        Version of its schema, and the one that this program writes.
    made_at
        When it was made, UTC.
    parts
        What was measured.
    rows
        Rows of each table.
    files
        Files taken.
    last_file, last_taken_at
        The newest of them; empty and None where there is none.
    rejected
        Files on the list of those that could not be taken.
    merged
        True where another store was merged into it.
    """

    store: Path
    bytes: int
    version: int
    newest_version: int
    made_at: datetime
    parts: tuple[StoredPart, ...]
    rows: dict[str, int]
    files: int
    last_file: str
    last_taken_at: datetime | None
    rejected: int
    merged: bool


def store_info(store: Store) -> StoreInfo:
    """Return what a store holds."""
    files, rows = read.files(store), inventory.row_counts(store)
    last: Any = files.iloc[-1] if len(files) else None
    beside = store.path.with_name(f"{store.path.name}.wal")
    return StoreInfo(
        store=store.path,
        bytes=store.path.stat().st_size + (beside.stat().st_size if beside.exists() else 0),
        version=version_of(store), newest_version=VERSION, made_at=inventory.made_at(store),
        parts=tuple(_part(row) for row in inventory.stored_parts(store).to_dict("records")),
        rows=rows, files=len(files), last_file="" if last is None else str(last["name"]),
        last_taken_at=None if last is None else last["taken_at"].to_pydatetime(),
        rejected=len(inventory.rejected_files(store)), merged=rows["merged_audit"] > 0,
    )  # fmt: skip


def _part(row: Any) -> StoredPart:
    first, last = (
        None if pd.isna(row[key]) else row[key].to_pydatetime()
        for key in ("first_measured", "last_measured")
    )
    return StoredPart(
        part=str(row["part"]), revision=str(row["revision"]), name=str(row["name"]),
        plans=int(row["plans"]), pieces=int(row["pieces"]), runs=int(row["runs"]),
        study_runs=int(row["study_runs"]), first_measured=first, last_measured=last,
    )  # fmt: skip
