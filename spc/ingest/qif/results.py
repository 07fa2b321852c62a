"""QIF Results as checked results: brought into our columns, then checked like any other file."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from spc.errors import InputError
from spc.identity import bytes_hash
from spc.ingest.checked import DEVIATIONS, Declared, Lookup, Results
from spc.ingest.offered import as_declared, from_name
from spc.ingest.qif.agreement import contradictions, settled
from spc.ingest.qif.characteristics import differences, judged
from spc.ingest.qif.document import Document, open_document
from spc.ingest.qif.names import device_names, inspection_start, names_of, own_part
from spc.ingest.qif.points import Reader
from spc.ingest.qif.rows import ReadRun, deviation_rows, position_rows
from spc.ingest.qif.runs import Run, runs_of
from spc.ingest.qif.units import Units, units_of
from spc.ingest.qif.whole import miscounted, set_aside, unread, whole_differences
from spc.ingest.text import LINE, TextTable
from spc.units import MILLIMETRES

#: Things of one sort that are told one by one.
_TOLD = 5


def read_qif(data: bytes, name: str, declared: Declared) -> Results:
    """Read the measurement results of a QIF document.

    Single hits are taken where there are any, else locations, else deviations of point profiles.

    Raises
    ------
    InputError
        Where the document is of another kind or version, contradicts itself, or leaves open what
        must be known.
    """
    from spc.ingest.results import read_results

    document = open_document(data, name)
    units = units_of(document, declared.unit)
    reader = Reader(document, units, declared.qif.get("point", Lookup(place="FeatureName")).place)
    read = [_read(document, reader, run, declared) for run in runs_of(document, reader)]
    rows = position_rows(document, reader, read) or deviation_rows(document, reader, read)
    if not rows:
        raise InputError("no point was measured in it", file=name, do="export points or hits")
    # Columns of tables and their layout mean nothing here; the rest of a mapping does.
    own = replace(declared, columns={}, wide=False, ignored=())
    results = read_results(as_declared(_table(name, units, rows, data), own), own)
    notes = (*_notes(document, reader, read, declared), *results.warnings)
    return replace(
        results, warnings=notes, nominals=_nominals(read), statuses=_statuses(read, results),
        # Hits are brought to the surface here; a location is of the feature by its definition.
        surface=results.depth != DEVIATIONS,
    )  # fmt: skip


def _read(document: Document, reader: Reader, run: Run, declared: Declared) -> ReadRun:
    """Return a run with its names; what a mapping or the user says of them goes first."""
    told = names_of(document, run.piece, declared.qif)
    names = told | {c: v for c, v in declared.constants.items() if c in told}
    # A name that says otherwise than the document is refused with the table.
    names |= {c: v for c, v in from_name(document.name, declared.file_name).items()
              if c in names and not names[c]}  # fmt: skip
    for column, what in (("part", "part number"), ("serial", "serial of the piece")):
        if not names[column]:
            raise InputError(
                f"the document tells no {what}", file=document.name, row=run.piece.results.line,
                do=f"say it in a mapping, as {column} under [constants], [filename] or [qif]",
            )  # fmt: skip
        if told[column] and told[column] != names[column]:
            reader.left[f"runs whose {what} is '{told[column]}' in the document"] += 1
    near = [*(e for p in run.points for e in (p.feature, *p.sets)), *run.characteristics]
    # What a measurement itself says goes before what is said of the piece.
    devices = device_names(document, near) or device_names(document, [run.piece.trace])
    return ReadRun(
        run=run,
        names=names | {"device": ", ".join(sorted(devices))},
        began=inspection_start(document, run.piece),
        judged=settled(judged(document, reader, run), run.points),
    )


def _table(name: str, units: Units, rows: list[dict[str, Any]], data: bytes) -> TextTable:
    """Return rows as a table of text in the document's unit."""
    factor = MILLIMETRES[units.name]
    frame = pd.DataFrame(rows)
    for column in ("x", "y", "z", "deviation"):
        if column in frame:
            frame[column] = [repr(float(v)) for v in frame[column] / factor]
    frame = frame.fillna("").assign(unit=units.name)
    needed = {LINE, "point", "x", "y", "z", "deviation", "hit"}
    empty = [c for c in frame if c not in needed and (frame[c] == "").all()]
    frame = frame.drop(columns=empty)
    return TextTable(
        name=name, file_id=bytes_hash(data), size=len(data), separator="",
        frame=frame.astype({c: object for c in frame if c != LINE}),
    )  # fmt: skip


def _passed_by(declared: Declared) -> Iterator[str]:
    """Yield what a mapping says that is of tables; it may be one for several sorts of files."""
    set_there = {"[columns]": declared.columns, "wide": declared.wide, "ignore": declared.ignored,
                 "point_columns": declared.point_columns, "sheet": declared.sheet}  # fmt: skip
    of_tables = [key for key, value in set_there.items() if value]
    if of_tables:
        yield f"{', '.join(of_tables)} of the mapping: of tables, and without meaning here"


def _notes(
    document: Document, reader: Reader, read: Sequence[ReadRun], declared: Declared
) -> list[str]:
    notes = [f"{count} {what}" for what, count in reader.left.items() if count]
    notes += [f"{count} references {words}" for words, count in document.lost.items()]
    notes += [*_some(list(miscounted(document)), "such lists"), *set_aside(document)]
    notes += [*unread(document), *_passed_by(declared)]
    sole = [one for one in read if "part" not in declared.constants
            and own_part(document, one.run.piece.component) is None]  # fmt: skip
    if sole and "part" not in declared.qif:
        notes.append(f"the part '{sole[0].names['part']}' is the only one of the document; the "
                     "pieces themselves name none")  # fmt: skip
    told = [d for one in read for d in differences(one.judged, one.label)]
    notes += _some(told, "such differences of status")
    told = [d for one in read for d in whole_differences(one.run.piece, one.judged, one.label)]
    notes += _some(told, "such statuses of a whole")
    told = [d for one in read for d in contradictions(one.judged, one.run.points, one.label)]
    return notes + _some(told, "such deviations")


def _some(told: list[str], what: str) -> list[str]:
    more = [f"and {len(told) - _TOLD} more {what}"] if len(told) > _TOLD else []
    return [*told[:_TOLD], *more]


def _nominals(read: Sequence[ReadRun]) -> pd.DataFrame:
    """Return the nominal of each point, the first that the document tells of it."""
    found = {p.name: p.nominal for one in read for p in one.run.points if p.nominal is not None}
    rows = [
        (name, *n.position, *(n.normal if n.normal is not None else [float("nan")] * 3))
        for name, n in found.items()
    ]
    return pd.DataFrame(rows, columns=["point", "x", "y", "z", "i", "j", "k"])


def _statuses(read: Sequence[ReadRun], results: Results) -> pd.DataFrame:
    """Return what the document reports of each characteristic, and what its numbers say."""
    names = ["part", "serial", "run"]
    rows = [
        (*(one.names[c] for c in names), j.name, j.point, j.value, j.limits.lower, j.limits.upper,
         j.reported, j.recomputed, j.line)
        for one in read
        for j in one.judged
    ]  # fmt: skip
    columns = [*names, "characteristic", "point", "value", "lower", "upper", "reported",
               "recomputed", LINE]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns).merge(results.runs[["key", *names]], on=names)
    return frame.drop(columns=names)
