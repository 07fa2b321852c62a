"""spc run."""

from pathlib import Path

import click

from spc.cli.options import json_option, reader, show, store_option


@click.group("run")
def command() -> None:
    """List runs and show one."""


@command.command("list")
@click.option("--part", help="Only this part.")
@click.option("--span", help="Only this span: days, months or batches, such as B01..B05.")
@click.option("--batch", help="Only this batch.")
@click.option("--piece", "serial", help="Only this piece.")
@click.option("--study", help="Only this gauge study; '' for production.")
@store_option
@json_option
def list_runs(store_path: Path, as_json: bool, part: str | None, **only: str | None) -> None:
    """List runs in the order they were measured; re-measured ones stay visible.

    Example: spc run list --batch B09
    """
    from spc.pages.run_text import runs_text
    from spc.studies.runs import listed_runs

    with reader(store_path) as store:
        runs = listed_runs(store, part, **only)
    show(runs, runs_text, as_json)
