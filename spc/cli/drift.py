"""spc drift."""

from pathlib import Path
from typing import Any

import click

from spc.cli.options import (
    FOUND,
    json_option,
    page_option,
    part_options,
    reader,
    save_page,
    show,
    store_option,
)


@click.command("drift")
@click.option("--baseline", metavar="SPAN", help="Span that the charts' limits stand on.")
@click.option("--span", help="Only this span.")
@click.option("--mould", help="Only this mould.")
@click.option(
    "--cavities", type=click.Choice(["auto", "apart", "together"]), default="auto",
    show_default=True,
    help="Whether the cavities of a mould are looked at apart; auto for where the baseline tells "
    "them apart.",
)  # fmt: skip
@click.option(
    "--order",
    type=click.Choice(["measured", "moulded"]),
    default="measured",
    show_default=True,
    help="The time that runs are put in order by.",
)
@click.option("--set", "result_set", default="", help="Look at this set of a refit.")
@click.option("--adjusted", is_flag=True, help="Every batch and point also at 24 h and 20 °C.")
@click.option("--trend", is_flag=True, help="Check points: change in 100 pieces, way to a limit.")
@click.option("--event", metavar="KIND", help="Before and after the last event of this kind.")
@click.option("--fail-on", type=click.Choice(["signal"]), help="Exit with 1 where there is one.")
@page_option
@part_options
@store_option
@json_option
def command(
    store_path: Path, as_json: bool, adjusted: bool, fail_on: str | None, page: Path | None,
    **question: Any,
) -> int:  # fmt: skip
    """Tell what kind of drift it is: size, twist, bow or local form, and what explains it.

    Example: spc drift --baseline B01..B12 --page drift.html
    """
    from spc.pages.drift_page import drift_page

    trend, event = question.pop("trend"), question.pop("event")
    if trend or event:
        question["adjusted"] = adjusted
        return _movement(store_path, as_json, event, question)
    from spc.pages.adjusted_text import adjusted_text
    from spc.pages.drift_text import drift_text
    from spc.studies.drift import drift_study

    with reader(store_path) as store:
        found = drift_study(store, **question)
    show(found, adjusted_text if adjusted else drift_text, as_json)
    save_page(page, lambda: drift_page(found), as_json)
    return FOUND if fail_on and any(s.changes for s in found.shapes) else 0


def _movement(store_path: Path, as_json: bool, event: str | None, question: dict[str, Any]) -> int:
    from spc.pages.movement_text import movement_text
    from spc.studies.movement import movement

    refused = ("adjusted", "baseline", "span", "page", "cavities")
    unused = [k for k in refused if question.pop(k, None) not in (None, False, "auto")]
    if unused:
        raise click.UsageError(f"--{unused[0]} does not go with --trend or --event")
    with reader(store_path) as store:
        found = movement(store, event=event, **question)
    show(found, movement_text, as_json)
    return 0
