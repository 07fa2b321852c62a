"""Histories laid out by hand, without a store: what the charts read, as the store would give it."""

import tomllib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from helpers import fill
from numpy.typing import ArrayLike
from strategies import Array, box, csv_text, plan_toml

from spc.demo.scenario import Scenario
from spc.ingest.plan_toml import plan_from
from spc.plan import Plan
from spc.studies.arrays import plan_arrays
from spc.studies.fitting import fit_hits
from spc.studies.history import History

NO_EVENTS = pd.DataFrame(
    {
        "happened_at": pd.Series(dtype="datetime64[us]"),
        "kind": pd.Series(dtype=object),
        "mould": pd.Series(dtype=object),
        "note": pd.Series(dtype=object),
    }
)


def history(
    deviations: ArrayLike,
    *,
    plan: Plan | None = None,
    batches: Sequence[str] | None = None,
    moulds: Sequence[str] | str = "M1",
    cavities: Sequence[str] | str = "",
    times: Sequence[object] | None = None,
    hours: ArrayLike | None = None,
    noise: ArrayLike | None = None,
) -> History:
    """Return a history of deviations (runs, points), mm: fit points first, as in the plan.

    One piece a day in a batch of its own, taken in as it is measured, unless said otherwise.
    """
    values = np.asarray(deviations, dtype=np.float64)
    n = len(values)
    used = plan or box(values.shape[1] - 9)
    assert len(used.points) == values.shape[1]
    start = np.datetime64("2026-01-05T08:00:00", "us")
    when = start + np.arange(n) * np.timedelta64(1, "D") if times is None else times
    fit = values[:, : len(used.fit_points)]
    runs = pd.DataFrame(
        {
            "run_id": [f"run-{k}" for k in range(n)],
            "serial": [f"P{k:05d}" for k in range(n)],
            "run": [f"P{k:05d}-1" for k in range(n)],
            "batch": list(batches) if batches is not None else [f"B{k:05d}" for k in range(n)],
            "mould": [moulds] * n if isinstance(moulds, str) else list(moulds),
            "cavity": [cavities] * n if isinstance(cavities, str) else list(cavities),
            "measured_at": pd.Series(np.asarray(when, dtype="datetime64[us]")),
            "taken_at": pd.Series(np.asarray(when, dtype="datetime64[us]")),
            "hours_since_moulding": np.full(n, np.nan) if hours is None else np.asarray(hours),
            "noise": np.sqrt((fit**2).sum(axis=1) / 3) if noise is None else np.asarray(noise),
            "worst_residual": np.abs(fit).max(axis=1, initial=0.0),
            "hit_sd": np.full(n, np.nan),
        }
    )
    nothing: Array = np.full(values.shape, np.nan)
    return History(
        plan=used, geometry=plan_arrays(used), runs=runs, deviations=values, hit_sd=nothing,
        hits=nothing, superseded=0, unaligned=0, undated=0,
    )  # fmt: skip


def simulated(scenario: Scenario) -> History:
    """Return a scenario's production as a history: its hits fitted as the intake fits them.

    Only runs that stand in force are of use: simulate with nothing wrong, or take the result as
    holding the knocked run too.
    """
    plan = plan_from(tomllib.loads(scenario.plan), scenario.plan, "plan.toml")[0]
    infos = [run for sheet in scenario.sheets for run in sheet.runs]
    fitted = fit_hits(plan, np.concatenate([sheet.hits for sheet in scenario.sheets]))
    fit, n = fitted.fit, len(infos)
    when = pd.to_datetime([run.measured_at for run in infos], utc=True).tz_localize(None)
    runs = pd.DataFrame(
        {
            "run_id": [run.run for run in infos],
            "serial": [run.serial for run in infos],
            "run": [run.run for run in infos],
            "batch": [run.batch for run in infos],
            "mould": [run.mould for run in infos],
            "measured_at": pd.Series(when).astype("datetime64[us]"),
            "hours_since_moulding": [run.hours_since_moulding for run in infos],
            "noise": fit.sigma,
            "worst_residual": fit.deviations[np.arange(n), fit.worst],
            "hit_sd": fitted.spread.pooled,
        }
    )
    order = runs.sort_values(["measured_at", "serial"], kind="stable").index.to_numpy()
    return History(
        plan=plan, geometry=plan_arrays(plan), runs=runs.loc[order].reset_index(drop=True),
        deviations=fit.deviations[order], hit_sd=fitted.spread.sd[order],
        hits=fitted.counts[order], superseded=0, unaligned=0, undated=0,
    )  # fmt: skip


def stored(folder: Path, past: History, name: str = "spc") -> Path:
    """Return a store that holds the same history, taken in from a file of ready deviations."""
    runs, points = past.runs, past.plan.points
    rows = [
        {
            "part": past.plan.part, "revision": past.plan.revision, "unit": "mm",
            "serial": run.serial, "run": run.run, "batch": run.batch, "mould": run.mould,
            "cavity": run.cavity, "measured_at": f"{run.measured_at.isoformat()}Z",
            "hours_since_moulding": "" if np.isnan(run.hours_since_moulding)
            else repr(float(run.hours_since_moulding)),
            "point": point.id, "deviation": repr(float(past.deviations[r, c])),
        }
        for r, run in enumerate(runs.itertuples())
        for c, point in enumerate(points)
        if np.isfinite(past.deviations[r, c])
    ]  # fmt: skip
    (folder / f"{name}.toml").write_text(plan_toml(past.plan), encoding="utf-8")
    (folder / f"{name}.csv").write_text(csv_text(rows), encoding="utf-8")
    store = folder / f"{name}.duckdb"
    fill(store, [folder / f"{name}.csv"], plan=folder / f"{name}.toml")
    return store
