"""spc signals."""

from pathlib import Path

import click

from spc.cli.options import FOUND, json_option, part_options, reader, show, store_option, writer


@click.group("signals")
def command() -> None:
    """List what the charts found, and answer it."""


@command.command("list")
@click.option(
    "--by",
    type=click.Choice(["batch", "piece"]),
    default="batch",
    show_default=True,
    help="What one point on the charts is.",
)
@click.option("--baseline", metavar="SPAN", help="Judge by this baseline instead of frozen limits.")
@click.option("--fail-on", type=click.Choice(["open"]), help="Exit with 1 where one is open.")
@part_options
@store_option
@json_option
def list_signals(
    store_path: Path, as_json: bool, fail_on: str | None, part: str | None, revision: str | None,
    by: str, baseline: str | None,
) -> int:  # fmt: skip
    """List signals in the order of reading: the fit, its modes, check points, fit points.

    Example: spc signals list --fail-on open
    """
    from spc.pages.signals_text import signals_text
    from spc.studies.signals import signal_list

    with reader(store_path) as store:
        found = signal_list(store, part, revision, by=by, baseline=baseline)
    show(found, signals_text, as_json)
    return FOUND if fail_on and any(s.state == "open" for s in found.signals) else 0


@command.command("ack")
@click.argument("signal")
@click.option("--cause", required=True, help="The cause found, or that none was found.")
@click.option("--action", "reaction", required=True, help="What was done.")
@click.option(
    "--by",
    type=click.Choice(["batch", "piece"]),
    default="batch",
    show_default=True,
    help="As in the list.",
)
@click.option("--baseline", metavar="SPAN", help="As in the list.")
@part_options
@store_option
@json_option
def answer_signal(
    signal: str, store_path: Path, as_json: bool, cause: str, reaction: str, by: str,
    baseline: str | None, part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Answer a SIGNAL, named as in the list; until then it stays open.

    Example: spc signals ack 4f1c22 --cause "lot PE-131" --action "limits frozen anew"
    """
    from spc.pages.signals_text import answered_text
    from spc.store.audit import who_is_here
    from spc.studies.signals import answer

    with writer(store_path) as store:
        answered = answer(
            store, signal, cause=cause, reaction=reaction, who=who_is_here(), part=part,
            revision=revision, by=by, baseline=baseline,
        )  # fmt: skip
    show(answered, answered_text, as_json)
