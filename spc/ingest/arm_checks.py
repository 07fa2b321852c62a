"""Files of arm checks: what an arm read of a reference artefact, and when."""

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.ingest.checked import ArmChecks, Declared
from spc.ingest.fields import numbers, refuse_controls, times
from spc.ingest.runs_table import refuse_other_unit, unit_of
from spc.ingest.text import LINE, TextTable
from spc.units import millimetres_per, mixed_up, spoken_factor

#: By these columns a file is known as one of arm checks.
NEEDED = ("checked_at", "device", "artefact", "reference", "reading")
_OPTIONAL = ("place", "operator", "uncertainty")
#: No arm reads a length of its artefact so far from a factor that a mixed-up unit makes.
_SLACK = 0.05


def read_arm_checks(table: TextTable, declared: Declared) -> ArmChecks:
    """Check a table of readings and return it in millimetres and UTC."""
    frame, file = table.frame, table.name
    for column in (*_OPTIONAL, "unit"):
        if column not in frame:
            frame[column] = ""
    if declared.unit is not None:
        refuse_other_unit(frame, declared.unit, file)
        frame["unit"] = declared.unit
    for column in ("checked_at", "device", "artefact", "unit"):
        empty = frame[column] == ""
        if empty.any():
            raise InputError("empty", file=file, row=int(frame[LINE][empty].iloc[0]),
                             column=column, do="fill it in")  # fmt: skip
    unit = unit_of(frame, file)
    factor = millimetres_per(unit, file=file)
    moments, zones = times(frame["checked_at"], frame[LINE], file=file, zone=declared.zone)
    for column in ("device", "artefact", "place", "operator"):
        refuse_controls(frame[column], frame[LINE], file=file)
    rows = frame[["device", "artefact", "place", "operator"]].assign(checked_at=moments, zone=zones)
    for column in ("reference", "reading", "uncertainty"):
        read = numbers(frame[column], frame[LINE], file=file, decimal=table.decimal,
                       needed=column != "uncertainty")  # fmt: skip
        rows[column] = read.to_numpy() * factor
    _refuse_implausible(rows, frame, unit, file)
    session = ["checked_at", "device", "artefact", "place"]
    rows["trial"] = rows.groupby(session, sort=False).cumcount() + 1
    return ArmChecks(
        name=table.name, file_id=table.file_id, size=table.size, rows=len(rows), unit=unit,
        zone=declared.zone or "", checks=rows,
    )  # fmt: skip


def _refuse_implausible(rows: pd.DataFrame, frame: pd.DataFrame, unit: str, file: str) -> None:
    """Refuse an uncertainty below zero, and readings that are a factor of their references."""
    below = (rows["uncertainty"] < 0).to_numpy()
    if below.any():
        at = int(np.argmax(below))
        raise InputError(
            f"'{frame['uncertainty'].iloc[at]}' is no uncertainty", file=file,
            row=int(frame[LINE].iloc[at]), column="uncertainty",
            do="leave the field empty where it is not known",
        )  # fmt: skip
    reference = rows["reference"].where(rows["reference"] != 0.0)
    ratio = (rows["reading"] / reference).to_numpy(dtype=np.float64)
    for words, factor in mixed_up(unit).items():
        off = np.abs(ratio / factor - 1.0) < _SLACK
        if off.any():
            at = int(np.argmax(off))
            raise InputError(
                f"'{frame['reading'].iloc[at]}' is {spoken_factor(factor)} times its reference: a "
                f"factor of {spoken_factor(factor)}, {words}",
                file=file, row=int(frame[LINE].iloc[at]), column="reading",
                do="find out which of the two is in another unit",
            )  # fmt: skip
