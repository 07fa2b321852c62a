"""Whether what was wrong with a measurement is there again when the piece is measured once more."""

from typing import Any

import numpy as np
import pandas as pd

from spc.store.connection import Store
from spc.studies.advice import HIT, TOUCH
from spc.studies.history import History
from spc.studies.review import reviewed
from spc.studies.reviewed import Review

#: A fault reads the same where its size differs by less than this share of it (common practice, no
#: published source): a slip of the hand or dirt does not come back at one point in one size.
ALIKE = 0.5


def same_as_before(
    store: Store, found: Review, row: Any, runs: pd.DataFrame, past: History | None
) -> bool:
    """Tell whether the run before of the same piece shows the same fault of the probing.

    Parameters
    ----------
    store
        An open store.
    found, row
        The run reviewed, and as the store has it.
    runs
        Every run of the part with ``when`` it was measured.
    past
        The part's production history; None without one.
    """
    if found.advice.cause not in (HIT, TOUCH):
        return False
    mine = runs[(runs["piece_id"] == row["piece_id"]) & (runs["when"] < row["when"])]
    if mine.empty or not isinstance(mine.iloc[-1]["fit_id"], str):
        return False
    # As it was seen then: this run, so like it, would make it look usual.
    then = past and past.where(np.asarray(past.runs["measured_at"] < row["when"]))
    return stays(found, reviewed(store, mine.iloc[-1], then))


def stays(found: Review, before: Review) -> bool:
    """Tell whether an earlier measurement of the piece shows the same fault at the same points.

    What probing again does not change is no fault of the probing: it is on the piece.
    """
    if found.advice.cause not in (HIT, TOUCH) or before.advice.cause != found.advice.cause:
        return False
    now, then = _sizes(found), _sizes(before)
    return set(now) == set(then) and all(
        abs(size - then[point]) < ALIKE * max(abs(size), abs(then[point]))
        for point, size in now.items()
    )


def _sizes(found: Review) -> dict[str, float]:
    """Return how far off each named point is, mm."""
    if found.advice.cause == HIT:
        return {s.point: s.off for s in found.suspects}
    off = {o.point: o.deviation for o in found.omissions}
    return {point: off[point] for point in found.advice.points}
