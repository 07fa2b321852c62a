"""spc gauge."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, reader, show, store_option


@click.group("gauge")
def command() -> None:
    """Tell the arm, the hands, the set-up and the moulding apart."""


@command.command("study")
@click.argument("name")
@part_options
@store_option
@json_option
def study(
    name: str, store_path: Path, as_json: bool, part: str | None, revision: str | None
) -> None:
    """Analyse the runs whose 'study' column says NAME: pieces x operators x set-ups x hits.

    Example: spc gauge study G1
    """
    from spc.pages.gauge_text import gauge_text
    from spc.studies.gauge import gauge_study

    with reader(store_path) as store:
        found = gauge_study(store, name, part, revision)
    show(found, gauge_text, as_json)
