"""spc export."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, reader, show, store_option


@click.command("export")
@click.argument("month", required=False)
@click.option("--parquet", is_flag=True, help="Every table of the store as Parquet.")
@click.option(
    "--to", "folder", type=click.Path(path_type=Path, file_okay=False), default=Path("export"),
    show_default=True, help="Folder for the files; files of the same name are replaced.",
)  # fmt: skip
@part_options
@store_option
@json_option
def command(
    month: str | None, parquet: bool, folder: Path, store_path: Path, as_json: bool,
    part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Write a MONTH's tables as CSV, or with --parquet the whole store.

    Example: spc export 2026-10 --to october
    """
    from spc.cli.exporting import export_month, export_store
    from spc.pages.export_text import exported_text

    if parquet == bool(month):
        raise click.UsageError("name a month such as 2026-10, or say --parquet")
    with reader(store_path) as store:
        written = (
            export_month(store, month, folder, part, revision)
            if month
            else export_store(store, folder)
        )
    show(written, exported_text, as_json)
