"""The errors that people meet, each one line: what, where, and what to do.

    SpcError                    any refusal; the command line prints it and exits with 2
    ├── InputError              a file that cannot be taken (file, row, column)
    ├── PlanError               a measurement plan that cannot be measured or fitted
    ├── StoreError              the store is locked, of another version, or damaged
    │   └── BusyError           another program holds the store longer than it was waited for
    ├── NotFoundError           a part, run, point, study or month that the store does not hold
    └── DataError               numbers that a computation cannot use (also a ValueError)

A result that the data cannot support is not an error: it comes back in words inside the result.
"""


class SpcError(Exception):
    """Any refusal of this project, told in one line."""


#: What a file holds is told up to this length; a field of a broken one may be megabytes.
_LONGEST = 300


def _short(text: str) -> str:
    half = _LONGEST // 2
    return text if len(text) <= _LONGEST else f"{text[:half]}…{text[-half:]}"


class InputError(SpcError):
    """A file that cannot be taken: where, what is wrong, and what to do.

    Parameters
    ----------
    what
        What is wrong, in one sentence without a full stop.
    file
        Name of the file as the user gave it.
    row
        Line of the file, counted from 1 with the header as line 1.
    column
        Name of the column.
    do
        What the user can do about it.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        row: int | None = None,
        column: str | None = None,
        do: str | None = None,
    ) -> None:
        what, column = _short(what), column and _short(column)
        self.what, self.file, self.row, self.column, self.do = what, file, row, column, do
        place = [file] if file else []
        place += [f"row {row}"] if row is not None else []
        place += [f"column '{column}'"] if column else []
        where = ", ".join(place)
        super().__init__((f"{where}: " if where else "") + what + (f"; {do}" if do else ""))


class PlanError(InputError):
    """A measurement plan that cannot be read, measured or fitted."""


class StoreError(SpcError):
    """The store cannot be used as it is: locked, of another version, or damaged."""


class BusyError(StoreError):
    """Another program holds the store; a moment later it may not."""


class NotFoundError(SpcError):
    """Something asked for by name that the store does not hold."""


class DataError(SpcError, ValueError):
    """Numbers that a computation cannot use; says which value or interval is wrong."""
