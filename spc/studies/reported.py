"""Results that were fitted elsewhere: kept as they came, with the fit's figures worked out."""

import numpy as np
import pandas as pd

from spc import __version__
from spc.identity import content_hash
from spc.plan import CHECK, FIT, Plan


def reported_rows(
    plan: Plan, values: pd.DataFrame, rows: "pd.Series[int]", run_ids: list[str], at: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the store's rows for deviations that a file brought ready.

    A fit point's residual is the file's ``residual`` where it gives one, else its deviation: after
    a fit the deviation of a fit point is what the fit left. Fit points are those with weight.
    """
    role = {p.id: FIT if p.role == FIT and p.weight > 0 else CHECK for p in plan.points}
    fit_ids = np.array(
        [content_hash("fit", run, plan.plan_id, "file") for run in run_ids], dtype=object
    )
    where = rows.to_numpy()
    deviation = pd.DataFrame(
        {
            "fit_id": fit_ids[where],
            "run_id": np.array(run_ids, dtype=object)[where],
            "point": values["point"].to_numpy(),
            "role": values["point"].map(role).to_numpy(),
            "deviation": values["deviation"].to_numpy(),
            "hits": 0,
            "hit_sd": np.nan,
            "tangential": np.nan,
        }
    )
    left = values["residual"].fillna(values["deviation"]).to_numpy()
    deviation["residual"] = np.where(deviation["role"] == FIT, left, np.nan)
    return _fit_rows(plan, deviation, run_ids, list(fit_ids), at), deviation


def _fit_rows(
    plan: Plan, deviation: pd.DataFrame, run_ids: list[str], fit_ids: list[str], at: pd.Timestamp
) -> pd.DataFrame:
    weight = {p.id: p.weight for p in plan.points}
    held = deviation[deviation["role"] == FIT]
    squares = held["residual"] ** 2 * held["point"].map(weight)
    groups = held["run_id"]
    worst = held.loc[held["residual"].abs().groupby(groups).idxmax()].set_index("run_id")
    frame = pd.DataFrame({"run_id": run_ids, "fit_id": fit_ids})
    frame["n_points"] = frame["run_id"].map(groups.value_counts()).fillna(0).astype(int)
    frame["ssr"] = frame["run_id"].map(squares.groupby(groups).sum())
    frame["dof"] = (frame["n_points"] - 6).clip(lower=0)
    spare = frame["dof"].where(frame["dof"] > 0)
    frame["noise"] = np.sqrt(frame["ssr"] / spare)
    frame["worst_point"] = frame["run_id"].map(worst["point"]).astype(object).fillna("")
    frame["worst_residual"] = frame["run_id"].map(worst["residual"])
    return frame.assign(
        plan_id=plan.plan_id,
        result_set="",
        origin="file",
        method="",
        omitted="",
        hit_sd=np.nan,
        hit_dof=0,
        iterations=0,
        rotation="",
        translation="",
        fitted_at=at,
        tool_version=__version__,
    )
