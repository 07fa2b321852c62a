"""Writing the board's page."""

from pathlib import Path
from time import monotonic
from types import TracebackType
from typing import TYPE_CHECKING

from spc.cli.saying import say
from spc.errors import NotFoundError

if TYPE_CHECKING:
    from spc.store.connection import Store
    from spc.studies.board import Board

#: While further files wait the page is written no oftener than this, seconds.
APART = 5.0
#: Where nobody says otherwise: days after which an arm check is too long ago, and seconds after
#: which the browser reads the page again.
CHECK_DAYS, REFRESH = 7.0, 15


def write_board(
    store: "Store", page: Path, part: str | None = None, revision: str | None = None, *,
    check_days: float = CHECK_DAYS, refresh: int = REFRESH,
) -> "Board":  # fmt: skip
    """Write the page and return what it shows."""
    # Taking a file should not wait for what only a page needs.
    from spc.pages.board_page import board_page
    from spc.pages.shell import write_page
    from spc.studies.board import board

    found = board(store, part, revision, check_days=check_days)
    write_page(page, board_page(found, refresh=refresh))
    return found


class BoardKept:
    """A board kept up while files are taken: at the end of it the page shows the newest piece.

    Parameters
    ----------
    store
        The store that is filled.
    page
        Where the page lies; None where nobody wants one.
    """

    def __init__(self, store: "Store", page: Path | None) -> None:
        self._store, self._page = store, page
        self._waiting, self._written = False, -APART
        self._why = ""

    def taken(self, changed: bool) -> None:
        """Write the page after a file that changed something, unless it was written just now."""
        self._waiting |= changed
        if monotonic() - self._written >= APART:
            self._write()

    def _write(self) -> None:
        if self._page is None or not self._waiting:
            return
        self._waiting = False
        try:
            write_board(self._store, self._page)
            self._why = ""
        except NotFoundError as why:
            # What was taken so far may be events or a gauge study; that is no fault of the files.
            self._why = str(why)
        self._written = monotonic()

    def __enter__(self) -> "BoardKept":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        where: TracebackType | None,
    ) -> None:  # fmt: skip
        self._write()
        if self._why:
            say(f"spc: no board: {self._why}", err=True)
