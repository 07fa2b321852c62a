"""Results files: one row a hit, a point, or a ready deviation, told apart by their columns."""

from pathlib import Path

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.ingest.arm_checks import NEEDED as ARM_CHECK
from spc.ingest.arm_checks import read_arm_checks
from spc.ingest.checked import DEVIATIONS, HITS, POINTS, ArmChecks, Declared, Events, Results
from spc.ingest.columns import KNOWN, NEEDED, RUN_NUMBERS, RUN_TEXT
from spc.ingest.events import read_events
from spc.ingest.fields import lengths, numbers, refuse_controls, times, whole_numbers
from spc.ingest.kinds import XML, kind_of
from spc.ingest.offered import as_declared, table_of
from spc.ingest.text import LINE, TextTable, read_bytes
from spc.units import millimetres_per


def read_file(path: Path, declared: Declared) -> Results | Events | ArmChecks:
    """Read a results or an events file, or refuse it in one line.

    Raises
    ------
    InputError
        With file, row and column where they are known.
    """
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


def read_results(table: TextTable, declared: Declared) -> Results:
    """Check a results table and return it in millimetres and UTC."""
    frame, warnings = _with_known_columns(table, declared)
    depth = _depth(frame, table.name)
    unit = _unit(frame, table.name)
    keys = _run_keys(frame, table.name)
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
        runs=_runs(frame, keys, table, declared.zone),
    )


def _with_known_columns(table: TextTable, declared: Declared) -> tuple[pd.DataFrame, list[str]]:
    frame = table.frame
    for column, value in declared.constants.items():
        if column not in frame:
            frame[column] = value
    if declared.unit is not None:
        _refuse_other_unit(frame, declared.unit, table.name)
        frame["unit"] = declared.unit
    missing = [column for column in NEEDED if column not in frame]
    if missing:
        raise InputError(
            f"no column '{missing[0]}'", file=table.name, row=1, do=_missing_hint(missing[0])
        )
    unknown = [str(c) for c in frame.columns if c not in KNOWN and c != LINE]
    said = [f"column '{column}' is not used" for column in unknown]
    for column in (*RUN_TEXT, *RUN_NUMBERS, "measured_at", "station"):
        if column not in frame:
            frame[column] = ""
    return frame, said


def _missing_hint(column: str) -> str:
    if column == "unit":
        return "add it (mm, in or thou) or say --unit; the unit is never guessed"
    return "add it, or name the file's own column for it in a mapping (--mapping)"


def _refuse_other_unit(frame: pd.DataFrame, unit: str, name: str) -> None:
    if "unit" in frame:
        other = frame[(frame["unit"] != unit) & (frame["unit"] != "")]
        if len(other):
            raise InputError(
                f"says '{other['unit'].iloc[0]}' where '{unit}' was declared",
                file=name,
                row=int(other[LINE].iloc[0]),
                column="unit",
                do="find out which is right",
            )


def _depth(frame: pd.DataFrame, name: str) -> str:
    has_xyz = {"x", "y", "z"} <= set(frame.columns)
    if has_xyz and "deviation" in frame:
        raise InputError(
            "both x, y, z and deviation",
            file=name,
            row=1,
            do="keep the positions; deviations are computed from them",
        )
    if has_xyz:
        return HITS if "hit" in frame else POINTS
    if "deviation" in frame:
        return DEVIATIONS
    some = [axis for axis in "xyz" if axis in frame]
    raise InputError(
        f"column '{some[0]}' without the other two" if some else "neither x, y, z nor deviation",
        file=name,
        row=1,
        do="export the hits (point, hit, x, y, z), the points (point, x, y, z) "
        "or the deviations (point, deviation)",
    )


def _unit(frame: pd.DataFrame, name: str) -> str:
    empty = frame["unit"] == ""
    if empty.any():
        raise InputError(
            "no unit",
            file=name,
            row=int(frame[LINE][empty].iloc[0]),
            column="unit",
            do="fill it in (mm, in or thou); the unit is never guessed",
        )
    first = str(frame["unit"].iloc[0])
    other = frame["unit"] != first
    if other.any():
        raise InputError(
            f"'{frame['unit'][other].iloc[0]}' after '{first}': one file has one unit",
            file=name,
            row=int(frame[LINE][other].iloc[0]),
            column="unit",
            do="split the file",
        )
    millimetres_per(first, file=name, row=int(frame[LINE].iloc[0]))
    return first


def _run_keys(frame: pd.DataFrame, name: str) -> "pd.Series[int]":
    for column in ("part", "serial", "run", "point"):
        empty = frame[column] == ""
        if empty.any():
            raise InputError(
                "empty",
                file=name,
                row=int(frame[LINE][empty].iloc[0]),
                column=column,
                do="fill it in",
            )
    keys = frame.groupby(["part", "serial", "run"], sort=False).ngroup()
    for column in (*RUN_TEXT, *RUN_NUMBERS, "measured_at"):
        first = frame.groupby(keys)[column].transform("first")
        other = frame[column] != first
        # Hits of one run may each carry their own time; the run's is the earliest.
        if column != "measured_at" and other.any():
            at = int(np.flatnonzero(other)[0])
            raise InputError(
                f"'{frame[column].iloc[at]}' where the run says '{first.iloc[at]}' before",
                file=name,
                row=int(frame[LINE].iloc[at]),
                column=column,
                do="a run has one value here; correct it or give the runs different labels",
            )
    return keys


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


def _runs(
    frame: pd.DataFrame, keys: "pd.Series[int]", table: TextTable, zone: str | None
) -> pd.DataFrame:
    first = frame[~keys.duplicated()].reset_index(drop=True)
    for column in RUN_TEXT:
        refuse_controls(first[column], first[LINE], file=table.name)
    runs = first[[*RUN_TEXT, LINE]].copy()
    moments, came_in = times(frame["measured_at"], frame[LINE], file=table.name, zone=zone)
    began = pd.DataFrame({"key": keys, "moment": moments, "zone": came_in})
    began = began.sort_values(["key", "moment"], kind="stable").drop_duplicates("key")
    runs["measured_at"], runs["zone"] = began["moment"].to_numpy(), began["zone"].to_numpy()
    for column in RUN_NUMBERS:
        runs[column] = numbers(first[column], first[LINE], file=table.name, decimal=table.decimal)
    return runs.assign(key=np.arange(len(runs)))
