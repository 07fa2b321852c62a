"""Pieces as a file tells of them: new ones, what is filled in, and what contradicts the store."""

from typing import Any

import pandas as pd

from spc.errors import InputError
from spc.ingest.checked import Results
from spc.store import read
from spc.store.connection import Store, now

#: What is said of a piece.
WORDS = ("mould", "cavity", "batch")
#: What is said of a run beside its values; it is no part of the run's identity.
OF_A_RUN = (
    "operator", "device", "probe", "setup", "study", "part_temp_c", "hours_since_moulding",
)  # fmt: skip
#: Differences that are told one by one.
_TOLD = 5


def piece_rows(
    store: Store, checked: Results, runs: pd.DataFrame, who: str, correction: str
) -> tuple[pd.DataFrame, list[str]]:
    """Return rows for new pieces and for changes of known ones, and the changes in words.

    Parameters
    ----------
    store
        An open store.
    checked
        The file.
    runs
        Its runs with ``piece_id``, those known before among them.
    who
        Who takes the file.
    correction
        Reason for which known words may change; empty where they may not.

    Raises
    ------
    InputError
        Where the file contradicts itself, or the store and no reason is given.
    """
    held = read.known_pieces(store)
    held = held[held["piece_id"].isin(runs["piece_id"])]
    known = {row["piece_id"]: row for row in held.to_dict("records")}
    needed = runs[["piece_id", "part", "serial", "line", *WORDS]].astype(object)
    if not known and not runs["piece_id"].duplicated().any():
        # Pieces measured once and never before: nothing can contradict, every word is new.
        fresh = needed.drop(columns="line").reset_index(drop=True)
        return fresh.assign(recorded_at=now(), recorded_by=who, why="", file_id=checked.file_id), []
    told: dict[str, dict[str, str]] = {}
    said: dict[str, dict[str, str]] = {}
    rows: list[dict[str, Any]] = []
    for row in needed.to_dict("records"):
        piece = str(row["piece_id"])
        before = told.get(piece)
        if before is None and piece in known:
            before = {c: str(known[piece][c]) for c in WORDS}
        says = {c: str(row[c]) for c in WORDS}
        after = {c: says[c] or (before or says)[c] for c in says}
        _refuse_contradiction(checked.name, row, said.get(piece, {}), says, "further up")
        if before is not None and not correction:
            _refuse_contradiction(checked.name, row, before, after, "in the store")
        said[piece] = said.get(piece, {}) | {c: word for c, word in says.items() if word}
        if after != before:
            words = changed_words(before or dict.fromkeys(WORDS, ""), after)
            corrects = any(word and before and before[c] for c, word in words.items())
            rows.append({
                "piece_id": piece, "part": row["part"], "serial": row["serial"], **words,
                "recorded_at": now(), "recorded_by": who, "why": correction if corrects else "",
                "file_id": checked.file_id,
            })  # fmt: skip
        told[piece] = after
    changed = len({row["piece_id"] for row in rows} & set(known))
    return pd.DataFrame(rows), _in_words(changed, correction)


def changed_words(before: dict[str, str], after: dict[str, str]) -> dict[str, str]:
    """Return the words that differ, the others empty: a row says no more than it brings.

    What a row leaves alone may have been corrected elsewhere.
    """
    return {c: word if word != before[c] else "" for c, word in after.items()}


def _in_words(changed: int, correction: str) -> list[str]:
    if not changed:
        return []
    many = "1 known piece was" if changed == 1 else f"{changed} known pieces were"
    how = f"corrected: {correction}" if correction else "filled in"
    return [f"mould, cavity or batch of {many} {how}"]


def _refuse_contradiction(
    file: str, row: Any, before: dict[str, str], after: dict[str, str], where: str
) -> None:
    for column, value in after.items():
        if value and before.get(column, "") not in ("", value):
            raise InputError(
                f"serial '{row['serial']}' has {column} '{before[column]}' {where}, here '{value}'",
                file=file,
                row=int(row["line"]),
                column=column,
                do="correct the file: a piece is of one"
                if where == "further up"
                else "correct the file, or correct the store by --correct 'the reason'",
            )


def said_otherwise(runs: pd.DataFrame, known: pd.DataFrame) -> list[str]:
    """Return where the file says something else of known runs than the store, which keeps its own.

    Parameters
    ----------
    runs
        The file's runs.
    known
        The store's runs.
    """
    both = runs.merge(known, on="run_id", suffixes=("", "_kept"))
    if both.empty:
        return []
    said = []
    for column in OF_A_RUN:
        here, there = both[column], both[f"{column}_kept"]
        told = here.notna() & (here != "") & (here != there)
        said += [
            f"run '{row['run']}' of serial '{row['serial']}' has {column} '{row[column]}' here; "
            f"the store keeps {_quoted(row[f'{column}_kept'])}"
            for row in both[told].to_dict("records")
        ]
    more = [f"and {len(said) - _TOLD} more such differences"] if len(said) > _TOLD else []
    return [*said[:_TOLD], *more]


def _quoted(value: Any) -> str:
    return "none" if pd.isna(value) or value == "" else f"'{value}'"
