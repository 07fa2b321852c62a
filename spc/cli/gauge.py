"""spc gauge."""

from pathlib import Path
from typing import Any

import click

from spc.cli.options import (
    SEAT,
    Finite,
    json_option,
    page_option,
    part_options,
    reader,
    save_page,
    show,
    store_option,
)
from spc.cli.saying import say


@click.group("gauge")
def command() -> None:
    """Tell the arm, the hands, the set-up and the moulding apart."""


@command.command("study")
@click.argument("name")
@click.option(
    "--with",
    "extra",
    multiple=True,
    type=click.Choice(["batch", "day", "device", "probe", "reprobe", "station"]),
    help="Split off this factor too, by restricted maximum likelihood.",
)
@click.option("--from-history", is_flag=True, help="Take the spread of pieces from production.")
@page_option
@part_options
@store_option
@json_option
def study(
    name: str, store_path: Path, as_json: bool, from_history: bool, extra: tuple[str, ...],
    part: str | None, revision: str | None, page: Path | None,
) -> None:  # fmt: skip
    """Analyse the runs whose 'study' column says NAME: pieces x operators x set-ups x hits.

    Example: spc gauge study G1 --page G1.html
    """
    from spc.pages.gauge_page import gauge_page
    from spc.pages.gauge_text import gauge_text
    from spc.studies.gauge import gauge_study

    if extra and page is not None:
        raise click.UsageError("--page shows the study without --with")
    if extra:
        return _chain(store_path, name, extra, part, revision, as_json)
    with reader(store_path) as store:
        found = gauge_study(store, name, part, revision, from_history=from_history)
    show(found, gauge_text, as_json)
    return save_page(page, lambda: gauge_page(found), as_json)


def _chain(
    store_path: Path, name: str, extra: tuple[str, ...], part: str | None, revision: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    from spc.pages.chain_text import chain_text
    from spc.studies.gauge_chain import gauge_chain

    with reader(store_path) as store:
        found = gauge_chain(store, name, extra, part, revision)
    show(found, chain_text, as_json)


@command.command("sheet")
@click.argument("name")
@click.option("--pieces", required=True, help="Serials, comma separated, or how many.")
@click.option("--operators", required=True, help="Names, comma separated, or how many.")
@click.option(
    "--setups",
    default=3,
    show_default=True,
    type=click.IntRange(1, 20),
    help="Set-ups of each piece by each operator.",
)
@click.option(
    "--hits", default=3, show_default=True, type=click.IntRange(1, 20), help="Hits at each point."
)
@click.option(
    "--days",
    default=1,
    show_default=True,
    type=click.IntRange(1, 60),
    help="Days that the runs are spread over.",
)
@click.option(
    "--stations",
    default=1,
    show_default=True,
    type=click.IntRange(1, 20),
    help="Positions of the arm that the runs are spread over.",
)
@click.option("--probes", default=1, show_default=True, type=click.IntRange(1, 20),
              help="Probes that the runs are spread over.")  # fmt: skip
@click.option("--seed", default=1, show_default=True, help="The same seed gives the same order.")
@click.option("--like", help="Take the spread from this study, to say how sure the answer will be.")
@click.option("--tolerance", type=float, help="Width of the tolerance, mm.")
@click.option("--csv", type=click.Path(path_type=Path, dir_okay=False), help="Save the sheet.")
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="A page to print.")
@part_options
@store_option
@json_option
def sheet(
    name: str, store_path: Path, as_json: bool, csv: Path | None, page: Path | None, **asked: Any
) -> None:
    """Make a randomised run sheet for a study NAME, with what its design can tell.

    Example: spc gauge sheet G2 --pieces 8 --operators ana,bo --setups 2 --csv G2.csv
    """
    from spc.cli.sheets import made_sheet, save_sheet
    from spc.pages.sheet_text import sheet_text

    found = made_sheet(store_path, name, asked)
    saved = save_sheet(found, csv, page)
    show(found, sheet_text, as_json)
    if not as_json:
        for path in saved:
            say(f"Wrote {path}")


@command.command("bridge")
@click.argument("before")
@click.argument("after")
@part_options
@store_option
@json_option
def bridge_sides(
    before: str, after: str, store_path: Path, as_json: bool, part: str | None,
    revision: str | None,
) -> None:  # fmt: skip
    """Compare the same pieces BEFORE and AFTER a change of arm, probe, stand or software.

    Each side is study:NAME, device:NAME, probe:NAME or span:FIRST..LAST.

    Example: spc gauge bridge study:BR-old study:BR-new
    """
    from spc.pages.bridge_text import bridge_text
    from spc.studies.bridge import bridge

    with reader(store_path) as store:
        found = bridge(store, before, after, part, revision)
    show(found, bridge_text, as_json)


@command.command("moves")
@click.argument("run", required=False)
@click.option("--seat", "seats", multiple=True, type=SEAT, metavar="X,Y,Z",
              help="Position of a seat in the part's frame, mm; three or more.")  # fmt: skip
@click.option("--residual", type=Finite(0, 1000, min_open=True), metavar="MM",
              help="Root mean square of what the seats were off.")  # fmt: skip
@click.option("--moves", default=3, show_default=True, type=click.IntRange(1, 20),
              help="Moves one after the other.")  # fmt: skip
@click.option("--after", multiple=True, metavar="POINT",
              help="A point probed after the move; all check points else.")  # fmt: skip
@click.option("--sigma", type=Finite(0, 1000, min_open=True), metavar="MM",
              help="Noise of a reading without a move.")  # fmt: skip
@part_options
@store_option
@json_option
def budget_moves(
    run: str | None, store_path: Path, as_json: bool, part: str | None, revision: str | None,
    **asked: Any,
) -> None:  # fmt: skip
    """Budget moves of the arm: of a RUN probed from several stations, or of seats given.

    Example: spc gauge moves --residual 0.03 --seat 0,0,0 --seat 900,0,0 --seat 0,600,0
    """
    from spc.pages.moves_text import moves_text
    from spc.studies.moves import MovesAsked, moves_of

    with reader(store_path) as store:
        found = moves_of(store, run, MovesAsked(**asked), part, revision)
    show(found, moves_text, as_json)


@command.command("trust")
@click.argument("device", required=False)
@click.option("--at", metavar="DAY", help="Ask for this day; the newest check or run else.")
@click.option("--limit", type=float, help="Largest allowed bias, mm, from the arm's specification.")
@click.option("--tolerance", type=float, help="Width of a tolerance, mm, for Cg and Cgk.")
@click.option(
    "--oldest",
    "oldest_days",
    default=7.0,
    show_default=True,
    help="Days after which a check does not speak for today.",
)
@click.option("--fail-on", type=click.Choice(["no"]), help="Exit with 1 unless the answer is yes.")
@store_option
@json_option
def trust_arm(
    device: str | None, store_path: Path, as_json: bool, at: str | None, fail_on: str | None,
    **asked: Any,
) -> int:  # fmt: skip
    """May I measure today? Judge an arm (DEVICE) by its checks on reference artefacts.

    After a bad check, every run since the last good one is listed.

    Example: spc gauge trust arm-1 --limit 0.060
    """
    from spc.pages.trust_text import trust_text
    from spc.studies.spans import end_of_day
    from spc.studies.trust import trust

    with reader(store_path) as store:
        found = trust(store, device, at=end_of_day(at) if at else None, **asked)
    show(found, trust_text, as_json)
    return 1 if fail_on and found.answer != "yes" else 0
