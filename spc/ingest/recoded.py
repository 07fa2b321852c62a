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
        Where it is no text of that code page.
    OSError
        Where it cannot be read, or there is no room.
    """
    decoder, hashed, size = codecs.getincrementaldecoder(encoding)("strict"), hashlib.sha256(), 0
    with path.open("rb") as file, target.open("wb") as out:
        while block := file.read(_BLOCK):
            hashed.update(block)
            size += len(block)
            out.write(decoder.decode(block).encode())
        out.write(decoder.decode(b"", final=True).encode())
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
