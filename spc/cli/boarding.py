"""Writing the board's page."""

from pathlib import Path

from spc.pages.board_page import REFRESH, board_page
from spc.pages.shell import write_page
from spc.store.connection import Store
from spc.studies.board import Board, board
from spc.studies.trust import OLDEST_DAYS


def write_board(
    store: Store, page: Path, part: str | None = None, revision: str | None = None, *,
    check_days: float = OLDEST_DAYS, refresh: int = REFRESH,
) -> Board:  # fmt: skip
    """Write the page and return what it shows."""
    found = board(store, part, revision, check_days=check_days)
    write_page(page, board_page(found, refresh=refresh))
    return found
