"""spc report."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, period_options, reader, show, store_option


@click.command("report")
@period_options
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), default=Path("reports"),
    show_default=True, help="Folder for the pages.",
)  # fmt: skip
@click.option("--baseline", metavar="SPAN", help="Span that the charts' limits stand on.")
@click.option("--required", default=1.33, show_default=True, help="Capability asked for.")
@click.option("--shared", is_flag=True, help="Leave the figures' script beside the page.")
@click.option("--pdf", is_flag=True, help="Print it too, in short, through a browser.")
@click.option("--whole", is_flag=True, help="With --pdf: print every chart and table.")
@click.option(
    "--paper", type=click.Choice(["A4", "Letter"], case_sensitive=False), default="A4",
    show_default=True, help="With --pdf: the paper.",
)  # fmt: skip
@part_options
@store_option
@json_option
def command(
    month: str | None, first: str | None, last: str | None, folder: Path, store_path: Path,
    as_json: bool, part: str | None, revision: str | None, baseline: str | None, required: float,
    shared: bool, pdf: bool, whole: bool, paper: str,
) -> None:  # fmt: skip
    """Write a part's MONTH (such as 2026-10), or some days, as one page that works offline.

    Example: spc report 2026-10
    """
    from spc.cli.reporting import Paper, report, reported_text
    from spc.studies.spans import asked_period

    period = asked_period(month, first, last)
    print_on = Paper(name=paper, whole=whole) if pdf or whole else None
    with reader(store_path) as store:
        written = report(
            store, period, part, revision, folder=folder, baseline=baseline, required=required,
            shared=shared, paper=print_on,
        )  # fmt: skip
    show(written, reported_text, as_json)
