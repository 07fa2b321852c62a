"""Results files: one row a hit, a point, or a ready deviation, told apart by their columns."""

from os import SEEK_END
from pathlib import Path

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.ingest.arm_checks import NEEDED as ARM_CHECK
from spc.ingest.arm_checks import read_arm_checks
from spc.ingest.checked import DEVIATIONS, HITS, ArmChecks, Declared, Events, Results
from spc.ingest.events import read_events
from spc.ingest.fields import lengths, whole_numbers
from spc.ingest.kinds import PARQUET, TEXT, XML, kind_of
from spc.ingest.offered import as_declared, table_of
from spc.ingest.quick import LEAST_BYTES, LEAST_PACKED, read_quick
from spc.ingest.runs_table import depth_of, run_keys, run_rows, unit_of, with_known_columns
from spc.ingest.text import LINE, TextTable, read_bytes
from spc.units import millimetres_per


def read_file(path: Path, declared: Declared) -> Results | Events | ArmChecks:
    """Read a results or an events file, or refuse it in one line.

    Raises
    ------
    InputError
        With file, row and column where they are known.
    """
    large = _large_kind(path)
    if large is not None:
        quick = read_quick(path, declared, parquet=large == PARQUET)
        if quick is not None:
            return quick
    data = read_bytes(path)
    kind = kind_of(data, str(path))
    if kind == XML:
        from spc.ingest.qif.results import read_qif

        return read_qif(data, str(path), declared)
    table = as_declared(table_of(path, data, kind, declared), declared)
    if {"at", "kind"} <= set(table.frame.columns):
        return read_events(table, declared)
    if set(ARM_CHECK) <= set(table.frame.columns):
        return read_arm_checks(table, declared)
    return read_results(table, declared)


def _large_kind(path: Path) -> str | None:
    """Return the kind of a file that is large enough for the reader that goes by columns."""
    try:
        with path.open("rb") as file:
            kind, size = kind_of(file.read(4096), str(path)), file.seek(0, SEEK_END)
    except (OSError, InputError):
        return None  # said by the careful reader
    least = {TEXT: LEAST_BYTES, PARQUET: LEAST_PACKED}.get(kind)
    return kind if least is not None and size >= least else None


def read_results(table: TextTable, declared: Declared) -> Results:
    """Check a results table and return it in millimetres and UTC."""
    frame, warnings = with_known_columns(table, declared)
    depth = depth_of(frame, table.name)
    unit = unit_of(frame, table.name)
    keys = run_keys(frame, table.name)
    values = _values(frame, depth, millimetres_per(unit, file=table.name), table)
    values.insert(0, "key", keys.to_numpy())
    _refuse_duplicates(values, frame, depth, table.name)
    return Results(
        name=table.name,
        file_id=table.file_id,
        size=table.size,
        rows=len(frame),
        depth=depth,
        unit=unit,
        zone=declared.zone or "",
        warnings=(*table.notes, *warnings),
        values=values,
        runs=run_rows(frame, keys, table, declared.zone),
    )


def _values(frame: pd.DataFrame, depth: str, factor: float, table: TextTable) -> pd.DataFrame:
    lines, file = frame[LINE], table.name
    values = pd.DataFrame({"point": frame["point"].to_numpy(), LINE: lines.to_numpy()})
    if depth == DEVIATIONS:
        names, needed = ["deviation", "residual"], ["deviation"]
        frame = frame if "residual" in frame else frame.assign(residual="")
    else:
        names, needed = ["x", "y", "z"], ["x", "y", "z"]
        values["hit"] = (
            whole_numbers(frame["hit"], lines, file=file).to_numpy() if depth == HITS else 0
        )
        values["station"] = frame["station"].to_numpy()
    for name in names:
        values[name] = lengths(
            frame[name], lines, file=file, factor=factor, decimal=table.decimal,
            needed=name in needed,
        ).to_numpy()  # fmt: skip
    return values


def _refuse_duplicates(values: pd.DataFrame, frame: pd.DataFrame, depth: str, name: str) -> None:
    columns = ["key", "point", "hit"] if depth == HITS else ["key", "point"]
    twice = values.duplicated(columns)
    if not twice.any():
        return
    at = int(np.flatnonzero(twice)[0])
    same = (values[columns] == values[columns].iloc[at]).all(axis=1)
    first = int(values[LINE][same].iloc[0])
    what = f"point '{values.point.iloc[at]}'"
    what += f" hit {values.hit.iloc[at]}" if depth == HITS else ""
    raise InputError(
        f"{what} of serial '{frame.serial.iloc[at]}' run '{frame.run.iloc[at]}' was given in row "
        f"{first} already",
        file=name,
        row=int(values[LINE].iloc[at]),
        do="keep one, or give the second probing a run label of its own",
    )
