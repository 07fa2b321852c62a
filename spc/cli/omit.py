"""spc omit."""

from pathlib import Path

import click

from spc.cli.options import json_option, show, store_option, writer

#: As spc.studies.omissions.REASONS, which a test compares; importing it here would be slow.
REASONS = ("slip", "flash", "wrong-place", "moved", "damage", "other")


@click.command("omit")
@click.argument("run")
@click.argument("point")
@click.option("--why", required=True, help="The reason in words.")
@click.option(
    "--reason",
    type=click.Choice(REASONS),
    default="other",
    show_default=True,
    help="The reason's code.",
)
@click.option("--force", is_flag=True, help="Record it though the data do not support it.")
@click.option("--part", help="Part number, where labels are shared between parts.")
@store_option
@json_option
def command(
    run: str, point: str, store_path: Path, as_json: bool, why: str, reason: str, force: bool,
    part: str | None,
) -> None:  # fmt: skip
    """Leave a fit POINT out of a RUN's fit; nothing is lost and both fits are kept.

    Example: spc omit H0188 flank-1 --reason slip --why "hit 2 slid off the edge"
    """
    from spc.pages.omission_text import decided_text
    from spc.store.audit import who_is_here
    from spc.studies.omissions import omit

    with writer(store_path) as store:
        decided = omit(
            store, run, point, why=why, reason=reason, force=force, who=who_is_here(), part=part
        )
    show([decided], decided_text, as_json)
