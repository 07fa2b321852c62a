"""A copy of a store, byte by byte, while others read it and none can write."""

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

from spc.errors import StoreError
from spc.store.connection import Store, open_store


def backup_path(store: Path, to: Path | None = None) -> Path:
    """Return where a backup goes: ``to``, or a name with the time in that folder."""
    if to is not None and not to.is_dir():
        return to
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    return (to or store.parent) / f"{store.stem}-{stamp}{store.suffix}"


def copy_store(store: Store, to: Path) -> int:
    """Copy an open store and return the copy's bytes; an existing file is never touched.

    An open store keeps writers out, and is a store in one file but for a log of changes beside it
    where a process was stopped on the way; the copy has taken that in.

    Raises
    ------
    StoreError
        Where there is such a file, or it cannot be written. Nothing is left behind then.
    """
    if to.exists():
        raise StoreError(f"{to}: exists already; name another file")
    part = to.with_name(f"{to.name}.part")
    try:
        _copy(store.path, part)
        with open_store(part, older=True):
            pass
        part.rename(to)
    except OSError as error:
        raise StoreError(
            f"{to}: cannot be written ({error.strerror or error}); nothing is left there"
        ) from None
    finally:
        for leftover in (part, _log(part)):
            leftover.unlink(missing_ok=True)
    return to.stat().st_size


def _log(store: Path) -> Path:
    """Return where the driver keeps changes that are not yet in the store's own file."""
    return store.with_name(f"{store.name}.wal")


def _copy(store: Path, to: Path) -> None:
    # The store itself comes last: on some systems closing a file gives up every lock that the
    # process has on it, the open store's own among them.
    if _log(store).exists():
        shutil.copyfile(_log(store), _log(to))
    with store.open("rb") as source, to.open("wb") as target:
        shutil.copyfileobj(source, target, 1 << 20)
        target.flush()
        os.fsync(target.fileno())
