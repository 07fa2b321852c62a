"""Files of a followed folder that could not be taken: a list, with the reason of each."""

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from spc import __version__
from spc.store import inventory, write
from spc.store.connection import Store, now


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedFile:
    """A file that could not be taken and is still to be put right.

    Parameters
    ----------
    name, file_id, bytes
        Its name, SHA-256 and size when it was last tried.
    reason
        Why, in one line.
    rejected_at, rejected_by
        When, UTC, and who followed the folder.
    """

    name: str
    file_id: str
    bytes: int
    reason: str
    rejected_at: datetime
    rejected_by: str


def rejected_files(store: Store) -> tuple[RejectedFile, ...]:
    """Return the files that are still to be put right, the longest rejected first.

    A file is off the list once it was taken, or another one of its name was.
    """
    columns = list(RejectedFile.__dataclass_fields__)
    return tuple(
        RejectedFile(**{c: row[c] for c in columns if c != "rejected_at"},
                     rejected_at=row["rejected_at"].to_pydatetime())
        for row in inventory.rejected_files(store)[columns].to_dict("records")
    )  # fmt: skip


def reject(store: Store, name: str, file_id: str, size: int, reason: str, who: str) -> bool:
    """Put a file on the list; return False where it stands there for this reason already."""
    known = inventory.rejected_files(store)
    same = (known["name"] == name) & (known["file_id"] == file_id) & (known["reason"] == reason)
    if same.any():
        return False
    row = {
        "file_id": file_id, "name": name, "bytes": size, "reason": reason, "rejected_at": now(),
        "rejected_by": who, "tool_version": __version__,
    }  # fmt: skip
    write.append(
        store, {"rejected_file": pd.DataFrame([row])}, action="file rejected", subject=name,
        who=who, file_id=file_id, reason=reason,
    )  # fmt: skip
    return True
