"""The batch that each run's piece came from; pieces without one are taken by the day."""

import numpy as np
import numpy.typing as npt
import pandas as pd

#: Batches looked at where no span is named: the newest ones.
LAST_BATCHES = 12


def lots(runs: pd.DataFrame) -> tuple[str, ...]:
    """Return one label a run: mould and batch, or mould and day where the batch is not known.

    Parameters
    ----------
    runs
        Columns mould, batch and measured_at.
    """
    return tuple((runs["mould"].astype(str) + " " + _batch_or_day(runs)).str.strip())


def last_batches(
    runs: pd.DataFrame, batches: int = LAST_BATCHES
) -> tuple[npt.NDArray[np.bool_], str]:
    """Return the runs of the newest batches, and that in words."""
    codes = pd.factorize(_batch_or_day(runs))[0]
    first = max(0, int(codes.max()) + 1 - batches)
    return codes >= first, f"the last {int(codes.max()) + 1 - first} batches"


def without_batch(runs: pd.DataFrame) -> int:
    """Return how many runs are of pieces whose batch is not known."""
    return int((runs["batch"] == "").sum())


def _batch_or_day(runs: pd.DataFrame) -> "pd.Series[str]":
    day = runs["measured_at"].dt.strftime("no batch, %Y-%m-%d").astype(object)
    return runs["batch"].astype(object).where(runs["batch"] != "", day).astype(str)
