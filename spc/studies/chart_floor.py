"""How much of what a chart sees is measuring: its limits have no business below that floor."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.capability.spread_dof import dof_of_interval
from spc.plan import Plan
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.gauge_in_force import Gauges
from spc.studies.moments import BATCH, ChartRows
from spc.studies.series import MODE, SeriesSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """What measuring makes of the spread behind one series' limits; lengths in mm.

    Parameters
    ----------
    series
        The series.
    study
        The gauge study that says it.
    sd, dof
        Standard deviation that measuring alone gives one charted value, at the least, and its
        degrees of freedom: of a batch's mean, what pieces do not share.
    low
        Lower end of its 95 % interval.
    sigma
        What the limits stand on.
    share
        Share of measuring in the variance behind the limits; above 1 where they lie below it.
    below
        True where the limits stand on less than measuring alone makes: even its lower end.
    """

    series: str
    study: str
    sd: float
    dof: float
    low: float
    sigma: float
    share: float
    below: bool


def floors(
    store: Store, plan: Plan, rows: ChartRows, series: SeriesSet, sigma: Array
) -> tuple[Floor, ...]:
    """Return the floor of each series that a gauge study knows: modes and check points.

    Parameters
    ----------
    store
        An open store.
    plan
        The plan.
    rows
        What is charted.
    series
        What is charted; series in another unit than mm have no floor.
    sigma
        (rows, series), mm, what the limits stand on; the smallest of the moulds' newest counts.
    """
    names = tuple(
        name for k, name in enumerate(series.names)
        if not series.skewed[k] and not (series.units and series.units[k])
    )  # fmt: skip
    newest = pd.Timestamp(rows.measured.max()) if len(rows.measured) else None
    gauges = Gauges(store, plan)
    study = gauges.in_force(newest).study
    if not study:
        return ()
    known = _modes(gauges, study, names)
    if set(names) & {p.id for p in plan.check_points}:
        spread = gauges.spread(study)
        known |= {n: (spread.sd[n], spread.dof[n], spread.low[n]) for n in names if n in spread.sd}
    each = 1.0 / np.sqrt(np.median(rows.pieces)) if rows.by == BATCH else 1.0
    newest_sigma = dict(zip(series.names, _newest(rows, sigma), strict=True))
    return tuple(
        _floor(name, study, known[name], float(each), newest_sigma[name])
        for name in names
        if name in known and newest_sigma[name] > 0 and np.isfinite(known[name]).all()
    )


def _newest(rows: ChartRows, sigma: Array) -> list[float]:
    """Return the smallest of the moulds' newest sigmas of each series; NaN where none has one."""
    moulds = np.array(rows.moulds, dtype=object)
    least = np.full(sigma.shape[1], np.inf)
    for mould in set(rows.moulds):
        for column, mine in enumerate(sigma[moulds == mould].T):
            there = mine[np.isfinite(mine)]
            if there.size:
                least[column] = min(least[column], float(there[-1]))
    return [float(value) if np.isfinite(value) else np.nan for value in least]


def _floor(
    name: str, study: str, known: tuple[float, float, float], each: float, sigma: float
) -> Floor:
    sd, dof, low = known
    return Floor(
        series=name, study=study, sd=sd * each, dof=dof, low=low * each, sigma=sigma,
        share=(sd * each / sigma) ** 2, below=bool(sigma < low * each),
    )  # fmt: skip


def _modes(
    gauges: Gauges, study: str, names: tuple[str, ...]
) -> dict[str, tuple[float, float, float]]:
    found = gauges.figures(study) if any(n.startswith(MODE) for n in names) else None
    if found is None:
        return {}
    band = found.quantities.gauge
    dof = dof_of_interval(band.low, band.high, band.level)
    return {
        name: (float(band.value[k]), float(dof[k]), float(band.low[k]))
        for k, name in enumerate(found.names)
        if name.startswith(MODE)
    }
