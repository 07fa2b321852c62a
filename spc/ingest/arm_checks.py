"""Files of arm checks: what an arm read of a reference artefact, and when."""

from spc.errors import InputError
from spc.ingest.checked import ArmChecks, Declared
from spc.ingest.fields import numbers, times
from spc.ingest.text import LINE, TextTable
from spc.units import millimetres_per

#: By these columns a file is known as one of arm checks.
NEEDED = ("checked_at", "device", "artefact", "reference", "reading")
_OPTIONAL = ("place", "operator", "uncertainty")


def read_arm_checks(table: TextTable, declared: Declared) -> ArmChecks:
    """Check a table of readings and return it in millimetres and UTC."""
    frame, file = table.frame, table.name
    for column in (*_OPTIONAL, "unit"):
        if column not in frame:
            frame[column] = ""
    if declared.unit is not None:
        frame["unit"] = declared.unit
    for column in ("checked_at", "device", "artefact", "unit"):
        empty = frame[column] == ""
        if empty.any():
            raise InputError("empty", file=file, row=int(frame[LINE][empty].iloc[0]),
                             column=column, do="fill it in")  # fmt: skip
    unit = str(frame["unit"].iloc[0])
    if (frame["unit"] != unit).any():
        raise InputError("more than one unit", file=file, column="unit", do="split the file")
    factor = millimetres_per(unit, file=file, row=int(frame[LINE].iloc[0]))
    moments, zones = times(frame["checked_at"], frame[LINE], file=file, zone=declared.zone)
    rows = frame[["device", "artefact", "place", "operator"]].assign(checked_at=moments, zone=zones)
    for column in ("reference", "reading", "uncertainty"):
        read = numbers(frame[column], frame[LINE], file=file, decimal=table.decimal,
                       needed=column != "uncertainty")  # fmt: skip
        rows[column] = read.to_numpy() * factor
    session = ["checked_at", "device", "artefact", "place"]
    rows["trial"] = rows.groupby(session, sort=False).cumcount() + 1
    return ArmChecks(
        name=table.name, file_id=table.file_id, size=table.size, rows=len(rows), unit=unit,
        zone=declared.zone or "", checks=rows,
    )  # fmt: skip
