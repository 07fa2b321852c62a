"""Corrections of a piece from the command line's words."""

from collections.abc import Mapping

from spc.errors import InputError
from spc.store.audit import who_is_here
from spc.store.connection import Store
from spc.studies.corrections import Corrected, correct_serial, correct_words


def corrected(
    store: Store, piece: str, words: Mapping[str, str | None], serial: str | None,
    run: str | None, *, why: str, part: str | None,
) -> Corrected:  # fmt: skip
    """Correct words of a piece, or put its runs under another serial; one of them at a time."""
    said = {name: word for name, word in words.items() if word is not None}
    if serial is None and run is None:
        return correct_words(store, piece, said, why=why, who=who_is_here(), part=part)
    if serial is None or said:
        raise InputError(
            "--serial puts runs under another piece, and --run is of it; the words of a piece are "
            "another matter",
            do="correct the one first and then the other",
        )
    return correct_serial(store, piece, serial, run=run, why=why, who=who_is_here(), part=part)
