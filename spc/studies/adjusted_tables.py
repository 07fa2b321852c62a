"""Batches, points and single readings as measured and, beside that, at 24 h and 20 °C."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.plan import CHECK
from spc.studies.adjusted import Adjusted
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.moments import BATCH, ChartRows, chart_rows


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedBatch:
    """The mean size of one batch; %.

    Parameters
    ----------
    mould, batch, pieces
        Which, and how many pieces.
    hours, temperature_c
        Mean age and temperature of those where it is known; NaN where none is.
    measured, adjusted, sd
        Mean as measured; at 24 h and 20 °C, NaN where age or temperature are unknown; and the
        standard deviation that the adjustment adds.
    """

    mould: str
    batch: str
    pieces: int
    hours: float
    temperature_c: float
    measured: float
    adjusted: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedPoint:
    """A check point in the newest batch of a mould; mm.

    Parameters
    ----------
    point, mould, batch, pieces
        Which.
    measured, adjusted, sd
        As of a batch.
    response
        Change at the point for one per cent of size, after the fit.
    """

    point: str
    mould: str
    batch: str
    pieces: int
    measured: float
    adjusted: float
    sd: float
    response: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedReading:
    """A reading; mm.

    Parameters
    ----------
    serial, batch, mould, measured_at
        The piece, and when it was measured, UTC.
    hours, temperature_c
        Its age and temperature; NaN where unknown.
    point
        Check point.
    deviation_mm
        As measured: the figure that counts.
    adjusted_mm, adjustment_sd_mm
        At 24 h and 20 °C, and the standard deviation that the adjustment adds; NaN where there is
        none.
    """

    serial: str
    batch: str
    mould: str
    measured_at: datetime
    hours: float
    temperature_c: float
    point: str
    deviation_mm: float
    adjusted_mm: float
    adjustment_sd_mm: float


def adjusted_batches(past: History, size: Array, found: Adjusted) -> tuple[AdjustedBatch, ...]:
    """Return every batch of every mould, moulds one after the other.

    Parameters
    ----------
    past
        The history.
    size
        (runs,), %, as measured.
    found
        Its adjustment.
    """
    runs = past.runs
    columns = (runs["hours_since_moulding"], runs["part_temp_c"], size, size + found.change,
               np.where(np.isfinite(size), found.sd, np.nan))  # fmt: skip
    laid = _by_batch(past, np.column_stack(columns))
    return tuple(
        AdjustedBatch(
            mould=laid.moulds[k], batch=laid.labels[k], pieces=int(laid.pieces[k]),
            hours=float(row[0]), temperature_c=float(row[1]), measured=float(row[2]),
            adjusted=float(row[3]), sd=float(row[4]),
        )
        for k, row in enumerate(laid.values)
    )  # fmt: skip


def adjusted_points(past: History, found: Adjusted) -> tuple[AdjustedPoint, ...]:
    """Return every check point in the newest batch of each mould."""
    at = [k for k, p in enumerate(past.plan.points) if p.role == CHECK]
    moved = found.response[at] * found.change[:, None]
    raw = _by_batch(past, past.deviations[:, at])
    second = _by_batch(past, past.deviations[:, at] + moved)
    sd = _by_batch(past, np.abs(found.response[at]) * found.sd[:, None])
    newest = {mould: k for k, mould in enumerate(raw.moulds)}
    return tuple(
        AdjustedPoint(
            point=past.plan.points[point].id, mould=mould, batch=raw.labels[k],
            pieces=int(raw.pieces[k]), measured=float(raw.values[k, column]),
            adjusted=float(second.values[k, column]), sd=float(sd.values[k, column]),
            response=float(found.response[point]),
        )
        for column, point in enumerate(at)
        for mould, k in newest.items()
    )  # fmt: skip


def adjusted_readings(
    past: History, found: Adjusted, inside: npt.NDArray[np.bool_]
) -> tuple[AdjustedReading, ...]:
    """Return the check points of the runs asked for, one entry a reading."""
    at = [k for k, p in enumerate(past.plan.points) if p.role == CHECK]
    rows = past.runs.to_dict("records")
    return tuple(
        AdjustedReading(
            serial=str(rows[run]["serial"]), batch=str(rows[run]["batch"]),
            mould=str(rows[run]["mould"]),
            measured_at=pd.Timestamp(rows[run]["measured_at"]).to_pydatetime(),
            hours=float(rows[run]["hours_since_moulding"]),
            temperature_c=float(rows[run]["part_temp_c"]), point=past.plan.points[k].id,
            deviation_mm=float(past.deviations[run, k]),
            adjusted_mm=float(past.deviations[run, k] + found.response[k] * found.change[run]),
            adjustment_sd_mm=abs(float(found.response[k] * found.sd[run])),
        )
        for run in np.flatnonzero(inside)
        for k in at
        if np.isfinite(past.deviations[run, k])
    )  # fmt: skip


def _by_batch(past: History, values: Array) -> ChartRows:
    return chart_rows(past.runs, values, np.zeros(len(past.runs), dtype=bool), BATCH)
