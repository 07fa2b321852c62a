"""The audit chain: every change to the store is a row whose hash covers the row before it."""

import getpass
import hashlib
import json
from datetime import datetime
from typing import Any

import pandas as pd

from spc import __version__
from spc.store.connection import Store, now
from spc.store.seals import Seal

#: The hash before the first row.
START = "0" * 64
#: Actions that other parts of the store read again.
FILE_TAKEN, MERGED = "file taken", "store merged"


def who_is_here() -> str:
    """Return the name of the person at this computer, or 'unknown'."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "unknown"


def record(store: Store, action: str, subject: str, who: str, **detail: Any) -> None:
    """Append one row to the chain, inside the open transaction, with seals of what it brought."""
    if brought := store.brought():
        detail["brought"] = _as_told(brought)
    last = store.frame("SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1")
    seq = int(last["seq"].iloc[0]) + 1 if len(last) else 1
    previous = str(last["hash"].iloc[0]) if len(last) else START
    at = now()
    text = json.dumps(detail, ensure_ascii=False, sort_keys=True, default=str)
    row = (seq, at, who, action, subject, text, __version__, previous)
    columns = [
        "seq",
        "written_at",
        "who",
        "action",
        "subject",
        "detail",
        "tool_version",
        "previous",
    ]
    store.insert("audit", pd.DataFrame([(*row, row_hash(*row))], columns=[*columns, "hash"]))


def _as_told(seals: dict[str, Seal]) -> dict[str, list[int | str]]:
    return {table: seal.as_told() for table, seal in seals.items()}


def record_all(store: Store, action: str, subject: str, who: str, **detail: Any) -> None:
    """Append one row as ``record`` does, with seals of all that is there.

    What was there before was written without seals, or in tables of another form.
    """
    store.brought()
    record(store, action, subject, who, held=_as_told(store.held()), **detail)


def row_hash(
    seq: int,
    at: datetime,
    who: str,
    action: str,
    subject: str,
    detail: str,
    tool_version: str,
    previous: str,
) -> str:
    """Return the hash of one row of the chain."""
    text = json.dumps(
        [
            seq,
            at.isoformat(timespec="microseconds"),
            who,
            action,
            subject,
            detail,
            tool_version,
            previous,
        ],
        ensure_ascii=False,
    )
    return hashlib.sha256(text.encode()).hexdigest()


def broken_links(store: Store) -> list[int]:
    """Return the places in the chain where a row does not match its hash or its predecessor."""
    broken, previous = [], START
    for place, row in enumerate(_rows(store, "audit"), start=1):
        sound = row["hash"] == _expected(row, previous)
        if row["seq"] != place or row["previous"] != previous or not sound:
            broken.append(place)
        previous = str(row["hash"])
    return broken


def broken_merged(store: Store) -> list[str]:
    """Return what is wrong with the chains that were merged into this store, one line a row.

    Chains may have begun as one, where a store was copied and both copies went on; so each row has
    to follow a row that is known, and the last of each chain, which this store's own chain names,
    has to be there.
    """
    merged, own = _rows(store, "merged_audit"), _rows(store, "audit")
    known = {START, *(str(row["hash"]) for row in [*merged, *own])}
    wrong = [
        f"entry {row['seq']} ({row['action']} {row['subject']}) is not as it was written"
        for row in merged
        if row["hash"] != _expected(row, str(row["previous"]))
    ]
    wrong += [
        f"the entry before entry {row['seq']} ({row['action']} {row['subject']}) is gone"
        for row in merged
        if row["previous"] not in known
    ]
    heads = [json.loads(row["detail"])["head"] for row in own if row["action"] == MERGED]
    return [*wrong, *(f"the end of a chain ({head[:8]}) is gone" for head in heads
                      if head not in known)]  # fmt: skip


def told_seals(store: Store) -> dict[str, Seal]:
    """Return the seal of each table as this store's own chain tells it."""
    told: dict[str, Seal] = {}
    for row in _rows(store, "audit"):
        detail = json.loads(row["detail"])
        if "held" in detail:
            told = _of_told(detail["held"])
        for table, seal in _of_told(detail.get("brought", {})).items():
            told[table] = told.get(table, Seal()) + seal
    return told


def told_by_file(store: Store, table: str) -> dict[str, Seal]:
    """Return the seals of what each file brought to a table, as this store's own chain tells it.

    Files that a merged store took as well are left out: their rows may be there twice.
    """
    told: dict[str, Seal] = {}
    for row in _rows(store, "audit"):
        detail = json.loads(row["detail"])
        if "held" in detail:
            told = {}
        if row["action"] == FILE_TAKEN and table in detail.get("brought", {}):
            told[str(detail["file_id"])] = Seal.of_told(detail["brought"][table])
    merged = (row for row in _rows(store, "merged_audit") if row["action"] == FILE_TAKEN)
    elsewhere = {json.loads(row["detail"]).get("file_id") for row in merged}
    return {file_id: seal for file_id, seal in told.items() if file_id not in elsewhere}


def _of_told(told: dict[str, Any]) -> dict[str, Seal]:
    return {table: Seal.of_told(seal) for table, seal in told.items()}


def head_of(store: Store) -> str:
    """Return the hash of the chain's last row."""
    return str(store.scalar("SELECT hash FROM audit ORDER BY seq DESC LIMIT 1") or START)


def has_entry(store: Store, known: str) -> bool:
    """Tell whether an entry of this store's chain, or of one merged into it, has this hash.

    Parameters
    ----------
    store
        The store.
    known
        The hash, or its beginning.
    """
    chains = "(SELECT hash FROM audit UNION ALL SELECT hash FROM merged_audit)"
    found = f"SELECT count(*) FROM {chains} WHERE starts_with(hash, ?)"
    return bool(store.scalar(found, [known]))


def counts_by_file(store: Store) -> dict[str, list[dict[str, int]]]:
    """Return, for each file that a chain says was taken, the rows it brought to each table.

    Where stores were merged a file may have been taken at several stations, each time anew; what
    it brought elsewhere does not count where it was left out of the merge.
    """
    found: dict[str, list[dict[str, int]]] = {}
    left_out = files_left_out(store)
    for table in ("merged_audit", "audit"):
        for row in _rows(store, table):
            detail = json.loads(row["detail"])
            counts = {t: n for t, n in detail.items() if isinstance(n, int)}
            own = table == "audit" or detail.get("file_id") not in left_out
            if row["action"] == FILE_TAKEN and own:
                found.setdefault(str(detail["file_id"]), []).append(counts)
    return found


def files_left_out(store: Store) -> set[str]:
    """Return files of merged stores that were left out, since they contradicted this one."""
    merges = [row for row in _rows(store, "audit") if row["action"] == MERGED]
    merges += [row for row in _rows(store, "merged_audit") if row["action"] == MERGED]
    return {str(name) for row in merges for name in json.loads(row["detail"])["left_out"]}


def _rows(store: Store, table: str) -> list[dict[str, Any]]:
    rows: list[Any] = store.frame(f"SELECT * FROM {table} ORDER BY seq, hash").to_dict("records")
    return rows


def _expected(row: dict[str, Any], previous: str) -> str:
    return row_hash(
        int(row["seq"]),
        row["written_at"].to_pydatetime(),
        row["who"],
        row["action"],
        row["subject"],
        row["detail"],
        row["tool_version"],
        previous,
    )
