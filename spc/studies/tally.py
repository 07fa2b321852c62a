"""Re-measures and omissions counted by month and operator: a rising count is itself a signal."""

from dataclasses import dataclass

import pandas as pd

from spc.store import read
from spc.store.connection import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Counts of one operator in one month (of the run's measuring time, UTC).

    Parameters
    ----------
    month, operator
        Whose and when.
    runs
        Production runs.
    remeasured
        Runs that were measured again later.
    omitted
        Points left out of fits and still out.
    forced
        Of these, against the advice of the data.
    """

    month: str
    operator: str
    runs: int
    remeasured: int
    omitted: int
    forced: int


def tally(store: Store, part: str | None = None) -> tuple[Tally, ...]:
    """Count re-measures and omissions of production runs."""
    runs = read.runs(store, part)
    runs = runs[(runs["study"] == "") & runs["measured_at"].notna()]
    if runs.empty:
        return ()
    last = read.omissions(store).drop_duplicates(["run_id", "point"], keep="last")
    out = last[last["action"] == "omit"]
    counted = pd.DataFrame(
        {
            "month": runs["measured_at"].dt.strftime("%Y-%m"),
            "operator": runs["operator"],
            "runs": 1,
            "remeasured": runs["superseded"].astype(int),
            "omitted": runs["run_id"].map(out["run_id"].value_counts()).fillna(0).astype(int),
            "forced": runs["run_id"]
            .map(out[out["forced"].astype(bool)]["run_id"].value_counts())
            .fillna(0)
            .astype(int),
        }
    )
    sums = counted.groupby(["month", "operator"], sort=True).sum().reset_index()
    return tuple(Tally(**{str(k): v for k, v in row.items()}) for row in sums.to_dict("records"))
