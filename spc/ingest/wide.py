"""Wide tables: a row is a run, and its columns are points."""

import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.columns import KNOWN
from spc.ingest.fields import numbers
from spc.ingest.text import LINE, TextTable

#: Names of columns that hold positions, where the mapping does not say otherwise.
POSITIONS = r"(?P<point>.+?)(\.(?P<hit>[0-9]+))?\.(?P<axis>[xyz])"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    point: str
    hit: str


def lengthened(table: TextTable, declared: Declared) -> TextTable:
    """Return a wide table with one row a point or hit; empty cells are points not measured.

    Raises
    ------
    InputError
        Where no column is a point, an axis is missing, or a cell is no number (with its column).
    """
    columns = [str(c) for c in table.frame if c not in KNOWN and c != LINE]
    places = _places(columns, declared, table.name)
    if not places:
        raise InputError(
            "no column is a point", file=table.name, row=1,
            do="name the points in columns, or say how columns name them (point_columns)",
        )  # fmt: skip
    _check_axes(places, table.name)
    used = [column for axes in places.values() for column in axes.values()]
    mark = table.decimal if table.mark else _mark(table, used)
    for column in used:
        _check_numbers(table, column, mark)
    names = tuple(next(iter(places.values())))
    kept = [str(c) for c in table.frame if c not in used]
    long, empty = _long(table.frame, kept, places, names)
    said = [f"row {line}: no point was measured; the run was left out" for line in empty]
    if long.empty:
        raise InputError("a header but no rows", file=table.name, do="export it again")
    return replace(table, frame=long, mark=mark, notes=(*table.notes, *said))


def _places(columns: list[str], declared: Declared, name: str) -> dict[_Place, dict[str, str]]:
    """Return, for each point or hit, the column of each of its lengths."""
    pattern = re.compile(declared.point_columns or POSITIONS)
    told = [(column, pattern.fullmatch(column)) for column in columns]
    if not declared.point_columns and not any(match for _, match in told):
        return {_Place(point=c, hit=""): {"deviation": c} for c in columns}
    places: dict[_Place, dict[str, str]] = {}
    for column, match in told:
        if match is not None:
            said = {"hit": "", "axis": "", **{k: v or "" for k, v in match.groupdict().items()}}
            place = _Place(point=said["point"].strip(), hit=said["hit"])
            axis = said["axis"].lower() or "deviation"
            if axis in places.setdefault(place, {}):
                raise InputError(
                    f"the columns '{places[place][axis]}' and '{column}' are one point",
                    file=name, row=1, do="say in point_columns what tells them apart",
                )  # fmt: skip
            places[place][axis] = column
    return places


def _check_axes(places: dict[_Place, dict[str, str]], name: str) -> None:
    wanted = {"x", "y", "z"} if any("x" in axes for axes in places.values()) else {"deviation"}
    hits = {bool(place.hit) for place in places}
    for axes in places.values():
        column = next(iter(axes.values()))
        if set(axes) != wanted or len(hits) > 1:
            raise InputError(
                f"column '{column}' is not like the others: "
                + ("each point needs x, y and z" if "x" in wanted else "each is one deviation")
                + (", all with a hit number or none" if len(hits) > 1 else ""),
                file=name, row=1, do="correct the header, or say in point_columns what names them",
            )  # fmt: skip


def _mark(table: TextTable, used: list[str]) -> str:
    comma = any(bool(table.frame[c].str.contains(",", regex=False).any()) for c in used)
    return "," if comma and table.separator != "," else "."


def _check_numbers(table: TextTable, column: str, mark: str) -> None:
    """Refuse by the file's own column, which is not known any more once the table is long."""
    try:
        numbers(table.frame[column], table.frame[LINE], file=table.name, decimal=mark)
    except InputError as error:
        raise InputError(
            error.what, file=error.file, row=error.row, column=column,
            do=f"{error.do}, or put it under 'ignore' in the mapping if it is no point",
        ) from None  # fmt: skip


def _long(
    frame: pd.DataFrame, kept: list[str], places: dict[_Place, dict[str, str]],
    names: tuple[str, ...],
) -> tuple[pd.DataFrame, list[int]]:  # fmt: skip
    """Return one row a measured point, and the lines on which none was measured."""
    count = len(places)
    long = frame[kept].iloc[np.repeat(np.arange(len(frame)), count)].reset_index(drop=True)
    long["point"] = np.tile([p.point for p in places], len(frame)).astype(object)
    if any(p.hit for p in places):
        long["hit"] = np.tile([p.hit for p in places], len(frame)).astype(object)
    for name in names:
        long[name] = frame[[axes[name] for axes in places.values()]].to_numpy().ravel()
    measured = (long[list(names)] != "").any(axis=1)
    without = set(frame[LINE]) - set(long[LINE][measured])
    return long[measured].reset_index(drop=True), sorted(int(line) for line in without)
