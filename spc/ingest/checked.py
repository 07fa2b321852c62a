"""What a reader hands on: checked frames and where they came from."""

from dataclasses import dataclass, field

import pandas as pd

#: How deep a results file goes.
HITS, POINTS, DEVIATIONS = "hits", "points", "deviations"


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """What the user or a mapping declares about a file, since none of it is ever guessed.

    Parameters
    ----------
    unit
        Unit of every length in the file.
    zone
        Time zone of times that carry none.
    encoding
        Code page; UTF-8 where not said.
    columns
        Our column name for the file's own.
    constants
        Values of columns that the file does not have.
    """

    unit: str | None = None
    zone: str | None = None
    encoding: str | None = None
    columns: dict[str, str] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Results:
    """A results file, checked as far as it can be without the store; lengths in millimetres.

    Parameters
    ----------
    name, file_id, size, rows
        The file's name, SHA-256, bytes and data rows.
    depth
        ``hits``, ``points`` or ``deviations``.
    unit, zone
        As declared.
    runs
        One row a run: part, revision, serial, run, measured_at (UTC), zone, operator, device,
        probe, setup, study, part_temp_c, hours_since_moulding, mould, cavity, batch, and ``line``
        of its first row. ``key`` numbers the runs of the file from 0.
    values
        One row a hit or point: key, point, line and hit, x, y, z, station or deviation, residual.
    warnings
        What should be said but does not stop the file.
    """

    name: str
    file_id: str
    size: int
    rows: int
    depth: str
    unit: str
    zone: str
    runs: pd.DataFrame
    values: pd.DataFrame
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Events:
    """An events file, checked.

    Parameters
    ----------
    name, file_id, size, rows
        The file's name, SHA-256, bytes and data rows.
    zone
        As declared.
    events
        One row an event: happened_at (UTC), zone, kind, part, mould, note.
    """

    name: str
    file_id: str
    size: int
    rows: int
    zone: str
    events: pd.DataFrame
