"""The rows of another store into this one: what is new, in one transaction.

Rows that tell of something (a file, a run, a fit, a decision) come as they are, beside those that
this store has of the same thing: ``holding`` says which of them holds, and the order of merging
makes no difference. Measured values hang on these rows; they come only with what is new.

The audit chain of the other store is kept as it came. Its rows prove what was done there only with
the hashes that they were written with, and woven into this chain they would need others; so they
stand in a table of their own, and this chain names the last of them.
"""

from dataclasses import dataclass

from spc.store import audit
from spc.store.connection import Store
from spc.store.schema import described

#: Rows that come only with a new row of another table: by which column, and of which table.
_HANG_ON = {
    "hit": ("run_id", "run"),
    "deviation": ("fit_id", "fit"),
    "plan_point": ("plan_id", "plan"),
}
#: Each store's own; the chains are handled apart.
_OWN = ("schema_version", "audit", "merged_audit")
_LIST = "(SELECT unnest(?::VARCHAR[]))"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """What is not to be taken from the other store.

    Parameters
    ----------
    files, runs, pieces
        Identities of files, runs and pieces; of a file all runs are left out.
    parts
        Part and revision, joined by a line end.
    decided, moved
        Identities of runs whose decisions on points, or on serials, are left out.
    """

    files: frozenset[str] = frozenset()
    runs: frozenset[str] = frozenset()
    pieces: frozenset[str] = frozenset()
    parts: frozenset[str] = frozenset()
    decided: frozenset[str] = frozenset()
    moved: frozenset[str] = frozenset()


def merge(store: Store, other: Store, left_out: LeftOut, who: str) -> dict[str, int]:
    """Take what ``other``, attached beside this store, has and this store has not.

    Returns
    -------
    dict
        Rows taken of each table; empty where there is nothing new, and then nothing is written.
    """
    questions = _questions(left_out)
    new = {
        table: int(store.scalar(f"SELECT count(*) FROM ({question})", values))
        for table, (question, values) in questions.items()
    }
    if not any(new.values()):
        return {}
    with store.transaction():
        # What hangs on rows goes in first, while these are still new.
        taken = {t: store.copy_in(t, *questions[t]) for t in questions if new[t]}
        store.copy_in("merged_audit", _chains())
        audit.record(
            store, audit.MERGED, other.path.name, who, head=audit.head_of(other),
            left_out=sorted(left_out.files), **taken,
        )  # fmt: skip
    return taken


def _questions(left_out: LeftOut) -> dict[str, tuple[str, list[list[str]]]]:
    """Return, for each table, the SELECT of what is new in the other store, and its parameters."""
    told = {t: _new_rows(t, left_out) for t in described() if t not in (*_OWN, *_HANG_ON)}
    hanging = {t: _hanging(t, *on, told[on[1]]) for t, on in _HANG_ON.items()}
    return hanging | told


def _new_rows(table: str, left_out: LeftOut) -> tuple[str, list[list[str]]]:
    columns = described()[table][1]
    conditions = [
        (f"{expression} NOT IN {_LIST}", sorted(names))
        for expression, names in _unwanted(table, left_out)
    ]
    where = " AND ".join(condition for condition, _ in conditions) or "true"
    listed = ", ".join(columns)
    question = (
        f"SELECT {listed} FROM other.{table} WHERE {where} EXCEPT SELECT {listed} FROM {table}"
    )
    return question, [names for _, names in conditions]


def _unwanted(table: str, left_out: LeftOut) -> list[tuple[str, frozenset[str]]]:
    columns = described()[table][1]
    found = [
        (column, names)
        for column, names in (("run_id", left_out.runs), ("piece_id", left_out.pieces))
        if column in columns
    ]
    if "file_id" in columns and table != "gauge_study":
        found.append(("coalesce(file_id, '')", left_out.files))
    if {"part", "revision"} <= set(columns):
        found.append(("part || chr(10) || revision", left_out.parts))
    elif table == "signal":
        found.append(("part", frozenset(name.split("\n")[0] for name in left_out.parts)))
    if table in ("fit", "omission"):
        found.append(("run_id", left_out.decided))
    if table == "reassignment":
        found.append(("run_id", left_out.moved))
    return found


def _hanging(
    table: str, column: str, on: str, told: tuple[str, list[list[str]]]
) -> tuple[str, list[list[str]]]:
    question, values = told
    listed = ", ".join(described()[table][1])
    return (
        f"SELECT {listed} FROM other.{table} SEMI JOIN ({question}) USING ({column}) "
        f"ANTI JOIN {on} USING ({column})",
        values,
    )


def _chains() -> str:
    return """
        SELECT * FROM (SELECT * FROM other.audit UNION SELECT * FROM other.merged_audit)
        WHERE hash NOT IN (SELECT hash FROM audit UNION ALL SELECT hash FROM merged_audit)"""
