"""Which runs the limits stand on, and that in words."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.studies.moments import BATCH
from spc.studies.spans import in_span_of

#: Pieces or batches that the limits stand on where no baseline is named.
FIRST_PIECES, FIRST_BATCHES = 40, 12


def baseline_of(
    runs: pd.DataFrame, by: str, text: str | None, whole: pd.DataFrame | None = None
) -> tuple[npt.NDArray[np.bool_], str]:
    """Return which runs are in the baseline, and that in words.

    A baseline that is named is looked up among the runs of ``whole``, all moulds', where given.
    """
    if text is not None:
        inside = in_span_of(runs if whole is None else whole, runs, text)
        if not inside.any():
            raise InputError(f"no run lies in the baseline {text}", do="name another span")
        return inside, text
    if by == BATCH or (runs["batch"] != "").any():
        batch = runs["batch"].astype(object).where(runs["batch"] != "", runs["measured_at"].dt.date)
        codes = pd.factorize(batch)[0]
        n = min(FIRST_BATCHES, int(codes.max()) + 1)
        return codes < n, "the first batch" if n == 1 else f"the first {n} batches"
    n = min(FIRST_PIECES, len(runs))
    return np.arange(len(runs)) < n, "the first piece" if n == 1 else f"the first {n} pieces"
