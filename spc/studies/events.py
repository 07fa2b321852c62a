"""Events: what happened to mould, material or arm."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from spc.errors import InputError
from spc.identity import content_hash
from spc.ingest.fields import refuse_steering, times
from spc.store import read, write
from spc.store.connection import Store, now


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedEvent:
    """One event.

    Parameters
    ----------
    happened_at
        When, UTC.
    kind, part, mould, note
        What; empty part or mould means all.
    already
        True where it was recorded before.
    warnings
        What is worth a look.
    """

    happened_at: datetime
    kind: str
    part: str
    mould: str
    note: str
    already: bool = False
    warnings: tuple[str, ...] = ()


def add_event(store: Store, event: Mapping[str, str], zone: str | None, who: str) -> ListedEvent:
    """Record one event; the very same again changes nothing.

    Parameters
    ----------
    store
        An open store.
    event
        at, kind, part, mould, note, as text.
    zone
        Time zone where ``at`` carries none.
    who
        Who records it.
    """
    for key, name in (("at", "--at"), ("kind", "KIND")):
        if not event[key].strip():
            raise InputError(f"{name} is empty", do="say when it happened, and what it was")
    for key, name in (("kind", "KIND"), ("part", "--part"), ("mould", "--mould")):
        refuse_steering(name, event[key].strip())
    moments, zones = times(
        pd.Series([event["at"]], name="--at"), pd.Series([1]), file="the command", zone=zone
    )
    said = {key: event[key].strip() for key in ("kind", "part", "mould", "note")}
    identity = event_identity({"happened_at": moments.iloc[0], **said})
    already = identity in set(read.events(store)["event_id"])
    if not already:
        row = {"event_id": identity, "happened_at": moments.iloc[0], "zone": zones.iloc[0], **said,
               "file_id": "", "taken_at": now()}  # fmt: skip
        write.append(
            store, {"event": pd.DataFrame([row])}, action="event added", subject=said["kind"],
            who=who, event_id=identity,
        )  # fmt: skip
    return ListedEvent(
        happened_at=moments.iloc[0].to_pydatetime(), **said, already=already,
        warnings=of_nothing_known(store, [said["part"]], [said["mould"]]),
    )  # fmt: skip


def of_nothing_known(store: Store, parts: Iterable[str], moulds: Iterable[str]) -> tuple[str, ...]:
    """Say of which parts and moulds the store knows nothing: such events stand on no chart yet."""
    known = {
        "part": ("no plan", {"", *read.plans(store)["part"]}, parts),
        "mould": ("no piece", {"", *read.moulds(store)}, moulds),
    }
    return tuple(
        f"events of {word} '{name}', of which the store has {what}: they stand on no chart yet"
        for word, (what, there, named) in known.items()
        for name in sorted(set(named) - there)
    )


def event_identity(row: Mapping[Any, Any]) -> str:
    """Return the content hash of an event."""
    return content_hash(
        "event", str(row["happened_at"]), row["kind"], row["part"], row["mould"], row["note"]
    )


def check_identity(row: Mapping[Any, Any]) -> str:
    """Return the content hash of a reading of a reference artefact."""
    words = [row[key] for key in ("device", "artefact", "place")]
    numbers = [int(row["trial"]), float(row["reference"]), float(row["reading"])]
    return content_hash("arm check", str(row["checked_at"]), *words, *numbers)


def listed_events(store: Store, part: str | None = None) -> tuple[ListedEvent, ...]:
    """Return events in the order they happened."""
    return tuple(
        ListedEvent(
            happened_at=row["happened_at"].to_pydatetime(),
            **{key: row[key] for key in ("kind", "part", "mould", "note")},
        )
        for row in read.events(store, part).to_dict("records")
    )
