"""Hits that do not belong to their point: told from the part by the spread within the triangle."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.hits import hit_deviations_of

#: Chance that a run with nothing wrong is named, over all its points together.
FALSE_ALARM = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectHit:
    """A point whose hits spread far more than those of the other points of its run.

    Parameters
    ----------
    run_id, run, serial, batch
        The run.
    measured_at
        Its time, UTC.
    operator
        Who probed.
    point, role
        The point.
    hit
        Number of the hit farthest from the point's others; 0 where only two were probed.
    off
        How far it lies from the mean of the others along the normal, mm, signed.
    spread
        Standard deviation of the point's hits, mm.
    usual
        Pooled standard deviation of the hits of the run's other points, mm.
    p
        Chance of such a spread at any of the run's points with nothing wrong.
    """

    run_id: str
    run: str
    serial: str
    batch: str
    measured_at: datetime
    operator: str
    point: str
    role: str
    hit: int
    off: float
    spread: float
    usual: float
    p: float


def suspect_hits(store: Store, past: History) -> tuple[SuspectHit, ...]:
    """Return suspect hits of a history, the earliest first.

    The variance of a point's hits is compared with the pooled variance of the run's other points
    by F; both hold nothing but probing and texture, whatever the part's shape.
    """
    p, usual = spread_test(past.hit_sd, past.hits)
    run, point = np.nonzero(p < FALSE_ALARM)
    if not run.size:
        return ()
    flagged = past.where(np.isin(np.arange(len(past.runs)), run))
    deviations, numbers = hit_deviations_of(store, flagged)
    place = {int(r): at for at, r in enumerate(np.unique(run))}
    return tuple(
        _suspect(past, int(r), int(c), deviations[place[int(r)], c], numbers[place[int(r)], c],
                 float(usual[r, c]), float(p[r, c]))
        for r, c in zip(run, point, strict=True)
    )  # fmt: skip


def spread_test(hit_sd: Array, hits: Array) -> tuple[Array, Array]:
    """Test each point's hit spread against the rest of its run.

    Parameters
    ----------
    hit_sd, hits
        (runs, points), standard deviation of the point's hits in mm and their number.

    Returns
    -------
    p, usual
        (runs, points): chance of such a spread somewhere in the run (Bonferroni over its points),
        1 where it cannot be tested; pooled standard deviation of the others, mm.
    """
    from scipy.special import fdtrc

    dof = np.where(np.isfinite(hit_sd), np.maximum(np.nan_to_num(hits) - 1, 0), 0.0)
    squares = np.where(dof > 0, np.nan_to_num(hit_sd) ** 2 * dof, 0.0)
    rest_dof = dof.sum(axis=1, keepdims=True) - dof
    rest = squares.sum(axis=1, keepdims=True) - squares
    able = (dof > 0) & (rest_dof > 0) & (rest > 0)
    usual = np.sqrt(np.where(able, rest / np.maximum(rest_dof, 1), np.nan))
    ratio = np.where(able, np.nan_to_num(hit_sd) ** 2 / np.where(able, usual**2, 1.0), 0.0)
    single = fdtrc(np.maximum(dof, 1), np.maximum(rest_dof, 1), ratio)
    tested = able.sum(axis=1, keepdims=True)
    return np.where(able, np.minimum(single * tested, 1.0), 1.0), usual


def _suspect(
    past: History, run: int, point: int, deviations: Array, numbers: Array, usual: float, p: float
) -> SuspectHit:
    row = past.runs.iloc[run]
    hit, off = farthest(deviations, numbers)
    return SuspectHit(
        run_id=str(row["run_id"]),
        run=str(row["run"]),
        serial=str(row["serial"]),
        batch=str(row["batch"]),
        measured_at=pd.Timestamp(row["measured_at"]).to_pydatetime(),
        operator=str(row["operator"]),
        point=past.geometry.names[point],
        role=past.plan.points[point].role,
        hit=hit,
        off=off,
        spread=float(past.hit_sd[run, point]),
        usual=usual,
        p=p,
    )


def farthest(deviations: Array, numbers: Array) -> tuple[int, float]:
    """Return number and signed distance of the hit farthest from the mean of the others.

    Of two hits neither is farther; the number is 0 then and the distance that between them.
    """
    there = np.isfinite(deviations)
    values, named = deviations[there], numbers[there]
    if len(values) < 3:
        return 0, float(np.ptp(values)) if len(values) else float("nan")
    others = (values.sum() - values) / (len(values) - 1)
    at = int(np.argmax(np.abs(values - others)))
    return int(named[at]), float(values[at] - others[at])
