"""Names that look like known ones and are others: two pieces on record where there is one."""

import unicodedata
from collections.abc import Iterable, Iterator

import pandas as pd

from spc.identity import looks
from spc.store import read
from spc.store.connection import Store

#: Names that a person types, or a card reader writes, again and again.
_WORDS = ("serial", "mould", "cavity", "batch", "operator", "device")
#: Things of one sort that are told one by one.
_TOLD = 3


def look_alikes(store: Store, fresh: pd.DataFrame, held: pd.DataFrame) -> list[str]:
    """Say which new names differ from known ones by what is hard to see.

    Capitals, blanks, wide or narrow forms, and accents that are one character or two (the forms of
    Unicode Standard Annex 15). Nothing is changed: 'k1' and 'K1' may be two moulds.

    Parameters
    ----------
    store
        An open store.
    fresh
        Runs that a file brings.
    held
        The store's runs, as ``read.known_runs`` returns them.
    """
    pieces = read.known_pieces(store)
    known = {word: held[word] if word in held else pieces[word] for word in _WORDS}
    told = [f"{word} {pair}" for word in _WORDS for pair in _pairs(known[word], fresh[word])]
    more = [f"and {len(told) - _TOLD} more names that look alike"] if len(told) > _TOLD else []
    return [*told[:_TOLD], *more]


def _pairs(known: Iterable[str], new: Iterable[str]) -> Iterator[str]:
    exactly = {"", *known}
    there = {looks(name): name for name in sorted(exactly)}
    for name in dict.fromkeys(new):
        other = name if name in exactly else there.setdefault(looks(name), name)
        if other != name:
            yield f"'{name}' is another name than '{other}', which looks like it{_how(name, other)}"


def _how(name: str, other: str) -> str:
    """Say what cannot be seen at all."""
    if unicodedata.normalize("NFC", name) == unicodedata.normalize("NFC", other):
        return ": its accents are written as characters of their own in one of the two"
    return ""
