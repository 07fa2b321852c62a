"""A month's tables as CSV (RFC 4180, UTF-8); columns as the guide names them, lengths in mm."""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.studies.adjusted_tables import AdjustedReading
from spc.studies.month import Month
from spc.studies.statuses import ReportedStatus

#: First letters that a spreadsheet would take for a formula.
FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A file written.

    Parameters
    ----------
    path
        Where.
    rows
        Data rows in it.
    """

    path: Path
    rows: int


def month_tables(
    month: Month, readings: Sequence[AdjustedReading], statuses: Sequence[ReportedStatus] = ()
) -> dict[str, tuple[list[str], list[list[Any]]]]:
    """Return header and rows of each table of a month.

    Among them are its adjusted readings, and the statuses that its files reported.
    """
    return {
        "points": _of(month.points),
        "capability": _of(month.capability.points),
        "surfaces": _of(month.capability.groups),
        "signals": _of((*month.open_signals, *month.new_signals)),
        "suspect-hits": _of(month.suspects),
        "held": _of(month.held),
        "remeasured": _of(month.remeasured),
        "events": _of(month.events),
        "adjusted": _of(readings),
        "open-signals": _of(month.listed),
        "movers": _of(month.movers.movers),
        "omitted": _of(month.omitted),
        "arms": _of(month.arms),
        "limits": _of(month.limits),
        "counts": _of(month.counts),
        "statuses": _of(statuses),
        "charts": _charts(month),
    }


def _of(rows: Sequence[Any]) -> tuple[list[str], list[list[Any]]]:
    if not rows:
        return [], []
    names = [f.name for f in fields(rows[0])]
    return names, [[getattr(row, name) for name in names] for row in rows]


def _charts(month: Month) -> tuple[list[str], list[list[Any]]]:
    chart = month.monitor
    header = ["series", "mould", "label", "first_measured_at", "pieces", "value_mm", "center_mm",
              "lower_limit_mm", "upper_limit_mm", "moving_average_mm", "in_baseline"]  # fmt: skip
    rows = [
        [
            name, chart.rows.moulds[at], chart.rows.labels[at],
            pd.Timestamp(chart.rows.times[at]).isoformat(), int(chart.rows.pieces[at]),
            *(array[at, column] for array in (chart.values, chart.center, chart.lower, chart.upper,
                                              chart.average)),
            bool(chart.rows.baseline[at]),
        ]
        for column, name in enumerate(chart.series.names)
        for at in range(len(chart.rows.labels))
    ]  # fmt: skip
    return header, rows


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> Written:
    """Write one table; the byte order mark lets spreadsheets read it as UTF-8."""
    count = 0
    try:
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(header)
            for row in rows:
                writer.writerow([_cell(value) for value in row])
                count += 1
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=str(path), do="close it elsewhere"
        ) from None
    return Written(path=path, rows=count)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float | np.floating):
        return repr(float(value)) if isfinite(value) else ""
    if isinstance(value, tuple):
        return " ".join(str(item) for item in value)
    text = value.isoformat() if hasattr(value, "isoformat") else str(value)
    # A name that begins like a formula must not become one in a spreadsheet.
    return f"'{text}" if isinstance(value, str) and text.startswith(FORMULA) else text
