"""spc event."""

from pathlib import Path

import click

from spc.cli.options import json_option, reader, show, store_option, writer


@click.group("event")
def command() -> None:
    """Record and list what happened to mould, material or arm."""


@command.command("add")
@click.argument("kind")
@click.option("--at", required=True, help="When, with its offset: 2026-07-06T04:00:00+02:00.")
@click.option("--part", default="", help="Part number; all parts where not given.")
@click.option("--mould", default="", help="Mould; all moulds where not given.")
@click.option("--note", default="", help="What happened.")
@click.option("--zone", help="Time zone of --at where it carries none.")
@store_option
@json_option
def add(store_path: Path, as_json: bool, zone: str | None, **event: str) -> None:
    """Record one event of a KIND such as 'mould work', 'resin lot', 'arm recalibration'.

    Example: spc event add "resin lot" --at 2026-07-06T04:00:00+02:00 --note "lot PE-131 opened"
    """
    from spc.pages.event_text import added_text
    from spc.store.audit import who_is_here
    from spc.studies.events import add_event

    with writer(store_path) as store:
        added = add_event(store, event, zone, who_is_here())
    show(added, added_text, as_json)


@command.command("list")
@click.option("--part", help="Only this part, and what concerns every part.")
@store_option
@json_option
def list_events(store_path: Path, as_json: bool, part: str | None) -> None:
    """List events in the order they happened.

    Example: spc event list
    """
    from spc.pages.event_text import events_text
    from spc.studies.events import listed_events

    with reader(store_path) as store:
        events = listed_events(store, part)
    show(events, events_text, as_json)
