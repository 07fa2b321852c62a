"""spc limits."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, reader, show, store_option, writer


@click.group("limits")
def command() -> None:
    """Freeze limits from a baseline, list them, and retire them."""


@command.command("freeze")
@click.argument("series", nargs=-1)
@click.option("--baseline", required=True, metavar="SPAN", help="Span that they stand on.")
@click.option("--why", required=True, help="The reason in words.")
@click.option("--from", "since", metavar="DAY", help="First day they judge; the baseline's end.")
@click.option(
    "--by",
    type=click.Choice(["batch", "piece"]),
    default="batch",
    show_default=True,
    help="What one point on the chart is.",
)
@click.option("--rule", "rules", multiple=True, help="Rule that goes with them, in words.")
@click.option("--mould", help="Only this mould.")
@click.option(
    "--cavities",
    type=click.Choice(["auto", "apart", "together"]),
    default="auto",
    show_default=True,
    help="Limits for each cavity of a mould, or for all; auto for what the baseline asks.",
)
@part_options
@store_option
@json_option
def freeze_limits(
    series: tuple[str, ...], store_path: Path, as_json: bool, baseline: str, why: str,
    since: str | None, by: str, rules: tuple[str, ...], mould: str | None, cavities: str,
    part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Freeze limits of SERIES (all where none is named) from a baseline.

    They judge what is measured from their first day on; what was charted before stays as it was.

    Example: spc limits freeze --baseline B01..B12 --why "first stable months"
    """
    from spc.cli.deciding import frozen
    from spc.pages.limits_text import frozen_text

    with writer(store_path) as store:
        found = frozen(
            store, series, baseline=baseline, why=why, since=since, by=by, rules=rules,
            mould=mould, cavities=cavities, part=part, revision=revision,
        )  # fmt: skip
    show(found, frozen_text, as_json)


@command.command("list")
@part_options
@store_option
@json_option
def list_limits(store_path: Path, as_json: bool, part: str | None, revision: str | None) -> None:
    """List frozen limits, those in force and those of before.

    Example: spc limits list
    """
    from spc.pages.limits_text import sets_text
    from spc.studies.freezing import listed

    with reader(store_path) as store:
        sets = listed(store, part, revision)
    show(sets, sets_text, as_json)


@command.command("retire")
@click.argument("series", nargs=-1)
@click.option("--at", required=True, metavar="DAY", help="From this day on they judge no more.")
@click.option("--why", required=True, help="The reason in words.")
@click.option("--mould", help="Only this mould.")
@part_options
@store_option
@json_option
def retire_limits(
    series: tuple[str, ...], store_path: Path, as_json: bool, at: str, why: str,
    mould: str | None, part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Retire the limits in force of SERIES (all where none is named) from a day on.

    Example: spc limits retire --at 2026-07-06 --why "new resin lot"
    """
    from spc.cli.deciding import retired
    from spc.pages.limits_text import retired_text

    with writer(store_path) as store:
        found = retired(store, series, at=at, why=why, mould=mould, part=part, revision=revision)
    show(found, retired_text, as_json)


@command.command("propose")
@click.option(
    "--by",
    type=click.Choice(["batch", "piece"]),
    default="batch",
    show_default=True,
    help="What one point on the chart is.",
)
@click.option("--mould", help="Only this mould.")
@click.option(
    "--cavities",
    type=click.Choice(["auto", "apart", "together"]),
    default="auto",
    show_default=True,
    help="A stretch for each cavity of a mould, or for all; auto as the charts have them.",
)
@part_options
@store_option
@json_option
def propose_limits(
    store_path: Path, as_json: bool, by: str, mould: str | None, cavities: str, part: str | None,
    revision: str | None,
) -> None:  # fmt: skip
    """Propose a stable baseline: the longest stretch without a change of level.

    Nothing is left out by itself: what stands out is named with its reason, for someone to find
    the cause.

    Example: spc limits propose
    """
    from spc.pages.proposal_text import proposal_text
    from spc.studies.proposing import propose

    with reader(store_path) as store:
        found = propose(store, part, revision, by=by, mould=mould, cavities=cavities)
    show(found, proposal_text, as_json)
