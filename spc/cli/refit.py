"""spc refit."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, reader, show, store_option, writer


@click.command("refit")
@click.argument("name", required=False)
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="Fit to this plan.")
@click.option("--without", multiple=True, metavar="POINT", help="Leave a fit point out everywhere.")
@click.option("--weight", multiple=True, metavar="POINT=W", help="Give a fit point this weight.")
@part_options
@store_option
@json_option
def command(
    name: str | None, plan_file: Path | None, without: tuple[str, ...], weight: tuple[str, ...],
    store_path: Path, as_json: bool, part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Fit the whole history again and keep the results as the set NAME, beside the working ones.

    Without a NAME, lists the sets. Charts and capability take one with --set.

    Example: spc refit no-nose-2 --without nose-2
    """
    from spc.cli.refitting import refitted
    from spc.pages.refit_text import refit_text, sets_text
    from spc.studies.refit import result_sets

    if name is None:
        if plan_file or without or weight:
            raise click.UsageError("no NAME for the new results; give one")
        with reader(store_path) as store:
            sets = result_sets(store)
        return show(sets, sets_text, as_json)
    with writer(store_path) as store:
        found = refitted(store, name, plan_file, without, weight, part, revision)
    return show(found, refit_text, as_json)
