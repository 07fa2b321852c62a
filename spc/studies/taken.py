"""What became of a file that was taken, and of one that was taken before."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from spc.store import read
from spc.store.connection import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenRun:
    """One run as it was taken.

    Parameters
    ----------
    run_id
        Its identity.
    part, serial, run, batch
        Its names.
    noise
        Noise estimate of the fit, mm; NaN without spare points or without a fit.
    worst_point, worst_residual
        The fit point with the largest residual, and the residual in mm.
    beyond_limit
        True where the plan's residual limit is passed.
    note
        What should be said of it; empty where nothing.
    """

    run_id: str
    part: str
    serial: str
    run: str
    batch: str
    noise: float
    worst_point: str
    worst_residual: float
    beyond_limit: bool
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of one file.

    Parameters
    ----------
    name
        The file.
    kind
        hits, points, deviations or events.
    already
        True where the very same file, or everything in it, was in the store before.
    rows
        Data rows in the file.
    new, known
        Runs (or events) that came in, and that were there before.
    runs
        The runs that came in.
    warnings
        What should be said.
    before
        When this very file was taken before, UTC; None where it was not.
    """

    name: str
    kind: str
    already: bool
    rows: int
    new: int
    known: int
    runs: tuple[TakenRun, ...]
    warnings: tuple[str, ...]
    before: datetime | None = None


def taken_before(store: Store, name: str, file_id: str) -> Taken | None:
    """Return what became of a file that is in the store already; None where it is not.

    Parameters
    ----------
    store
        An open store.
    name
        The file, as it is called now.
    file_id
        SHA-256 of its bytes.
    """
    found = read.file_taken(store, file_id)
    if found.empty:
        return None
    row: Any = found.iloc[0]
    return nothing_new(
        name, str(row["kind"]), int(row["rows"]), int(row["runs"]), (),
        before=row["taken_at"].to_pydatetime(),
    )  # fmt: skip


def nothing_new(
    name: str, kind: str, rows: int, known: int, warnings: tuple[str, ...], *,
    before: datetime | None = None,
) -> Taken:  # fmt: skip
    """Return what became of a file of which everything was in the store before."""
    return Taken(
        name=name, kind=kind, already=True, rows=rows, new=0, known=known, runs=(),
        warnings=warnings, before=before,
    )  # fmt: skip
