"""spc run."""

from pathlib import Path

import click

from spc.cli.options import (
    FOUND,
    Finite,
    json_option,
    page_option,
    reader,
    save_page,
    show,
    store_option,
    writer,
)


@click.group("run")
def command() -> None:
    """List runs, show one, and take omitted points back."""


@command.command("list")
@click.option("--part", help="Only this part.")
@click.option("--span", help="Only this span: days, months or batches, such as B01..B05.")
@click.option("--batch", help="Only this batch.")
@click.option("--piece", "serial", help="Only this piece.")
@click.option("--study", help="Only this gauge study; '' for production.")
@store_option
@json_option
def list_runs(store_path: Path, as_json: bool, part: str | None, **only: str | None) -> None:
    """List runs in the order they were measured; re-measured ones stay visible.

    Example: spc run list --batch B09
    """
    from spc.pages.run_text import runs_text
    from spc.studies.runs import listed_runs

    with reader(store_path) as store:
        runs = listed_runs(store, part, **only)
    show(runs, runs_text, as_json)


@command.command("show")
@click.argument("run")
@click.option("--part", help="Part number, where labels are shared between parts.")
@click.option("--harm", is_flag=True, help="Show what unseen errors do to every check point.")
@click.option("--sigma", type=Finite(0, 1000, min_open=True), metavar="MM",
              help="Noise of a reading; else a gauge study's, or production's.")  # fmt: skip
@click.option("--gauge", metavar="STUDY", help="Use this gauge study whatever its age, or 'none'.")
@click.option("--fail-on", type=click.Choice(["hold"]), help="Exit with 1 unless it is accepted.")
@page_option
@store_option
@json_option
def show_run(
    run: str, store_path: Path, as_json: bool, harm: bool, part: str | None, fail_on: str | None,
    page: Path | None, sigma: float | None, gauge: str | None,
) -> int:  # fmt: skip
    """Show one RUN, named by its label, its piece's serial or its identity: the verdict first.

    Example: spc run show H0188 --page H0188.html
    """
    from spc.pages.review_text import harm_text, review_text
    from spc.pages.run_page import run_page
    from spc.studies.fit_noise import NoiseAsked
    from spc.studies.review import review

    with reader(store_path) as store:
        found = review(store, run, part, asked=NoiseAsked(sigma=sigma, gauge=gauge))
    show(found, harm_text if harm else review_text, as_json)
    save_page(page, lambda: run_page(found), as_json)
    return FOUND if fail_on and found.advice.verdict != "accept" else 0


@command.command("restore")
@click.argument("run")
@click.argument("point", required=False)
@click.option("--why", required=True, help="The reason in words.")
@click.option("--part", help="Part number, where labels are shared between parts.")
@store_option
@json_option
def restore_point(
    run: str, point: str | None, store_path: Path, as_json: bool, why: str, part: str | None
) -> None:
    """Take an omitted POINT (all where none is named) back into a RUN's fit.

    Example: spc run restore H0188 flank-1 --why "probed again, it was right"
    """
    from spc.pages.omission_text import decided_text
    from spc.store.audit import who_is_here
    from spc.studies.omissions import restore

    with writer(store_path) as store:
        decided = restore(store, run, point, why=why, who=who_is_here(), part=part)
    show(decided, decided_text, as_json)


@command.command("tally")
@click.option("--part", help="Only this part.")
@store_option
@json_option
def tally_runs(store_path: Path, as_json: bool, part: str | None) -> None:
    """Count re-measured runs and omitted points by month and operator.

    Example: spc run tally
    """
    from spc.pages.omission_text import tally_text
    from spc.studies.tally import tally

    with reader(store_path) as store:
        rows = tally(store, part)
    show(rows, tally_text, as_json)
