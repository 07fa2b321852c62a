"""What a reader hands on: checked frames and where they came from."""

from dataclasses import dataclass, field

import pandas as pd

from spc.ingest.text import Layout

#: How deep a results file goes.
HITS, POINTS, DEVIATIONS = "hits", "points", "deviations"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookup:
    """Where a QIF file holds something that the standard has no element for.

    Parameters
    ----------
    place
        The place by the standard's own words, such as ``LotNumber`` or ``Attribute:cavity``.
    match
        Regular expression whose first group is what is meant; empty where all of it is.
    """

    place: str
    match: str = ""


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
    layout
        Separator, decimal mark, and lines that are no rows.
    sheet
        Which sheet of a spreadsheet.
    file_name
        Regular expressions with named groups; each has to match the file's name.
    wide
        True where a row is a run and its columns are points.
    point_columns
        Regular expression with the groups ``point``, and ``axis`` or ``hit`` where columns have
        them; empty for names such as ``deck-1``, ``deck-1.x`` or ``deck-1.2.x``.
    ignored
        The file's own columns that are left unused without a note.
    moment
        The file's own columns that make up a time between them, such as a day and a clock's.
    time_format
        How times are written, by ``strptime``'s marks; ISO 8601 where empty.
    qif
        For our column name, where a QIF file holds it.
    """

    unit: str | None = None
    zone: str | None = None
    encoding: str | None = None
    columns: dict[str, str] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    layout: Layout = field(default_factory=Layout)
    sheet: str | None = None
    file_name: tuple[str, ...] = ()
    wide: bool = False
    point_columns: str = ""
    ignored: tuple[str, ...] = ()
    moment: tuple[str, ...] = ()
    time_format: str = ""
    qif: dict[str, Lookup] = field(default_factory=dict)


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
    nominals
        One row a point whose nominal the file itself tells: point, x, y, z, i, j, k (NaN where it
        has no normal), mm; None where files of its kind tell none.
    statuses
        One row a characteristic whose status the file reports: key, characteristic, point, value,
        lower, upper (mm, NaN where absent), reported, recomputed and ``line``; None likewise.
    surface
        True where the file itself says that its positions are of the surface, free of the ball.
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
    nominals: pd.DataFrame | None = None
    statuses: pd.DataFrame | None = None
    surface: bool = False


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmChecks:
    """A file of arm checks, checked; lengths in millimetres.

    Parameters
    ----------
    name, file_id, size, rows
        The file's name, SHA-256, bytes and data rows.
    unit, zone
        As declared.
    checks
        One row a reading: checked_at (UTC), zone, device, artefact, place, operator, reference,
        uncertainty, reading, trial.
    """

    name: str
    file_id: str
    size: int
    rows: int
    unit: str
    zone: str
    checks: pd.DataFrame
