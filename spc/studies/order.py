"""The order of time: by measuring, or by moulding."""

from dataclasses import replace

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.studies.history import History
from spc.studies.moments import MEASURED_AT

MEASURED, MOULDED = "measured", "moulded"


def in_order(past: History, order: str) -> History:
    """Return the history in the order asked for.

    By moulding, each run stands at its measuring time less the hours since moulding; a week's
    pieces measured in one sitting then do not show the arm's day as the process. Runs whose age is
    unknown cannot be placed and are left out (counted as undated).

    Raises
    ------
    InputError
        For an unknown order, or where no run knows its age.
    """
    if order == MEASURED:
        return past
    if order != MOULDED:
        raise InputError(f"the order '{order}'", do=f"use {MEASURED} or {MOULDED}")
    known = np.asarray(past.runs["hours_since_moulding"].notna())
    if not known.any():
        raise InputError(
            "no run says how old its piece was", do="fill in hours_since_moulding, or use measured"
        )
    aged = past.where(known)
    hours = pd.to_timedelta(aged.runs["hours_since_moulding"], unit="h").dt.round("s")
    moulded = (aged.runs["measured_at"] - hours).to_numpy(dtype="datetime64[us]")
    by_time = np.argsort(moulded, kind="stable")
    runs = aged.runs.assign(measured_at=moulded)
    runs[MEASURED_AT] = aged.runs["measured_at"]
    runs = runs.iloc[by_time].reset_index(drop=True)
    return replace(
        aged, runs=runs, deviations=aged.deviations[by_time], hit_sd=aged.hit_sd[by_time],
        hits=aged.hits[by_time], undated=aged.undated + int((~known).sum()),
    )  # fmt: skip
