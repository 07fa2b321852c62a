"""spc chart."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from spc.cli.options import FOUND, json_option, part_options, reader, show, store_option
from spc.cli.saying import say

#: As spc.studies.kinds.KINDS, which a test compares; importing it here would be slow.
KINDS = ("batches", "mean-range", "mean-sd", "cusum", "steps", "counts")


@click.group("chart")
def command() -> None:
    """Chart points and the fit's own figures, and list the signals."""


def _chart_options(function: Callable[..., Any]) -> Callable[..., Any]:
    options = (
        click.option("--by", type=click.Choice(["batch", "piece"]), default="batch",
                     show_default=True, help="What one point on the chart is."),
        click.option("--baseline", metavar="SPAN", help="Span that the limits stand on, such as "
                     "B01..B12 or 2026-04-01..2026-06-30; the first batches where not named."),
        click.option("--span", help="Chart only this span."),
        click.option("--order", type=click.Choice(["measured", "moulded"]), default="measured",
                     show_default=True, help="The time that runs are put in order by."),
        click.option("--rule", "rules", multiple=True,
                     help="Look for this rule, in words; 'spc guide charts' lists them."),
        click.option("--budget", "months", type=float, metavar="MONTHS",
                     help="Limits for one false alarm in so many months over all charts."),
        click.option("--set", "result_set", default="", help="Chart this set of a refit."),
        click.option("--mould", help="Chart only this mould."),
        click.option("--cavity", help="Chart only this cavity, on a chart of its own."),
        click.option("--moulds", type=click.Choice(["apart", "together", "standardised"]),
                     default="apart", show_default=True,
                     help="A chart for each mould, or one for all: of plain values, or of each "
                     "piece in its own mould's standard deviations."),
        click.option("--cavities",
                     type=click.Choice(["auto", "apart", "together", "standardised"]),
                     default="auto", show_default=True,
                     help="The same for the cavities of a mould; auto for apart where the baseline "
                     "tells them apart."),
        click.option("--page", type=click.Path(path_type=Path, dir_okay=False),
                     help="Write the charts as a page that works offline."),
        click.option("--fail-on", type=click.Choice(["signal"]),
                     help="Exit with status 1 where there is one."),
        part_options, store_option, json_option,
    )  # fmt: skip
    for option in reversed(options):
        function = option(function)
    return function


@command.command("show")
@click.argument("series", nargs=-1, required=True)
@click.option(
    "--kind",
    type=click.Choice(["values", *KINDS]),
    default="values",
    show_default=True,
    help="Kind of chart; others than values take one series.",
)
@_chart_options
def show_series(series: tuple[str, ...], kind: str, **options: Any) -> int:
    """Chart one or more SERIES: check points, mode-1, fit-noise, fit-worst, hit-spread.

    Example: spc chart show hinge-pad-left fit-noise --baseline B01..B12
    """
    if kind == "values":
        return _charts(series, **options)
    if len(series) != 1:
        raise click.UsageError(f"--kind {kind} takes one series")
    return _kind(series[0], kind, **options)


def _kind(
    series: str, kind: str, *, store_path: Path, as_json: bool, page: Path | None,
    fail_on: str | None, rules: tuple[str, ...], span: str | None, months: float | None,
    moulds: str, cavities: str, **question: Any,
) -> int:  # fmt: skip
    from spc.pages.kind_text import kind_text
    from spc.store import read
    from spc.studies.kinds import kind_study
    from spc.studies.streams import Sharing

    if rules or span is not None or months is not None:
        raise click.UsageError(f"--rule, --span, --budget do not go with --kind {kind}")
    with reader(store_path) as store:
        sharing = Sharing(moulds=moulds, cavities=cavities)
        study = kind_study(store, series, kind, sharing=sharing, **question)
        events = read.events(store, study.plan.part)
    show(study, kind_text, as_json)
    if page is not None:
        from spc.pages.kind_page import kind_page

        _write(kind_page(study, events), page, as_json)
    return FOUND if fail_on and study.signals else 0


@command.command("list")
@_chart_options
def list_series(**options: Any) -> int:
    """Show the state of every series: the fit's own, check points, and fit points last.

    Example: spc chart list --fail-on signal
    """
    return _charts(None, **options)


def _charts(
    names: tuple[str, ...] | None, *, store_path: Path, as_json: bool, page: Path | None,
    fail_on: str | None, rules: tuple[str, ...], moulds: str, cavities: str, **question: Any,
) -> int:  # fmt: skip
    from spc.pages.chart_text import chart_text, monitor_text
    from spc.studies.monitor import monitor
    from spc.studies.streams import Sharing

    if rules:
        question["rules"] = rules
    question["sharing"] = Sharing(moulds=moulds, cavities=cavities)
    with reader(store_path) as store:
        study = monitor(store, names=names, **question)
    show(study, chart_text if names else monitor_text, as_json)
    if page is not None:
        from spc.pages.chart_page import chart_page

        single = names[0] if names and len(names) == 1 else None
        _write(chart_page(study, single), page, as_json)
    return FOUND if fail_on and study.signals else 0


def _write(html: str, page: Path, quiet: bool) -> None:
    from spc.pages.shell import write_page

    write_page(page, html)
    if not quiet:
        say(f"Wrote {page}")


@command.command("shape")
@click.option(
    "--of",
    default="fit",
    show_default=True,
    help="fit (modes of what the fit leaves), checks, or letters of groups.",
)
@click.option(
    "--by",
    type=click.Choice(["piece", "batch"]),
    default="piece",
    show_default=True,
    help="What one point on the chart is.",
)
@click.option("--baseline", metavar="SPAN", help="Span that says what is usual.")
@click.option(
    "--components",
    default=5,
    show_default=True,
    type=click.IntRange(1, 30),
    help="Principal components of check points.",
)
@click.option("--successive", is_flag=True, help="Covariance from successive differences.")
@click.option("--average", is_flag=True, help="The moving average of pieces too.")
@click.option(
    "--order",
    type=click.Choice(["measured", "moulded"]),
    default="measured",
    show_default=True,
    help="The time that runs are put in order by.",
)
@click.option(
    "--cavities",
    type=click.Choice(["auto", "apart", "together"]),
    default="auto",
    show_default=True,
    help="Each cavity about its own mean, or the mould; auto for apart where the baseline tells "
    "them apart.",
)
@click.option("--set", "result_set", default="", help="Chart this set of a refit.")
@click.option(
    "--page",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the chart as a page that works offline.",
)
@click.option("--fail-on", type=click.Choice(["signal"]), help="Exit with 1 where there is one.")
@part_options
@store_option
@json_option
def show_shape(
    store_path: Path, as_json: bool, page: Path | None, fail_on: str | None, **question: Any
) -> int:
    """Chart the piece as a whole, before any single point: is it like the others at all.

    Example: spc chart shape --of checks
    """
    from spc.pages.shape_text import shape_text
    from spc.store import read
    from spc.studies.shape import shape_study

    with reader(store_path) as store:
        study = shape_study(store, **question)
        events = read.events(store, study.plan.part)
    show(study, shape_text, as_json)
    if page is not None:
        from spc.pages.shape_page import shape_page

        _write(shape_page(study, events), page, as_json)
    return FOUND if fail_on and study.signals else 0


@command.command("design")
@click.argument("series", required=False)
@click.option("--shift", required=True, type=float, help="Shift that matters, mm.")
@click.option(
    "--batch",
    default=5,
    show_default=True,
    type=click.IntRange(1),
    help="Pieces whose mean is charted.",
)
@click.option(
    "--alarm-every",
    "run_length",
    default=370.4,
    show_default=True,
    help="Batches between false alarms.",
)
@click.option("--sigma", type=float, help="Spread within batches, mm, where no series is named.")
@click.option("--sigma-between", default=0.0, help="Spread between batches, mm.")
@click.option("--baseline", metavar="SPAN", help="Span that the series' spread comes from.")
@part_options
@store_option
@json_option
def design_chart(store_path: Path, as_json: bool, series: str | None, **question: Any) -> None:
    """Compare charts for a shift: parameters, run lengths, and pieces until it is found.

    Example: spc chart design latch-face --shift 0.2 --batch 5
    """
    from contextlib import nullcontext

    from spc.pages.design_text import design_text
    from spc.studies.chart_design import chart_design

    with reader(store_path) if series else nullcontext() as store:
        found = chart_design(store, series=series, **question)
    show(found, design_text, as_json)
