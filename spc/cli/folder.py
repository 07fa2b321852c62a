"""A folder in which files appear: which of them are complete."""

from collections.abc import Iterator
from pathlib import Path

from spc.errors import InputError

#: Names that are no results: hidden files, files that a program is still writing, stores, plans.
_NOT_YET = (".tmp", ".part", ".partial", ".crdownload", ".filepart")
_NO_RESULTS = (".duckdb", ".wal", ".toml", ".html", ".ini", ".db", ".lnk", ".md")

#: Size and time of the last change, which stay as they are once a file is complete.
State = tuple[int, int]


class Folder:
    """Files below a folder, and since when each has not changed.

    Parameters
    ----------
    path
        The folder; folders in it are looked into as well.
    settle
        Seconds for which a complete file has not changed.
    """

    def __init__(self, path: Path, settle: float) -> None:
        if not path.is_dir():
            raise InputError("no such folder", file=str(path), do="check the name")
        self._path, self._settle = path, settle
        self._since: dict[Path, tuple[State, float]] = {}
        self._done: dict[Path, State] = {}

    def complete(self, moment: float) -> list[Path]:
        """Return files that are complete and were not dealt with, the oldest first.

        Parameters
        ----------
        moment
            Seconds of a clock that is never set back.
        """
        there = dict(self._files())
        self._since = {
            path: self._since[path]
            if path in self._since and self._since[path][0] == state
            else (state, moment)
            for path, state in there.items()
        }
        ready = [
            path
            for path, (state, since) in self._since.items()
            if moment - since >= self._settle and self._done.get(path) != state
        ]
        return sorted(ready, key=lambda path: (there[path][1], path))

    def waiting(self) -> list[Path]:
        """Return files seen last that were not dealt with."""
        return sorted(p for p, (s, _) in self._since.items() if self._done.get(p) != s)

    def done(self, path: Path) -> None:
        """Leave a file alone until it changes."""
        self._done[path] = self._since[path][0]

    def again(self, paths: set[Path]) -> None:
        """Look at these files once more, though they did not change."""
        for path in paths:
            self._done.pop(path, None)

    def _files(self) -> Iterator[tuple[Path, State]]:
        for path in self._path.rglob("*"):
            if _is_ours(path.relative_to(self._path)):
                try:
                    seen = path.stat()
                    if path.is_file():
                        yield path, (seen.st_size, seen.st_mtime_ns)
                except OSError:
                    # Gone between being listed and being looked at.
                    continue


def _is_ours(path: Path) -> bool:
    hidden = any(part.startswith((".", "~$")) for part in path.parts)
    return not hidden and path.suffix.lower() not in (*_NOT_YET, *_NO_RESULTS)
