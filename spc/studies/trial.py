"""What a file would bring: everything that taking it does, and nothing written."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from spc.ingest.checked import ArmChecks, Events, Results
from spc.store.connection import Store
from spc.studies.intake import take_file


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedRun:
    """One run as it would be taken.

    Parameters
    ----------
    part, revision, serial, run, mould, cavity, batch, operator, device, study
        As the file, its name or a mapping says; empty where none does.
    measured_at
        UTC; None where unknown.
    points, rows
        Points measured, and rows of the file that they come from.
    """

    part: str
    revision: str
    serial: str
    run: str
    mould: str
    cavity: str
    batch: str
    operator: str
    device: str
    study: str
    measured_at: datetime | None
    points: int
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What would become of one file.

    Parameters
    ----------
    name
        The file.
    kind
        hits, points, deviations, events or arm checks; empty where it could not be read.
    unit
        Unit of its lengths; empty where it has none.
    rows
        Data rows in it.
    new, known
        Runs, events or readings that would come in, and that the store holds already.
    compared
        False where there was no store to hold it against.
    runs
        Its runs.
    warnings
        What would be said.
    refused
        Why it could not be taken; empty where it could.
    """

    name: str
    kind: str = ""
    unit: str = ""
    rows: int = 0
    new: int = 0
    known: int = 0
    compared: bool = False
    runs: tuple[TriedRun, ...] = ()
    warnings: tuple[str, ...] = ()
    refused: str = ""


def tried(
    store: Store | None, checked: Results | Events | ArmChecks, *, correction: str = ""
) -> Tried:
    """Return what taking a checked file would do.

    Parameters
    ----------
    store
        An open store; None where there is none to hold it against.
    checked
        What a reader returned.
    correction
        As in ``take_file``.

    Raises
    ------
    InputError
        Where the file could not be taken.
    """
    runs = _runs(checked) if isinstance(checked, Results) else ()
    unit = checked.unit if isinstance(checked, Results | ArmChecks) else ""
    if store is None:
        kind = checked.depth if isinstance(checked, Results) else _KINDS[type(checked)]
        said = checked.warnings if isinstance(checked, Results) else ()
        return Tried(name=checked.name, kind=kind, unit=unit, rows=checked.rows,
                     new=len(runs) or checked.rows, runs=runs, warnings=said)  # fmt: skip
    taken = take_file(store, checked, "", correction=correction, keep=False)
    return Tried(
        name=checked.name, kind=taken.kind, unit=unit, rows=checked.rows, new=taken.new,
        known=taken.known, compared=True, runs=runs,
        warnings=(*taken.warnings, *(f"run {r.run}: {r.note}" for r in taken.runs if r.note)),
    )  # fmt: skip


_KINDS: dict[type[Any], str] = {Events: "events", ArmChecks: "arm checks"}


def _runs(checked: Results) -> tuple[TriedRun, ...]:
    by_run = checked.values.groupby("key")["point"]
    points, rows = by_run.nunique(), by_run.size()
    names = ("part", "revision", "serial", "run", "mould", "cavity", "batch", "operator", "device",
             "study")  # fmt: skip
    return tuple(
        TriedRun(
            **{name: str(row[name]) for name in names},
            measured_at=None if pd.isna(row["measured_at"]) else row["measured_at"].to_pydatetime(),
            points=int(points[row["key"]]),
            rows=int(rows[row["key"]]),
        )
        for row in checked.runs.to_dict("records")
    )
