"""One look through the bytes of a large delimited file, to tell whether it is plain.

Nothing is taken from the file here but its hash, its header and the count of its lines. Whatever
two readers could understand in two ways (stray quotation marks, line ends of several kinds, bytes
that are no UTF-8) makes the file one that is not plain.
"""

import codecs
import csv
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from spc.ingest.text import SEPARATORS, Layout, cut_off, separator_of

_BLOCK, _LINE_END, _QUOTE = 1 << 20, 10, 34
_MARK = b"\xef\xbb\xbf"
#: What an unclosed number at the very end is looked for in, bytes.
_TAIL = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """How a delimited file begins.

    Parameters
    ----------
    names
        Names of its columns.
    separator, line_end
        What stands between columns, and at the end of the first line.
    start
        Bytes above the header, its lines among them.
    """

    names: tuple[str, ...]
    separator: str
    line_end: str
    start: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainText:
    """A delimited file that every reader understands alike.

    Parameters
    ----------
    file_id, size
        SHA-256 of its bytes, and how many there are.
    rows
        Lines below the header.
    notes
        What should be said of it.
    """

    file_id: str
    size: int
    rows: int
    notes: tuple[str, ...]


def head_of(path: Path, layout: Layout) -> Head | None:
    """Return how a file begins; None for no plain header."""
    with path.open("rb") as file:
        block = file.read(_BLOCK)
    start = _below(block, layout.skip)
    if start is None:
        return None
    # A byte order mark stands at the very beginning, and is no part of the first name.
    line, ended, _ = (block[start:] if start else block.removeprefix(_MARK)).partition(b"\n")
    text = line.decode(errors="replace")
    line_end = "\r\n" if text.endswith("\r") else "\n"
    text = text.removesuffix("\r")
    if not ended or len(text.splitlines()) != 1 or "\ufeff" in text:
        return None
    separator = layout.separator or separator_of(text)
    if separator not in SEPARATORS:
        return None
    try:
        cells = next(csv.reader([text], delimiter=separator, strict=True))
    except csv.Error:
        return None
    names = tuple(cell.strip() for cell in cells)
    if "" in names or len(set(names)) < len(names):
        return None
    if start and (block[start - 2 : start] == b"\r\n") != (line_end == "\r\n"):
        return None
    return Head(names=names, separator=separator, line_end=line_end, start=start)


def _below(block: bytes, skip: int) -> int | None:
    """Return where the lines below those to skip begin; None where lines are not plain ones."""
    at = 0
    for _ in range(skip):
        at = block.find(b"\n", at) + 1
        if not at:
            return None
    above = block[:at]
    returns = above.count(b"\r")
    ended = returns == above.count(b"\r\n") and returns in (0, skip)
    return at if ended and b'"' not in above else None


def plain_text(path: Path, head: Head) -> PlainText | None:
    """Look through a file; None where it is not plain."""
    seen = _Seen(head)
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            if not seen.block(block):
                return None
        file.seek(max(seen.size - _TAIL, 0))
        tail = file.read()
    if not seen.is_plain():
        return None
    ended = tail.endswith(b"\n")
    last = tail.decode(errors="replace").rsplit(head.separator, 1)[-1].strip('"')
    return PlainText(
        file_id=seen.hashed.hexdigest(), size=seen.size, rows=seen.lines - ended,
        notes=() if ended else cut_off(last),
    )  # fmt: skip


def stamp_of(path: Path) -> tuple[int, int]:
    """Return a file's size and the time of its last change."""
    found = os.stat(path)
    return found.st_size, found.st_mtime_ns


class _Seen:
    """What was seen of a file, block by block."""

    def __init__(self, head: Head) -> None:
        self.hashed = hashlib.sha256()
        self.size = self.lines = 0
        self._returns = self._quotes = self._at_rims = self._separators = 0
        self._head, self._mark, self._inside = head, head.separator.encode(), False
        self._before = b"\n"
        self._decoder = codecs.getincrementaldecoder("utf-8")("strict")

    def block(self, block: bytes) -> bool:
        """Count what is in one block; False where it holds what is never plain."""
        self.hashed.update(block)
        first, before = not self.size, self._before
        self.size, self._before = self.size + len(block), block[-1:]
        if b"\x00" in block or not self._is_text(block):
            return False
        block = block[self._head.start :] if first else block
        letters = np.frombuffer(block, np.uint8)
        self.lines += int(np.count_nonzero(letters == _LINE_END))
        self._separators += self._count_separators(letters)
        if b'"' not in block and b"\r" not in block and before not in (b'"', b"\r"):
            return True
        # Pairs of bytes may be parted by the end of a block; a byte order mark is part of none.
        pairs = before + (block.removeprefix(_MARK) if first and not self._head.start else block)
        self._count_quotes(block, pairs)
        return self._count_returns(pairs)

    def _count_separators(self, letters: npt.NDArray[np.uint8]) -> int:
        """Count separators outside of quotation marks; a remark may well hold a comma."""
        marks = letters == ord(self._mark)
        quotes = letters == _QUOTE
        if self._inside or quotes.any():
            opened = np.cumsum(quotes, dtype=np.uint32) + np.uint32(self._inside)
            marks &= opened % 2 == 0
            self._inside = bool(opened[-1] % 2) if len(opened) else self._inside
        return int(np.count_nonzero(marks))

    def _is_text(self, block: bytes) -> bool:
        try:
            # Plain ASCII cannot end within a letter.
            if not (block.isascii() and self._decoder.getstate()[0] == b""):
                self._decoder.decode(block)
        except UnicodeDecodeError:
            return False
        return True

    def _count_returns(self, pairs: bytes) -> bool:
        """Count carriage returns; False where one stands alone."""
        ends = pairs.count(b"\r\n")
        self._returns += ends
        return pairs.count(b"\r", 0, len(pairs) - 1) == ends

    def _count_quotes(self, block: bytes, pairs: bytes) -> None:
        """Count quotation marks, and those that have a separator or line end outside."""
        self._quotes += block.count(b'"')
        rims = (b'\n"', b'"\n', b'"\r', self._mark + b'"', b'"' + self._mark)
        self._at_rims += sum(pairs.count(rim) for rim in rims)

    def is_plain(self) -> bool:
        """Tell whether lines are alike, and every quotation mark stands at the rim of a field."""
        at_rims = self._at_rims + (self._before == b'"')
        lines = self.lines + (self._before != b"\n")
        if self._separators != lines * (len(self._head.names) - 1):
            return False
        returns = self.lines if self._head.line_end == "\r\n" else 0
        whole = self._before != b"\r" and self._decoder.getstate()[0] == b""
        return whole and self._returns == returns and at_rims == self._quotes
