"""Two stores into one: nothing lost, no contradiction decided in silence."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from spc.errors import StoreError
from spc.store import inventory, read
from spc.store.connection import Store, open_store
from spc.store.merge import LeftOut, merge
from spc.studies.merge_conflicts import (
    LABEL,
    OMISSION,
    PIECE,
    PLAN,
    SERIAL,
    Conflict,
    conflicts,
    differences,
)
from spc.studies.store_check import check_store


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """What became of a merge.

    Parameters
    ----------
    store, other
        The store that was to take, and the one to be taken.
    merged
        True where it took something.
    already
        True where it held everything before.
    rows
        Rows taken of each table.
    conflicts
        Contradictions. With one, nothing was taken, or (where that was asked for) all but the files
        that it is about.
    differences
        What the stores say otherwise; both are kept.
    left_out
        Files of the other store that were left out.
    """

    store: Path
    other: Path
    merged: bool
    already: bool
    rows: dict[str, int]
    conflicts: tuple[Conflict, ...]
    differences: tuple[str, ...]
    left_out: tuple[str, ...]


def merge_store(
    store: Store, other: Path, who: str, *, take_rest: bool = False, wait: float = 5.0
) -> Merged:
    """Take from another store what this one has not; the same again changes nothing.

    Parameters
    ----------
    store
        A store open for writing.
    other
        The other store; it is only read.
    who
        Who merges.
    take_rest
        Where there are contradictions, take all but the files that they are about.
    wait
        Seconds to wait for the other store.

    Raises
    ------
    StoreError
        Where the other store cannot be read, is not whole, or is this one.
    """
    if other.exists() and other.samefile(store.path):
        raise StoreError(f"{other}: this is the very store; name another one")
    _refuse_broken(other, wait)
    with store.beside(other, wait=wait) as beside:
        found = conflicts(store, beside)
        told = differences(store, beside)
        left_out = _left_out(store, beside, found)
        names = inventory.file_names(beside, sorted(left_out.files))
        rows = {} if found and not take_rest else merge(store, beside, left_out, who)
    return Merged(
        store=store.path, other=other, merged=bool(rows), already=not rows and not found,
        rows=rows, conflicts=found, differences=told, left_out=tuple(names) if take_rest else (),
    )  # fmt: skip


def _refuse_broken(other: Path, wait: float) -> None:
    """Refuse a store that is not whole: what is damaged there would be damaged here for good."""
    with open_store(other, read_only=True, wait=wait) as there:
        found = check_store(there)
    if not found.whole:
        first = found.faults[0]
        raise StoreError(
            f"{other}: not whole, so nothing is taken from it ({first.what}: {first.examples[0]}); "
            f"see 'spc store check --store {other}'"
        )


def _left_out(here: Store, there: Store, found: tuple[Conflict, ...]) -> LeftOut:
    """Return what is not taken: a file is taken whole or not at all, and a piece with its file."""
    keys = {k: frozenset(c.key for c in found if c.kind == k)
            for k in (LABEL, PIECE, PLAN, OMISSION, SERIAL)}  # fmt: skip
    runs = read.table(there, "run")
    pieces = read.table(there, "piece")
    known = set(read.table(here, "piece")["piece_id"])
    out = runs["run_id"].isin(keys[LABEL]) | runs["piece_id"].isin(keys[PIECE])
    out |= (runs["part"] + "\n" + runs["revision"]).isin(keys[PLAN])
    strange: set[str] = set()
    while True:
        files = set(runs["file_id"][out])
        strange = _without_row(pieces, files) - known
        more = runs["file_id"].isin(files) | runs["piece_id"].isin(strange)
        more |= runs["run_id"].isin(runs["run_id"][out])
        if not (more & ~out).any():
            break
        out |= more
    return LeftOut(
        files=frozenset(files), runs=frozenset(runs["run_id"][out]),
        pieces=keys[PIECE] | frozenset(strange), parts=keys[PLAN], decided=keys[OMISSION],
        moved=keys[SERIAL],
    )  # fmt: skip


def _without_row(pieces: pd.DataFrame, files: set[str]) -> set[str]:
    """Return pieces of which every row came from one of the files."""
    left = pieces[~pieces["file_id"].isin(files)]
    return set(pieces["piece_id"]) - set(left["piece_id"])
