"""spc report."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, reader, say_json, store_option


@click.command("report")
@click.argument("month")
@click.option(
    "--to", "folder", type=click.Path(path_type=Path, file_okay=False), default=Path("reports"),
    show_default=True, help="Folder for the pages.",
)  # fmt: skip
@click.option("--baseline", metavar="SPAN", help="Span that the charts' limits stand on.")
@click.option("--required", default=1.33, show_default=True, help="Capability asked for.")
@part_options
@store_option
@json_option
def command(
    month: str, folder: Path, store_path: Path, as_json: bool, part: str | None,
    revision: str | None, baseline: str | None, required: float,
) -> None:  # fmt: skip
    """Write a part's MONTH (such as 2026-10) as one page that works offline.

    Example: spc report 2026-10
    """
    from spc.cli.reporting import write_month
    from spc.pages.month_text import month_text
    from spc.studies.month import month_study
    from spc.studies.spans import month as period

    with reader(store_path) as store:
        study = month_study(
            store, period(month), part, revision, baseline=baseline, required=required
        )
    written = write_month(study, folder)
    if as_json:
        say_json({"page": written, "month": study})
    else:
        click.echo(month_text(study, written))
