"""Tables whose columns are stored apart, brought into the form that a delimited text comes in."""

from collections.abc import Sequence

import pandas as pd

from spc.errors import InputError
from spc.ingest.text import LINE, TextTable, check_header

#: A value longer than this is no name, number or time.
LONGEST_VALUE = 10_000


def typed_table(
    frame: pd.DataFrame, lines: Sequence[int], *, name: str, file_id: str, size: int,
    decimals: dict[str, int], dressed: dict[str, int] | None = None, head: int = 1,
) -> TextTable:  # fmt: skip
    """Return a table of text with its lines.

    Parameters
    ----------
    frame
        Text, one column a field.
    lines
        The line or row of the file that each row stands on.
    name, file_id, size
        The file's name, SHA-256 and bytes.
    decimals, dressed
        As in ``TextTable``.
    head
        Row of the header.

    Raises
    ------
    InputError
        For a header that names a column twice, a file without rows, and values that are no values.
    """
    header = [str(c).strip() or f"column {at}" for at, c in enumerate(frame.columns, start=1)]
    check_header(header, name, head)
    if frame.empty:
        raise InputError("a header but no rows", file=name, do="export it again")
    frame = frame.set_axis(header, axis=1)
    for column in header:
        long = frame[column].str.len() > LONGEST_VALUE
        if long.any():
            raise InputError(
                f"a value of more than {LONGEST_VALUE} characters", file=name,
                row=int(lines[int(long.to_numpy().argmax())]), column=column,
                do="no name, number or time is so long",
            )  # fmt: skip
    frame[LINE] = list(lines)
    return TextTable(
        name=name, file_id=file_id, size=size, frame=frame, separator="",
        decimals={c.strip(): line for c, line in decimals.items()},
        dressed={c.strip(): line for c, line in (dressed or {}).items()},
    )  # fmt: skip
