"""spc capability."""

from pathlib import Path

import click

from spc.cli.options import FOUND, json_option, part_options, reader, show, store_option


@click.command("capability")
@click.argument("points", nargs=-1)
@click.option("--span", help="Days, months or batches; the last 12 batches where not named.")
@click.option("--mould", help="Only this mould.")
@click.option("--set", "result_set", default="", help="Judge this set of a refit.")
@click.option("--required", default=1.33, show_default=True, help="The minimum asked for.")
@click.option(
    "--fail-on", type=click.Choice(["not-shown"]), help="Exit with status 1 where one is not shown."
)
@part_options
@store_option
@json_option
def command(
    points: tuple[str, ...], store_path: Path, as_json: bool, fail_on: str | None,
    part: str | None, revision: str | None, span: str | None, mould: str | None, required: float,
    result_set: str,
) -> int:  # fmt: skip
    """Judge check POINTS (all where none is named) against their tolerances.

    Indices come with intervals that count batches as well as pieces. Where the chart of a point is
    not stable over the span, none is given. Fit points are refused: the fit pulls them to zero.

    Example: spc capability hinge-pad-left latch-face --span B14..B23
    """
    from spc.pages.capability_text import capability_text
    from spc.studies.capability import capability_study

    with reader(store_path) as store:
        study = capability_study(
            store,
            part,
            revision,
            span=span,
            mould=mould,
            points=points,
            required=required,
            result_set=result_set,
        )
    show(study, capability_text, as_json)
    return FOUND if fail_on and any(p.verdict != "shown" for p in study.points) else 0
