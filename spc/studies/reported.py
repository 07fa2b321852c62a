"""Results that were fitted elsewhere: kept as they came, with the fit's figures worked out."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc import __version__
from spc.identity import content_hash
from spc.plan import CHECK, FIT, Plan
from spc.studies.arrays import columns_of, named

#: Lengths that differ by no more are the same to the nanometre, mm.
NOTHING = 0.5e-6


def left_by_fits(values: pd.DataFrame, plans: Sequence[Plan]) -> "pd.Series[float]":
    """Return the residuals that say more than the deviations do, NaN where they do not.

    After a fit the deviation of a fit point is what the fit left, so a residual says more only at a
    fit point and where it differs.

    Parameters
    ----------
    values
        key, point, deviation and residual (mm, NaN where the file gives none).
    plans
        The plan of each run, by ``key``.
    """
    # Many runs share a few plans: what each plan holds is looked up once.
    different = {p.plan_id: p for p in plans}.values()
    held = {p.plan_id: columns_of(values["point"], _held(p)) >= 0 for p in different}
    which = np.array([p.plan_id for p in plans])[values["key"].to_numpy()]
    at_fit = np.zeros(len(values), dtype=np.bool_)
    for plan, points in held.items():
        at_fit |= points & (which == plan)
    more = (values["residual"] - values["deviation"]).abs() > NOTHING
    return values["residual"].where(at_fit & more)


def _held(plan: Plan) -> tuple[str, ...]:
    return tuple(p.id for p in plan.points if p.role == FIT and p.weight > 0)


def reported_rows(
    plan: Plan,
    values: pd.DataFrame,
    rows: npt.NDArray[np.int64],
    run_ids: list[str],
    at: pd.Timestamp,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the store's rows for deviations that a file brought ready.

    A fit point's residual is the file's ``residual`` where it gives one, else its deviation. Fit
    points are those with weight.
    """
    fit_ids = [reported_identity(run, plan.plan_id) for run in run_ids]
    held = columns_of(values["point"], _held(plan)) >= 0
    left = values["residual"].fillna(values["deviation"]).to_numpy()
    deviation = pd.DataFrame(
        {
            "fit_id": named(rows, fit_ids),
            "run_id": named(rows, run_ids),
            "point": values["point"].to_numpy(),
            "role": np.where(held, FIT, CHECK),
            "deviation": values["deviation"].to_numpy(),
            "residual": np.where(held, left, np.nan),
            "hits": 0,
            "hit_sd": np.nan,
            "tangential": np.nan,
        }
    )
    return _fit_rows(plan, deviation, run_ids, fit_ids, at), deviation


def reported_identity(run_id: str, plan_id: str) -> str:
    """Return the identity of a fit that a file brought ready."""
    return content_hash("fit", run_id, plan_id, "file")


def _fit_rows(
    plan: Plan, deviation: pd.DataFrame, run_ids: list[str], fit_ids: list[str], at: pd.Timestamp
) -> pd.DataFrame:
    weight = {p.id: p.weight for p in plan.points}
    held = deviation[deviation["role"] == FIT].astype({"run_id": object})
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
