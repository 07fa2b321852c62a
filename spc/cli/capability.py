"""spc capability."""

from pathlib import Path
from typing import Any

import click

from spc.cli.judging import question_options
from spc.cli.options import FOUND, json_option, part_options, reader, show, store_option


@click.command("capability")
@click.argument("points", nargs=-1)
@click.option("--span", help="Days, months or batches; the last 12 batches where not named.")
@click.option("--mould", help="Only this mould.")
@click.option("--set", "result_set", default="", help="Judge this set of a refit.")
@question_options
@click.option(
    "--fail-on", type=click.Choice(["not-shown"]), help="Exit with status 1 where one is not shown."
)
@part_options
@store_option
@json_option
def command(
    points: tuple[str, ...], store_path: Path, as_json: bool, fail_on: str | None,
    part: str | None, revision: str | None, span: str | None, mould: str | None, result_set: str,
    **said: Any,
) -> int:  # fmt: skip
    """Judge check POINTS (all where none is named) against their tolerances.

    A minimum is shown only where the bound of the index reaches it; the bounds count batches as
    well as pieces. Where the chart of a point is not stable over the span, no index is given. Fit
    points are refused: the fit pulls them to zero, and the refusal says how far they would flatter.

    Example: spc capability hinge-pad-left latch-face --span B14..B23
    """
    from spc.cli.judging import asked_of
    from spc.pages.capability_text import capability_text
    from spc.studies.capability import capability_study

    asked = asked_of(points, as_json, **said)
    with reader(store_path) as store:
        study = capability_study(
            store, part, revision, span=span, mould=mould, result_set=result_set, asked=asked
        )
    show(study, capability_text, as_json)
    return FOUND if fail_on and any(p.verdict != "shown" for p in study.points) else 0
