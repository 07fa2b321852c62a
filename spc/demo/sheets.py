"""A result file before it is written: its runs and their hits."""

from dataclasses import dataclass
from datetime import datetime

from spc.demo.layers import Array


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInfo:
    """What a result file says about one run; empty is unknown.

    Parameters
    ----------
    run, serial, mould, batch
        Names.
    measured_at
        When, with its zone.
    operator, device, probe, station, setup, study
        Who and with what; ``setup`` and ``study`` only in the gauge study.
    part_temp_c
        Temperature of the piece, degrees Celsius, one decimal.
    hours_since_moulding
        Age, hours, one decimal.
    """

    run: str
    serial: str
    mould: str
    batch: str
    measured_at: datetime
    operator: str
    device: str
    part_temp_c: float
    hours_since_moulding: float
    probe: str = "ball-6"
    station: str = "1"
    setup: str = ""
    study: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """One result file.

    Parameters
    ----------
    path
        Where it goes, relative to the folder, with forward slashes.
    unit
        Unit that the file is written in; the arrays are in mm.
    runs
        Its runs in the order of measuring.
    hits
        Shape (runs, points, 3 hits, 3), mm in the arm's frame; NaN where not probed.
    deviation
        Shape (runs, points), the truth: deviation before alignment and without the error of the
        hits, mm, but with the operator's push and the flex of this placing.
    """

    path: str
    unit: str
    runs: tuple[RunInfo, ...]
    hits: Array
    deviation: Array
