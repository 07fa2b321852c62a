"""Every invariant of a store, proved: what is broken comes back in words."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from spc.errors import DataError
from spc.store import audit, check, inventory, read
from spc.store.connection import Store
from spc.store.seals import Seal
from spc.studies.recomputed import Case, wrong_identities, wrong_runs

#: Cases that are named one by one.
_NAMED = 3
#: A hash, or as much of it as is said.
_HASH = re.compile("[0-9a-f]{16,64}")
_CHANGED = "rows of '{}' that are not as they were written"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something that should hold in a store and does not.

    Parameters
    ----------
    what
        What is wrong, in words.
    cases
        How many times.
    examples
        The first of them.
    """

    what: str
    cases: int
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedStore:
    """A store looked through.

    Parameters
    ----------
    store
        Its file.
    whole
        True where everything holds.
    faults
        What does not hold.
    remarks
        What need not be wrong, but is worth a look.
    files, runs, hits, fits, entries
        What was looked through; ``entries`` are those of the audit chain.
    head
        Hash of the last of them, to be kept elsewhere; empty where there is none.
    """

    store: Path
    whole: bool
    faults: tuple[Fault, ...]
    remarks: tuple[Fault, ...]
    files: int
    runs: int
    hits: int
    fits: int
    entries: int
    head: str


def check_store(store: Store, known: str = "") -> CheckedStore:
    """Look through a store: references, identities, numbers, fits, files and the audit chain.

    Parameters
    ----------
    store
        The store.
    known
        Hash of an entry of the chain, or its beginning, that was kept elsewhere: without it nothing
        tells that the end of a chain was cut off with all that came with it.

    Raises
    ------
    DataError
        Where ``known`` is no hash, or too short to mean one entry.
    """
    if known and not _HASH.fullmatch(known):
        raise DataError(
            f"'{known}' is no hash of an entry; give at least 16 of its digits 0-9 and a-f"
        )
    strange = check.missing_from_schema(store)
    cases: Iterable[Case] = (
        # Questions about columns that are not there cannot be asked.
        [("a table that is not as the schema says", text) for text in strange]
        if strange
        else _cases(store, known)
    )
    faults = _told(cases)
    counts = {} if strange else inventory.thing_counts(store)
    return CheckedStore(
        store=store.path, whole=not faults, faults=faults,
        remarks=() if strange else _told(_asked(check.remarks(store))),
        head="" if strange or not counts["entries"] else audit.head_of(store),
        **{name: counts.get(name, 0) for name in ("files", "runs", "hits", "fits", "entries")},
    )  # fmt: skip


def _cases(store: Store, known: str) -> Iterator[Case]:
    asked = list(_asked(check.findings(store)))
    yield from asked
    broken = list(_chain(store))
    if known and not audit.has_entry(store, known):
        yield "an entry of the audit chain that was known elsewhere is gone", known
    yield from broken
    # What a chain tells that was changed itself proves nothing.
    if not broken:
        yield from _seals(store)
        yield from _files(store)
    # What refers to nothing cannot be worked out again.
    if not any(" is in no row of " in what or " twice" in what for what, _ in asked):
        yield from _recomputed(store)


def _recomputed(store: Store) -> Iterator[Case]:
    try:
        yield from wrong_identities(store)
        yield from wrong_runs(store)
    except (ValueError, KeyError, TypeError) as error:
        yield "rows that cannot be worked out again", str(error).splitlines()[0]


def _asked(answers: Iterable[tuple[str, pd.DataFrame]]) -> Iterator[Case]:
    for words, found in answers:
        yield from ((words, str(what)) for what in sorted(found["what"].astype(str)))


def _chain(store: Store) -> Iterator[Case]:
    for place in audit.broken_links(store):
        yield "the audit chain was changed, or something taken out of it", f"entry {place}"
    for words in audit.broken_merged(store):
        yield "the audit chain of a merged store was changed", words


def _seals(store: Store) -> Iterator[Case]:
    """Compare what is in each table with what the chain's entries brought there."""
    told, names = audit.told_seals(store), _names(store)
    for table, held in store.held().items():
        if held != told.get(table, Seal()):
            files = [names.get(f, f[:8]) for f in _files_changed(store, table)]
            written = told.get(table, Seal()).rows
            rows = (
                f"some of its {written}"
                if held.rows == written
                else f"{held.rows} are there, {written} were written"
            )
            yield from ((_CHANGED.format(table), of) for of in files or [rows])


def _files_changed(store: Store, table: str) -> list[str]:
    """Return the files whose rows are not as they were written, where rows tell their file."""
    told, there = audit.told_by_file(store, table), store.held_by_file(table)
    return [file_id for file_id in told if file_id in there and there[file_id] != told[file_id]]


def _names(store: Store) -> dict[str, str]:
    return dict(read.files(store)[["file_id", "name"]].itertuples(index=False, name=None))


def _files(store: Store) -> Iterator[Case]:
    """Compare what each file brought, as the audit chain tells, with what is there."""
    names = _names(store)
    there = check.rows_by_file(store).set_index(["file_id", "table"])["rows"].to_dict()
    for file_id, times in audit.counts_by_file(store).items():
        if file_id not in names:
            yield "a file that the audit chain says was taken is gone", file_id[:8]
        for table in ("run", "hit", "piece", "reported_status", "event", "arm_check"):
            told = [counts.get(table, 0) for counts in times]
            rows = int(there.get((file_id, table), 0))
            if not max(told) <= rows <= sum(told):
                yield (
                    "a file of which rows are gone, or came from elsewhere",
                    f"{names.get(file_id, file_id[:8])}: {rows} of {max(told)} in '{table}'",
                )


def _told(cases: Iterable[Case]) -> tuple[Fault, ...]:
    grouped: dict[str, list[str]] = {}
    for what, of in cases:
        grouped.setdefault(what, []).append(of)
    return tuple(
        Fault(what=what, cases=len(of), examples=tuple(of[:_NAMED])) for what, of in grouped.items()
    )
