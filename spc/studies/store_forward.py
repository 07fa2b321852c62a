"""A store of an older schema brought to this program's own."""

from dataclasses import dataclass
from pathlib import Path

from spc.store.migrations import migrate
from spc.store.schema import VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class BroughtForward:
    """What became of a store.

    Parameters
    ----------
    store
        Its file.
    version
        Version of its schema now.
    steps
        Versions that it was brought to, in order; none where it was at the newest.
    backup
        The copy of what it was; None where nothing was done.
    """

    store: Path
    version: int
    steps: tuple[int, ...]
    backup: Path | None


def bring_forward(store: Path, who: str, *, wait: float) -> BroughtForward:
    """Bring a store forward, with a backup first; one at the newest version is left alone.

    Raises
    ------
    StoreError
        Where it cannot be opened, copied or changed, or is newer than this program.
    """
    steps, backup = migrate(store, who, wait=wait)
    return BroughtForward(store=store, version=VERSION, steps=steps, backup=backup)
