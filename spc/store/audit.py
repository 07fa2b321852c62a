"""The audit chain: every change to the store is a row whose hash covers the row before it."""

import getpass
import hashlib
import json
from datetime import datetime
from typing import Any

import pandas as pd

from spc import __version__
from spc.store.connection import Store, now

#: The hash before the first row.
START = "0" * 64


def who_is_here() -> str:
    """Return the name of the person at this computer, or 'unknown'."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "unknown"


def record(store: Store, action: str, subject: str, who: str, **detail: Any) -> None:
    """Append one row to the chain, inside the open transaction."""
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
    chain = store.frame("SELECT * FROM audit ORDER BY seq").to_dict("records")
    broken, previous = [], START
    for place, row in enumerate(chain, start=1):
        expected = row_hash(
            int(row["seq"]),
            row["written_at"].to_pydatetime(),
            row["who"],
            row["action"],
            row["subject"],
            row["detail"],
            row["tool_version"],
            previous,
        )
        if row["seq"] != place or row["previous"] != previous or row["hash"] != expected:
            broken.append(place)
        previous = str(row["hash"])
    return broken
