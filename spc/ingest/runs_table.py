"""What a table says of its runs: the columns it has, its depth and unit, its runs one by one."""

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.ingest.checked import DEVIATIONS, HITS, POINTS, Declared
from spc.ingest.columns import KNOWN, NEEDED, RUN_NUMBERS, RUN_TEXT
from spc.ingest.fields import refuse_controls, times, within
from spc.ingest.text import LINE, TextTable
from spc.units import millimetres_per


def with_known_columns(table: TextTable, declared: Declared) -> tuple[pd.DataFrame, list[str]]:
    """Return a table with every column that says something of runs, and what is not used of it."""
    frame = table.frame
    for column, value in declared.constants.items():
        if column not in frame:
            frame[column] = value
    if declared.unit is not None:
        refuse_other_unit(frame, declared.unit, table.name)
        frame["unit"] = declared.unit
    missing = [column for column in NEEDED if column not in frame]
    if missing:
        raise InputError(
            f"no column '{missing[0]}'",
            file=table.name,
            row=1,
            do=_missing_hint(missing[0], declared),
        )
    unknown = [str(c) for c in frame.columns if c not in KNOWN and c != LINE]
    said = [f"column '{column}' is not used" for column in unknown]
    for column in (*RUN_TEXT, *RUN_NUMBERS, "measured_at", "station"):
        if column not in frame:
            frame[column] = ""
    return frame, said


def _missing_hint(column: str, declared: Declared) -> str:
    if column in declared.columns:
        return f"the mapping calls it '{declared.columns[column]}', which the file does not have"
    if column == "unit":
        return "add it (mm, in or thou) or say --unit; the unit is never guessed"
    wide = ", or say wide = true there if the points are columns" if column == "point" else ""
    return f"add it, or name the file's own column for it in a mapping (--mapping){wide}"


def refuse_other_unit(frame: pd.DataFrame, unit: str, name: str) -> None:
    """Refuse a table that says another unit than the one that was declared."""
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


def depth_of(frame: pd.DataFrame, name: str) -> str:
    """Return how deep a table goes, told by its columns."""
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


def unit_of(frame: pd.DataFrame, name: str) -> str:
    """Return the one unit of a table."""
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
    millimetres_per(first, file=name, row=int(frame[LINE].iloc[0]))
    other = frame["unit"] != first
    if other.any():
        raise InputError(
            f"'{frame['unit'][other].iloc[0]}' after '{first}': one file has one unit",
            file=name,
            row=int(frame[LINE][other].iloc[0]),
            column="unit",
            do="split the file",
        )
    return first


def run_keys(frame: pd.DataFrame, name: str) -> "pd.Series[int]":
    """Return the run of each row, numbered from 0; what is said of a run is the same in each."""
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
    # Runs are numbered as they come, so the first rows of all runs stand in the runs' order.
    first_rows = np.flatnonzero(~keys.duplicated())[keys]
    for column in (*RUN_TEXT, *RUN_NUMBERS, "measured_at"):
        first = frame[column].iloc[first_rows].set_axis(frame.index)
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


#: What numbers of a run can be, and what they are; others are fillers, such as -999.
_CAN_BE = {
    "part_temp_c": (-100.0, 500.0, "temperature of a piece in °C"),
    "hours_since_moulding": (0.0, 1e6, "age of a piece in hours"),
}


def run_rows(
    frame: pd.DataFrame, keys: "pd.Series[int]", table: TextTable, zone: str | None
) -> pd.DataFrame:
    """Return one row a run: its names, its time in UTC, and ``key``."""
    first = frame[~keys.duplicated()].reset_index(drop=True)
    for column in RUN_TEXT:
        refuse_controls(first[column], first[LINE], file=table.name)
    runs = first[[*RUN_TEXT, LINE]].copy()
    moments, came_in = times(frame["measured_at"], frame[LINE], file=table.name, zone=zone)
    began = pd.DataFrame({"key": keys, "moment": moments, "zone": came_in})
    began = began.sort_values(["key", "moment"], kind="stable").drop_duplicates("key")
    runs["measured_at"], runs["zone"] = began["moment"].to_numpy(), began["zone"].to_numpy()
    for column in RUN_NUMBERS:
        least, most, what = _CAN_BE[column]
        runs[column] = within(
            first[column], first[LINE], file=table.name, decimal=table.decimal, least=least,
            most=most, what=what,
        )  # fmt: skip
    return runs.assign(key=np.arange(len(runs)))
