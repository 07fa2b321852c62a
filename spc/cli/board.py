"""spc board."""

from pathlib import Path

import click

from spc.cli.boarding import CHECK_DAYS, REFRESH, write_board
from spc.cli.options import Finite, json_option, part_options, reader, say_json, store_option
from spc.cli.saying import say


@click.command("board")
@click.option(
    "--to", "page", type=click.Path(path_type=Path, dir_okay=False),
    default=Path("reports/board.html"), show_default=True, help="The page to write.",
)  # fmt: skip
@click.option(
    "--check-days", type=Finite(min=0, min_open=True), default=CHECK_DAYS, show_default=True,
    help="Days after which the arm's last check is too long ago.",
)  # fmt: skip
@click.option(
    "--refresh", type=click.IntRange(0, 3600), default=REFRESH, show_default=True,
    help="Seconds after which the browser reads the page again; 0 for never.",
)  # fmt: skip
@part_options
@store_option
@json_option
def command(
    page: Path, check_days: float, refresh: int, store_path: Path, as_json: bool,
    part: str | None, revision: str | None,
) -> None:  # fmt: skip
    """Write the page for the screen beside the arm: the last piece, and what to do with it.

    The browser reads the page again by itself. 'spc ingest --board FILE' writes it after every
    file.

    Example: spc board --to reports/board.html
    """
    from spc.pages.board_text import board_text

    with reader(store_path) as store:
        found = write_board(
            store, page, part, revision, check_days=check_days, refresh=refresh
        )  # fmt: skip
    if as_json:
        say_json({"page": page, "board": found})
    else:
        say(board_text(found, page))
