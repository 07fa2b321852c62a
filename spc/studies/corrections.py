"""Corrections of what was said of a piece: further rows with who and why, never a change."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from spc.errors import InputError, NotFoundError
from spc.identity import content_hash
from spc.ingest.fields import refuse_steering
from spc.store import read, write
from spc.store.connection import Store, now
from spc.studies.pieces import WORDS, changed_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """What became of a correction.

    Parameters
    ----------
    part, serial
        The piece, as it was called before.
    already
        True where the store says so already; nothing was written then.
    before, after
        mould, cavity, batch and serial before and after.
    runs
        Labels of the runs that are now under another serial.
    warnings
        What should be said.
    """

    part: str
    serial: str
    already: bool
    before: dict[str, str]
    after: dict[str, str]
    runs: tuple[str, ...]
    warnings: tuple[str, ...]


def correct_words(
    store: Store, serial: str, words: Mapping[str, str], *, why: str, who: str,
    part: str | None = None,
) -> Corrected:  # fmt: skip
    """Correct mould, cavity or batch of a piece; the words not given stay as they are.

    Raises
    ------
    InputError
        Where a word or the reason is empty.
    NotFoundError
        Where there is no such piece, or several parts have one of that serial.
    """
    said = _said(words, why)
    piece = _piece(store, serial, part)
    before = {c: str(piece[c]) for c in WORDS} | {"serial": serial}
    after = before | said
    already = after == before
    if not already:
        row = {
            "piece_id": piece["piece_id"], "part": piece["part"], "serial": piece["serial"],
            **changed_words({c: before[c] for c in WORDS}, {c: after[c] for c in WORDS}),
            "recorded_at": now(), "recorded_by": who, "why": why, "file_id": "",
        }  # fmt: skip
        write.append(
            store, {"piece": pd.DataFrame([row])}, action="piece corrected",
            subject=f"{piece['part']} {serial}", who=who, why=why, before=before, after=after,
        )  # fmt: skip
    return Corrected(
        part=str(piece["part"]), serial=serial, already=already, before=before, after=after,
        runs=(), warnings=(),
    )  # fmt: skip


def correct_serial(
    store: Store, serial: str, new: str, *, run: str | None, why: str, who: str,
    part: str | None = None,
) -> Corrected:  # fmt: skip
    """Put runs that were recorded under one serial under another: all that there are, or one.

    A run that comes in later under the first serial stays there: it may be of the piece that has
    that serial by right.

    Raises
    ------
    InputError
        Where the new serial or the reason is empty.
    NotFoundError
        Where there is no such piece or run, or several parts have a piece of that serial.
    """
    new = _said({"serial": new}, why)["serial"]
    piece = _piece(store, serial, part)
    before = {c: str(piece[c]) for c in WORDS} | {"serial": serial}
    if new == serial:
        return Corrected(
            part=str(piece["part"]), serial=serial, already=True, before=before, after=before,
            runs=(), warnings=(),
        )  # fmt: skip
    runs = _runs(store, piece, serial, run)
    target, rows = _target(store, piece, new, who)
    moved = pd.DataFrame({
        "run_id": runs["run_id"], "piece_id": target["piece_id"], "serial": new, "why": why,
        "recorded_at": now(), "recorded_by": who,
    })  # fmt: skip
    labels = tuple(str(label) for label in runs["run"])
    write.append(
        store, {"reassignment": moved, "piece": rows}, action="runs put under another serial",
        subject=f"{piece['part']} {serial}", who=who, why=why, serial=new, runs=labels,
    )  # fmt: skip
    return Corrected(
        part=str(piece["part"]), serial=serial, already=False, before=before,
        after={c: str(target[c]) for c in WORDS} | {"serial": new}, runs=labels,
        warnings=_otherwise(before, target, new),
    )  # fmt: skip


def _said(words: Mapping[str, str], why: str) -> dict[str, str]:
    said = {name: word.strip() for name, word in words.items()}
    for name, word in said.items():
        if not word:
            raise InputError(
                f"--{name} is empty", do="say what it is; 'unknown' where nobody can tell"
            )
        refuse_steering(f"--{name}", word)
    if not said:
        raise InputError(
            "nothing to correct", do="say --mould, --cavity, --batch or --serial, and what it is"
        )
    if not why.strip():
        raise InputError("--why is empty", do="say why; it is kept with the correction")
    return said


def _piece(store: Store, serial: str, part: str | None) -> Any:
    """Return the piece as last recorded, by the serial that its runs are under."""
    runs = read.runs(store, part)
    pieces = read.known_pieces(store)
    if part is not None:
        pieces = pieces[pieces["part"] == part]
    named = pieces[(pieces["serial"] == serial) & pieces["piece_id"].isin(runs["piece_id"])]
    if len(named) == 1:
        return named.iloc[0]
    if len(named):
        raise NotFoundError(
            f"serial '{serial}' is one of {', '.join(sorted(named['part']))}; say which with --part"
        )
    raise NotFoundError(f"no piece '{serial}' with a run in the store; 'spc run list' shows them")


def _runs(store: Store, piece: Any, serial: str, run: str | None) -> pd.DataFrame:
    runs = read.runs(store, str(piece["part"]))
    mine: pd.DataFrame = runs[runs["piece_id"] == piece["piece_id"]]
    if run is not None:
        mine = mine[mine["run"] == run]
    if mine.empty:
        raise NotFoundError(f"no run '{run}' of serial '{serial}'; 'spc run list' shows them")
    return mine


def _target(store: Store, piece: Any, serial: str, who: str) -> tuple[Any, pd.DataFrame]:
    """Return the piece of the new serial, and its row where the store does not know it."""
    piece_id = content_hash("piece", str(piece["part"]), serial)
    pieces = read.known_pieces(store)
    known = pieces[pieces["piece_id"] == piece_id]
    if len(known):
        return known.iloc[0], pd.DataFrame()
    row = {
        "piece_id": piece_id, "part": piece["part"], "serial": serial,
        **{c: piece[c] for c in WORDS}, "recorded_at": now(), "recorded_by": who, "why": "",
        "file_id": "",
    }  # fmt: skip
    return row, pd.DataFrame([row])


def _otherwise(before: Mapping[str, str], target: Any, new: str) -> tuple[str, ...]:
    return tuple(
        f"these runs came in under {c} '{before[c]}'; piece '{new}' is of {c} '{target[c]}'"
        for c in WORDS
        if before[c] and target[c] and before[c] != target[c]
    )
