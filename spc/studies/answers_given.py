"""Answers to signals as the store holds them, with what each was given on: batches or pieces."""

import pandas as pd

from spc.store import read
from spc.store.connection import Store
from spc.studies.moments import BATCH, PIECE

#: Column that says whether the subject of an answer is a batch or a piece; empty where it could be
#: either.
OF = "of"


def answers_given(store: Store, part: str) -> pd.DataFrame:
    """Return the answers to signals of a part; column ``of`` says what they were given on.

    A name counts that any row of the store ever gave: after a correction the answer still bears
    the old one.
    """
    answers = read.signal_rows(store, part)
    if answers.empty:
        return answers.assign(**{OF: pd.Series(dtype=object)})
    runs, pieces = (read.table(store, name) for name in ("run", "piece"))
    moved = read.table(store, "reassignment")
    runs, pieces = runs[runs["part"] == part], pieces[pieces["part"] == part]
    serials = {*runs["serial"], *pieces["serial"], *moved["serial"]}
    batches = {*runs["batch"], *pieces["batch"]} - {""}
    return answers.assign(**{OF: [_of(str(s), serials, batches) for s in answers["subject"]]})


def _of(subject: str, serials: set[str], batches: set[str]) -> str:
    """Tell what a name is; what is neither is a day, which stands for a batch."""
    if subject in serials:
        return "" if subject in batches else PIECE
    return BATCH
