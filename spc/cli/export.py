"""spc export."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, period_options, reader, show, store_option


@click.command("export")
@period_options
@click.option("--xlsx", is_flag=True, help="One workbook in place of CSV files.")
@click.option("--qif", is_flag=True, help="Statistics as one QIF 3.0 document (ISO 23952).")
@click.option("--parquet", is_flag=True, help="Every table of the store as Parquet.")
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), default=Path("export"),
    show_default=True, help="Folder for the files; files of the same name are replaced.",
)  # fmt: skip
@part_options
@store_option
@json_option
def command(
    month: str | None, first: str | None, last: str | None, xlsx: bool, qif: bool, parquet: bool,
    folder: Path, store_path: Path, as_json: bool, part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Write a MONTH's tables as CSV or as a workbook, its statistics as QIF, or the whole store.

    Example: spc export 2026-10 --folder october
    """
    from spc.cli.exporting import export_month, export_store
    from spc.pages.export_text import exported_text
    from spc.studies.spans import asked_period

    if parquet and (month or first or last or xlsx or qif):
        raise click.UsageError(
            "--parquet is of the whole store: it goes with no month, no --xlsx and no --qif"
        )
    if xlsx and qif:
        raise click.UsageError("--xlsx and --qif are two files: ask for one at a time")
    period = None if parquet else asked_period(month, first, last)
    with reader(store_path) as store:
        written = (
            export_store(store, folder)
            if period is None
            else export_month(store, period, folder, part, revision, xlsx=xlsx, qif=qif)
        )
    show(written, exported_text, as_json)
