"""Bringing a store of an older schema forward, one version at a time, with a backup first."""

from pathlib import Path

import pandas as pd

from spc import __version__
from spc.store.audit import record_all
from spc.store.backup import backup_path, copy_store
from spc.store.connection import WAIT_SECONDS, Store, now, open_store, version_of
from spc.store.schema import STEPS, VERSION, comment_statements


def pending(store: Store) -> tuple[int, ...]:
    """Return the versions that the store is to be brought to, in order; nothing is changed."""
    return tuple(range(version_of(store) + 1, VERSION + 1))


def migrate(
    path: Path, who: str, *, wait: float = WAIT_SECONDS
) -> tuple[tuple[int, ...], Path | None]:
    """Bring a store to this program's schema; return the versions gone through and the backup.

    Each step and its record are one transaction: a store is of the one version or of the next.

    Raises
    ------
    StoreError
        Where it cannot be copied, opened or changed; it is then of a version that it was before.
    """
    with open_store(path, read_only=True, older=True, wait=wait) as store:
        if not pending(store):
            return (), None
        copy = backup_path(path)
        copy_store(store, copy)
    with open_store(path, older=True, wait=wait) as store:
        steps = pending(store)
        for version in steps:
            _step(store, version, who, copy)
    return steps, copy


def _step(store: Store, version: int, who: str, copy: Path) -> None:
    row = {"version": [version], "applied_at": [now()], "tool_version": [__version__]}
    with store.transaction():
        for statement in STEPS[version - 1]:
            store.execute(statement)
        if version == VERSION:
            for statement in comment_statements():
                store.execute(statement)
        store.insert("schema_version", pd.DataFrame(row))
        record_all(store, "schema brought forward", str(version), who, backup=copy.name)
