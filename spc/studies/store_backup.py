"""A verified copy of a store."""

from dataclasses import dataclass
from pathlib import Path

from spc.store.backup import backup_path, copy_store
from spc.store.connection import Store, open_store
from spc.studies.store_check import CheckedStore, check_store


@dataclass(frozen=True, slots=True, kw_only=True)
class BackedUp:
    """A copy that was made.

    Parameters
    ----------
    store, copy
        What was copied, and the copy.
    bytes
        Size of the copy.
    checked
        What looking through the copy found.
    """

    store: Path
    copy: Path
    bytes: int
    checked: CheckedStore


def back_up(store: Store, to: Path) -> BackedUp:
    """Copy an open store to a file, or into a folder under a name with the time, and check it.

    Raises
    ------
    StoreError
        Where the copy cannot be written; nothing is left of it then.
    """
    copy = backup_path(store.path, to)
    size = copy_store(store, copy)
    with open_store(copy, read_only=True) as copied:
        return BackedUp(store=store.path, copy=copy, bytes=size, checked=check_store(copied))
