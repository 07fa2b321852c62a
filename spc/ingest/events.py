"""Events files: what happened to mould, material or arm, and when."""

from spc.errors import InputError
from spc.ingest.checked import Declared, Events
from spc.ingest.fields import refuse_controls, times
from spc.ingest.text import LINE, TextTable

_OPTIONAL = ("part", "mould", "note")


def read_events(table: TextTable, declared: Declared) -> Events:
    """Check an events table (at, kind, part, mould, note) and return it in UTC."""
    frame = table.frame
    for column in _OPTIONAL:
        if column not in frame:
            frame[column] = ""
    for column in ("at", "kind"):
        empty = frame[column] == ""
        if empty.any():
            raise InputError(
                "empty",
                file=table.name,
                row=int(frame[LINE][empty].iloc[0]),
                column=column,
                do="fill it in",
            )
    for column in ("kind", "part", "mould"):
        refuse_controls(frame[column], frame[LINE], file=table.name)
    moments, came_in = times(frame["at"], frame[LINE], file=table.name, zone=declared.zone)
    events = frame[["kind", *_OPTIONAL]].assign(happened_at=moments, zone=came_in)
    return Events(
        name=table.name,
        file_id=table.file_id,
        size=table.size,
        rows=len(events),
        zone=declared.zone or "",
        events=events,
    )
