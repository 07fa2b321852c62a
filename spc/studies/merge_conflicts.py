"""Where two stores contradict each other: what a person has to decide, and what is only told.

A store that is merely behind contradicts nothing: a plan, a correction or a decision that the other
store knows, and went on from, is history there. A contradiction is one of which neither store knows
the other's side.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spc.store import inventory, read
from spc.store.connection import Store
from spc.studies.pieces import OF_A_RUN, WORDS

LABEL, PIECE, PLAN, OMISSION, SERIAL = "label", "piece", "plan", "omission", "serial"
_SIDES = ("", "_there")
#: What was computed of one run at two stations differs by no more than this, mm.
_LAST_DIGITS = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A contradiction between two stores.

    Parameters
    ----------
    kind
        ``label``, ``piece``, ``plan``, ``omission`` or ``serial``.
    subject
        What it is about.
    here, there
        What this store says, and what the other one says.
    do
        What to do about it.
    key
        Identity of the run or piece, or part and revision, that it is about in the other store.
    """

    kind: str
    subject: str
    here: str
    there: str
    do: str
    key: str


def conflicts(here: Store, there: Store) -> tuple[Conflict, ...]:
    """Return every contradiction that a person has to decide."""
    return (
        *_plans(here, there),
        *_labels(here, there),
        *_pieces(here, there),
        *_omissions(here, there),
        *_serials(here, there),
    )


def _plans(here: Store, there: Store) -> Iterator[Conflict]:
    mine, theirs = read.plans(here), read.plans(there)
    keys = ["part", "revision"]
    both = mine[mine["in_force"]].merge(theirs[theirs["in_force"]], on=keys, suffixes=_SIDES)
    for row in both.to_dict("records"):
        known_here = row["plan_id_there"] in set(mine["plan_id"])
        known_there = row["plan_id"] in set(theirs["plan_id"])
        if row["plan_id"] != row["plan_id_there"] and known_here == known_there:
            yield Conflict(
                kind=PLAN, subject=f"plan of {row['part']} {row['revision']}",
                here=_plan(row, ""), there=_plan(row, "_there"),
                do="add the plan that is to hold to both stores with 'spc plan add', then merge",
                key=f"{row['part']}\n{row['revision']}",
            )  # fmt: skip


def _plan(row: Any, suffix: str) -> str:
    points = int(row[f"fit_points{suffix}"]) + int(row[f"check_points{suffix}"])
    return (
        f"{row[f'plan_id{suffix}'][:8]}, {points} points, added "
        f"{row[f'added_at{suffix}']:%Y-%m-%d} by {row[f'added_by{suffix}']}"
    )


def _labels(here: Store, there: Store) -> Iterator[Conflict]:
    mine, theirs = inventory.taken_runs(here), inventory.taken_runs(there)
    keys = ["part", "serial", "run"]
    both = mine.merge(theirs, on=keys, suffixes=_SIDES)
    other = both[
        ~both["run_id_there"].isin(mine["run_id"]) & ~both["run_id"].isin(theirs["run_id"])
    ]
    for row in other.sort_values(keys).to_dict("records"):
        yield Conflict(
            kind=LABEL, subject=f"run {row['run']} of serial {row['serial']}",
            here=f"measured {row['measured_at']}, from {row['file']}",
            there=f"other values, measured {row['measured_at_there']}, from {row['file_there']}",
            do="take that file in here with a run label of its own; both are then kept",
            key=str(row["run_id_there"]),
        )  # fmt: skip


def _pieces(here: Store, there: Store) -> Iterator[Conflict]:
    mine, theirs = (_words(read.table(s, "piece")) for s in (here, there))
    keys = ["piece_id", "part", "serial", "word"]
    both = mine.merge(theirs, on=keys, suffixes=_SIDES)
    differ = both[both["value"] != both["value_there"]].sort_values(["part", "serial", "word"])
    for row in differ.to_dict("records"):
        if _overruled(row, "", "_there") or _overruled(row, "_there", ""):
            continue
        yield Conflict(
            kind=PIECE, subject=f"{row['word']} of serial {row['serial']}",
            here=row["value"], there=row["value_there"],
            do=f"correct the wrong one with 'spc store correct {row['serial']} --{row['word']} ...'"
            ", then merge",
            key=str(row["piece_id"]),
        )  # fmt: skip


def _words(rows: pd.DataFrame) -> pd.DataFrame:
    """Return what each word of each piece is, by which row, and what it ever was."""
    long = rows.melt(
        ["piece_id", "part", "serial", "recorded_at", "why"], list(WORDS), "word", "value"
    )
    long = long[long["value"] != ""].assign(corrected=lambda d: d["why"] != "")
    long = long.sort_values(["corrected", "recorded_at", "value"])
    keys = ["piece_id", "part", "serial", "word"]
    grouped = long.groupby(keys, as_index=False)
    last = grouped.last()
    return last.assign(
        said=grouped["value"].agg(frozenset)["value"],
        corrections=grouped["recorded_at"].agg(frozenset)["recorded_at"],
    )


def _overruled(row: Any, by: str, of: str) -> bool:
    """Tell whether the one side has corrected what the other still says, knowing of it."""
    if not row[f"corrected{by}"] or row[f"value{of}"] not in row[f"said{by}"]:
        return False
    # A correction that the correcting side does not know of was made beside it, not before it.
    return not row[f"corrected{of}"] or row[f"recorded_at{of}"] in row[f"corrections{by}"]


def _omissions(here: Store, there: Store) -> Iterator[Conflict]:
    mine, theirs = inventory.working_fits(here), inventory.working_fits(there)
    known = [set(inventory.fit_ids(s)) for s in (here, there)]
    both = mine.merge(theirs, on=["run_id", "run", "serial"], suffixes=_SIDES)
    for row in both[both["omitted"] != both["omitted_there"]].to_dict("records"):
        if row["fit_id"] in known[1] or row["fit_id_there"] in known[0]:
            continue
        yield Conflict(
            kind=OMISSION, subject=f"points left out of run {row['run']}",
            here=row["omitted"] or "none", there=row["omitted_there"] or "none",
            do="agree, with 'spc omit' or 'spc run restore' in one of the stores, then merge",
            key=str(row["run_id"]),
        )  # fmt: skip


def _serials(here: Store, there: Store) -> Iterator[Conflict]:
    mine, theirs = read.table(here, "reassignment"), read.table(there, "reassignment")
    last = [
        rows.sort_values(["recorded_at", "serial"]).drop_duplicates("run_id", keep="last")
        for rows in (mine, theirs)
    ]
    both = last[0].merge(last[1], on="run_id", suffixes=_SIDES)
    known = [
        set(rows[["run_id", "recorded_at"]].itertuples(index=False)) for rows in (mine, theirs)
    ]
    for row in both[both["serial"] != both["serial_there"]].to_dict("records"):
        behind = (row["run_id"], row["recorded_at"]) in known[1]
        ahead = (row["run_id"], row["recorded_at_there"]) in known[0]
        if not behind and not ahead:
            yield Conflict(
                kind=SERIAL, subject=f"serial of run {row['run_id'][:8]}", here=row["serial"],
                there=row["serial_there"],
                do="agree, with 'spc store correct' in one of the stores, then merge",
                key=str(row["run_id"]),
            )  # fmt: skip


def differences(here: Store, there: Store) -> tuple[str, ...]:
    """Return what the stores say otherwise without a contradiction: told, and both are kept."""
    return (
        *_circumstances(here, there),
        *_limits(here, there),
        *_answers(here, there),
        *_studies(here, there),
        *_computed(here, there),
    )


def _circumstances(here: Store, there: Store) -> Iterator[str]:
    both = inventory.taken_runs(here).merge(
        inventory.taken_runs(there), on=["run_id", "run", "serial"], suffixes=_SIDES
    )
    for column in OF_A_RUN:
        ours, other = both[column], both[f"{column}_there"]
        apart = (ours != other) & ~(ours.isna() & other.isna())
        for row in both[apart].to_dict("records"):
            first = "" if row["taken_at"] <= row["taken_at_there"] else "_there"
            yield (
                f"run {row['run']} of serial {row['serial']} has {column} '{row[column]}' here and "
                f"'{row[f'{column}_there']}' there; '{row[f'{column}{first}']}' was recorded first "
                "and holds"
            )


def _limits(here: Store, there: Store) -> Iterator[str]:
    names = ["part", "revision", "series", "mould", "unit_of_time"]
    frozen = [
        rows[rows["action"] == "freeze"]
        for rows in (read.table(s, "limit_set") for s in (here, there))
    ]
    only = [
        frozen[k][~frozen[k]["limit_set_id"].isin(frozen[1 - k]["limit_set_id"])] for k in (0, 1)
    ]
    both = only[0].merge(only[1], on=names, suffixes=_SIDES)
    for key, rows in both.groupby(names):
        row = rows.iloc[-1]
        yield (
            f"limits of {key[2]}, mould {key[3] or 'any'}: frozen here by {row['who']} from "
            f"{row['valid_from']:%Y-%m-%d}, there by {row['who_there']} from "
            f"{row['valid_from_there']:%Y-%m-%d}; each holds from its day until the next one"
        )


def _answers(here: Store, there: Store) -> Iterator[str]:
    both = read.table(here, "signal").merge(
        read.table(there, "signal"), on=["signal_id", "action", "series"], suffixes=_SIDES
    )
    for row in both[both["cause"] != both["cause_there"]].to_dict("records"):
        yield (
            f"signal {row['signal_id'][:8]} on {row['series']} is answered '{row['cause']}' here "
            f"and '{row['cause_there']}' there; the earlier answer holds"
        )


def _studies(here: Store, there: Store) -> Iterator[str]:
    mine, theirs = inventory.taken_runs(here), inventory.taken_runs(there)
    names = [
        {(part, study) for part, study in zip(only["part"], only["study"], strict=True) if study}
        for only in (_not_in(mine, theirs, "run_id"), _not_in(theirs, mine, "run_id"))
    ]
    for part, study in sorted(names[0] & names[1]):
        yield f"gauge study {study} of {part} has runs of both stores; they are one study now"


def _not_in(rows: pd.DataFrame, others: pd.DataFrame, column: str) -> pd.DataFrame:
    return rows[~rows[column].isin(others[column])]


def _computed(here: Store, there: Store) -> Iterator[str]:
    mine, theirs = inventory.working_fits(here), inventory.working_fits(there)
    both = mine.merge(theirs, on=["fit_id", "run"], suffixes=_SIDES)
    apart = np.abs(both["worst_residual"] - both["worst_residual_there"]) > _LAST_DIGITS
    for row in both[apart].to_dict("records"):
        yield (
            f"the fit of run {row['run']} was computed otherwise by version {row['tool_version']} "
            f"here and {row['tool_version_there']} there; this store keeps its own"
        )
