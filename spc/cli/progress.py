"""What is being done, said on a terminal's error stream; a pipe or a log hears nothing of it."""

import shutil
import sys
from types import TracebackType

from spc.cli.saying import tame


class Progress:
    """One line that is written over and over, and gone at the end.

    It is for people only: where the error stream is no terminal nothing is ever written.
    """

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._length = 0

    def say(self, text: str) -> None:
        """Put another text in the place of the one before."""
        if not self._shown:
            return
        text = tame(text)[: shutil.get_terminal_size().columns - 1]
        # Blanks, since not every console knows how to erase a line.
        sys.stderr.write(f"\r{text.ljust(self._length)}")
        sys.stderr.flush()
        self._length = len(text)

    def clear(self) -> None:
        """Take the line away, so that results can be printed in its place."""
        if self._shown and self._length:
            sys.stderr.write(f"\r{' ' * self._length}\r")
            sys.stderr.flush()
            self._length = 0

    def __enter__(self) -> "Progress":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        where: TracebackType | None,
    ) -> None:  # fmt: skip
        self.clear()
