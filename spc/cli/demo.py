"""spc demo."""

from pathlib import Path

import click

from spc.cli.options import json_option, say_json
from spc.cli.saying import say


@click.command("demo")
@click.option(
    "--from", "folder", type=click.Path(path_type=Path, file_okay=False),
    default=Path("sample-runs"), show_default=True,
    help="Folder of the sample runs; it is made where there is none.",
)  # fmt: skip
@click.option(
    "--store", "store_path", type=click.Path(path_type=Path, dir_okay=False),
    default=Path("demo.duckdb"), show_default=True, help="Store to fill.",
)  # fmt: skip
@click.option(
    "--to", "reports", type=click.Path(path_type=Path, file_okay=False), default=Path("reports"),
    show_default=True, help="Folder for the pages.",
)  # fmt: skip
@json_option
def command(folder: Path, store_path: Path, reports: Path, as_json: bool) -> None:
    """Fill a store with seven months of sample runs and write the last month's report.

    Example: spc demo
    """
    from spc.cli.demonstrating import demonstrate
    from spc.pages.demo_text import demo_text

    shown = demonstrate(folder, store_path, reports, progress=not as_json)
    if as_json:
        say_json(shown)
    else:
        text = demo_text(
            shown.month, shown.suspects, shown.drift, store=shown.store, page=shown.page,
            files=shown.files, runs=shown.runs,
        )  # fmt: skip
        say(text)
