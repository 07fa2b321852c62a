"""A text in another code page written again as UTF-8, piece by piece."""

import codecs
import hashlib
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_BLOCK = 1 << 20
#: Folders of copies begin with this; one that is older, seconds, is of a process that was killed.
_PREFIX, _LEFT_OVER = "spc-copy-", 86_400.0
#: Code pages of which any piece can be read by itself.
_KNOWN = re.compile(r"cp[0-9]{3,4}|iso8859-[0-9]+|koi8-[a-z]|mac-[a-z]+|utf-(16|32)(-[bl]e)?")


def is_known(encoding: str) -> bool:
    """Tell whether a code page is one that is read the same in pieces as at once."""
    try:
        return _KNOWN.fullmatch(codecs.lookup(encoding).name) is not None
    except LookupError:
        return False


def recode(path: Path, target: Path, encoding: str) -> tuple[str, int]:
    """Write a file's text again in UTF-8; return SHA-256 and size of the original.

    Raises
    ------
    UnicodeError
        Where it is no text of that code page, or of UTF-8 as well.
    OSError
        Where it cannot be read, or there is no room.
    """
    decoder, hashed, size = codecs.getincrementaldecoder(encoding)("strict"), hashlib.sha256(), 0
    marked, utf8 = False, _Utf8()
    with path.open("rb") as file, target.open("wb") as out:
        while block := file.read(_BLOCK):
            hashed.update(block)
            size += len(block)
            marked = marked or not block.isascii()
            utf8.read(block)
            out.write(decoder.decode(block).encode())
        out.write(decoder.decode(b"", final=True).encode())
    if marked and utf8.whole():
        raise UnicodeError("UTF-8 all the same")  # said by the careful reader
    return hashed.hexdigest(), size


@contextmanager
def folder_of_copies() -> Iterator[Path]:
    """Make a folder that does not outlive its use; what a killed process left there goes too."""
    for left in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        with suppress(OSError):
            if time.time() - left.lstat().st_mtime > _LEFT_OVER:
                shutil.rmtree(left)
    with tempfile.TemporaryDirectory(prefix=_PREFIX) as folder:
        yield Path(folder)


class _Utf8:
    """Tells whether pieces of a file are UTF-8 together."""

    def __init__(self) -> None:
        self._decoder: codecs.IncrementalDecoder | None = codecs.getincrementaldecoder("utf-8")()

    def read(self, block: bytes, *, final: bool = False) -> None:
        if self._decoder is None:
            return
        try:
            self._decoder.decode(block, final)
        except UnicodeDecodeError:
            self._decoder = None

    def whole(self) -> bool:
        self.read(b"", final=True)
        return self._decoder is not None
