"""Seals: the rows of a table as one number, which any change by hand would move.

Each row has a number of its own, from its text; a table's seal is how many rows it has and the sum
of their numbers, so that neither the order of rows nor that of merging matters. Each entry of the
audit chain holds the seals of what it brought, and the sum over the chain is what must be there.

A seal finds what was changed, taken out or put in behind the chain. It is no signature: whoever can
write the chain anew can seal anew.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from spc.store.schema import described, typed

#: Tables with another proof: hits and deviations are worked out again, and the chains prove
#: themselves.
_PROVED = frozenset({"schema_version", "audit", "merged_audit", "hit", "deviation"})
#: Numbers of rows have 60 bits, and so have their sums.
_BITS = 60
_DIGITS = _BITS // 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """The rows of a table, or of some of them.

    Parameters
    ----------
    rows
        How many.
    total
        The sum of their numbers, modulo 2 to the 60.
    """

    rows: int = 0
    total: int = 0

    def __add__(self, other: "Seal") -> "Seal":
        total = (self.total + other.total) % (1 << _BITS)
        return Seal(rows=self.rows + other.rows, total=total)

    def as_told(self) -> list[int | str]:
        """Return it as an entry of the chain holds it."""
        return [self.rows, f"{self.total:0{_DIGITS}x}"]

    @classmethod
    def of_told(cls, told: tuple[int, str]) -> "Seal":
        """Return what an entry of the chain holds."""
        return cls(rows=int(told[0]), total=int(told[1], 16))

    @classmethod
    def of_sum(cls, rows: int, total: int) -> "Seal":
        """Return what the store answered to ``seal_question``."""
        return cls(rows=int(rows), total=int(total) % (1 << _BITS))


@cache
def sealed_tables() -> tuple[str, ...]:
    """Return the tables that are sealed."""
    return tuple(table for table in described() if table not in _PROVED)


def seal_question(table: str, source: str, held: Iterable[str] | None = None) -> str:
    """Return what to select for the number of rows of a table and the sum of their numbers.

    Parameters
    ----------
    table
        The table that the rows are of, or go into.
    source
        What to select them from.
    held
        Columns that ``source`` has, the others being empty; None for all.
    """
    there = None if held is None else set(held)
    texts = [
        f"CAST(CAST({column} AS {kind}) AS VARCHAR)" if there is None or column in there else "NULL"
        for column, kind in columns_of(table)
    ]
    # Each text with its length before it, so that nothing can pass from one column to the next.
    row = " || ".join(f"coalesce(length({text}) || ':' || {text}, '-')" for text in texts)
    number = f"CAST('0x' || left(sha256({row}), {_DIGITS}) AS BIGINT)"
    return f"count(*), coalesce(sum(CAST({number} AS HUGEINT)), 0) FROM {source}"


@cache
def columns_of(table: str) -> tuple[tuple[str, str], ...]:
    """Return name and type of a table's columns, in order."""
    return tuple((column, kind) for (of, column), kind in typed().items() if of == table)
