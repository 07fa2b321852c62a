"""Following a folder: each new file is taken once it is complete, and its verdicts are said."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click

from spc.cli.boarding import BoardKept
from spc.cli.folder import Folder
from spc.cli.options import reader, say_json, show, writer
from spc.cli.saying import say
from spc.errors import BusyError, SpcError, StoreError
from spc.identity import file_hash
from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.pages.follow_text import followed_text, rejected_text
from spc.store import read
from spc.store.audit import who_is_here
from spc.studies.followed import Followed
from spc.studies.intake import take_file
from spc.studies.rejections import reject, rejected_files
from spc.studies.run_verdicts import run_verdicts

#: Exit status where a file could not be taken.
_REFUSED = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """How a folder is followed.

    Parameters
    ----------
    folder, store
        The folder, and the store to fill.
    declared, correction
        What is declared of the files, as without following.
    settle, every
        Seconds for which a complete file has not changed, and between two looks.
    board
        Page to write after each file; None where nobody wants one.
    """

    folder: Path
    store: Path
    declared: Declared
    correction: str
    settle: float
    every: float
    board: Path | None = None


class Follower:
    """Takes what is complete; all that has to outlive it is in the store.

    A file is in the store or it is not, so that stopping at any moment loses nothing: the next
    start takes up the rest.
    """

    def __init__(self, how: Following) -> None:
        self._how = how
        self._folder = Folder(how.folder, how.settle)
        self._rejected: set[Path] = set()
        self._plans = self._plan_names()
        self._said = ""

    def look(self) -> Iterator[Followed]:
        """Take every file that is complete now; what became of each is there as soon as it is."""
        ready = self._folder.complete(time.monotonic())
        held = self._held(ready) if ready else {}
        tried = False
        for path in ready if held is not None else ():
            followed = self._tried(path, held or {})
            if followed is not None:
                tried = True
                yield followed
        if tried:
            self._look_again()

    def waiting(self) -> list[Path]:
        """Return files that are not complete, or that the store could not take yet."""
        return self._folder.waiting()

    def _held(self, paths: list[Path]) -> dict[Path, frozenset[str]] | None:
        """Return, for each file whose name is not on the list, those that the store holds.

        So a folder of a year's files is not asked about one by one at each start. None where the
        store is busy.
        """
        try:
            with reader(self._how.store) as store:
                listed = {f.name for f in rejected_files(store)}
                held = frozenset(read.files(store)["file_id"])
        except StoreError as error:
            self._say(str(error))
            return None
        return {path: held for path in paths if str(path) not in listed}

    def _tried(self, path: Path, held: dict[Path, frozenset[str]]) -> Followed | None:
        """Return what became of a file; None where it was known, or has to wait."""
        try:
            followed = self._taken(path, held)
        except (StoreError, OSError) as error:
            # Another program has the store or the file, or the disk is full: it may pass.
            self._say(str(error))
            return None
        self._said = ""
        self._folder.done(path)
        return followed

    def _taken(self, path: Path, held: dict[Path, frozenset[str]]) -> Followed | None:
        file_id, size, name = file_hash(path), path.stat().st_size, str(path)
        if file_id in held.get(path, ()):
            return None
        if path not in held and self._known_now(file_id, size, name):
            return None
        try:
            checked = read_file(path, self._how.declared)
            with writer(self._how.store) as store:
                taken = take_file(store, checked, who_is_here(), correction=self._how.correction)
                self._rejected.discard(path)
                with BoardKept(store, self._how.board) as kept:
                    kept.taken(taken.new > 0)
                return Followed(
                    name=name, taken=taken, verdicts=run_verdicts(store, taken), rejected=""
                )
        except StoreError:
            raise
        except SpcError as error:
            with writer(self._how.store) as store:
                reject(store, name, file_id, size, str(error), who_is_here())
            self._rejected.add(path)
            return Followed(name=name, taken=None, verdicts=(), rejected=str(error))

    def _known_now(self, file_id: str, size: int, name: str) -> bool:
        """Return whether the store holds a file whose name is on the list; then it leaves it."""
        with reader(self._how.store) as store:
            known = len(read.file_taken(store, file_id)) > 0
            listed = known and any(f.name == name for f in rejected_files(store))
        if listed:
            with writer(self._how.store) as store:
                reject(store, name, file_id, size, "in the store under another name", who_is_here())
        return known

    def _say(self, text: str) -> None:
        """Say what holds a file up, once."""
        if text != self._said:
            say(f"spc: waiting: {' '.join(text.split())}", err=True)
            self._said = text

    def _plan_names(self) -> frozenset[str]:
        with reader(self._how.store) as store:
            return frozenset(read.plans(store)["plan_id"])

    def _look_again(self) -> None:
        """Try rejected files again once a plan was added, which may be what they lacked."""
        try:
            plans = self._plan_names()
        except BusyError:
            return
        if plans != self._plans:
            self._plans = plans
            self._folder.again(self._rejected)


def follow(how: Following) -> None:
    """Follow a folder until somebody stops it."""
    follower = Follower(how)
    say(f"Following {how.folder}; stop with Ctrl+C.")
    while True:
        for _ in _said_at_once(follower.look(), silent=False):
            pass
        time.sleep(how.every)


def follow_once(how: Following, as_json: bool) -> int:
    """Take what is complete now and return the exit status: 2 where a file could not be taken."""
    follower = Follower(how)
    found = list(_said_at_once(follower.look(), silent=as_json))
    if how.settle:
        time.sleep(how.settle)
        found += _said_at_once(follower.look(), silent=as_json)
    if as_json:
        say_json(found)
    else:
        for path in follower.waiting():
            say(f"{path}: not taken yet; left for the next time")
        if not found and not follower.waiting():
            say("No new file.")
    return _REFUSED if any(one.rejected for one in found) else 0


def _said_at_once(found: Iterator[Followed], *, silent: bool) -> Iterator[Followed]:
    """Say what became of each file as soon as it is known: a backlog takes minutes."""
    for one in found:
        if not silent:
            say(followed_text(one))
        yield one


def show_rejected(store_path: Path, as_json: bool) -> int:
    """Show the files that are still to be put right."""
    with reader(store_path) as store:
        found = rejected_files(store)
    gone = frozenset(f.name for f in found if not Path(f.name).exists())
    show(found, lambda files: rejected_text(files, gone), as_json)
    return 0


def follow_folder(how: Following, *, once: bool, as_json: bool) -> int:
    """Follow a folder once, or until somebody stops it."""
    if once:
        return follow_once(how, as_json)
    if as_json:
        raise click.UsageError(
            "--json prints one document, and following has no end; say --once",
            click.get_current_context(),
        )
    follow(how)
    return 0
