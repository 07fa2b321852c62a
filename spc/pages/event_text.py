"""Events for the terminal."""

from collections.abc import Sequence

from spc.pages.display import moment
from spc.pages.text import table
from spc.studies.events import ListedEvent


def added_text(event: ListedEvent) -> str:
    """Return what became of an event."""
    what = f"{event.kind} at {moment(event.happened_at)} UTC"
    done = (
        f"{what} is recorded already; nothing changed." if event.already else f"Recorded: {what}."
    )
    return "\n".join([done, *(f"  note: {text}" for text in event.warnings)])


def events_text(events: Sequence[ListedEvent]) -> str:
    """Return the list of events."""
    if not events:
        return "No event in the store."
    rows = [
        (moment(e.happened_at), e.kind, e.part or "all", e.mould or "all", e.note) for e in events
    ]
    return table(("happened (UTC)", "kind", "part", "mould", "note"), rows)
