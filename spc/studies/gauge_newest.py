"""The gauge study that speaks for a part: the one named, or the newest."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.capability.spread_dof import dof_of_interval
from spc.errors import SpcError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.gauge import GaugeStudy, gauge_study


def newest_gauge(
    store: Store, plan: Plan, *, before: pd.Timestamp | None = None
) -> tuple[GaugeStudy | None, str]:
    """Return the newest study begun before a moment, or why there is none.

    Parameters
    ----------
    store
        An open store.
    plan
        The plan of the part.
    before
        UTC; None for no end.
    """
    found = read.studies(store)
    found = found[found["part"] == plan.part]
    if before is not None:
        found = found[found["first_measured"] < before]
    if found.empty:
        return None, "no gauge study of this part is in the store: the arm's own share is unknown"
    newest = str(found.sort_values("last_measured")["study"].iloc[-1])
    try:
        return gauge_study(store, newest, plan.part, plan.revision), ""
    except SpcError as error:
        # A study that cannot answer must not keep the rest from being told.
        return None, f"gauge study {newest} cannot be read: {error}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeSpread:
    """How far a reading of one piece varies by measuring it again, lifted, placed and aligned anew.

    Parameters
    ----------
    study
        Name of the gauge study; empty where there is none.
    note
        Why there is none; empty otherwise.
    sd
        Standard deviation of one reading by point, mm; points not studied are not in it.
    dof
        Its degrees of freedom by point.
    hits
        Hits that a reading of the study is the mean of; 0 without one.
    """

    study: str
    note: str
    sd: dict[str, float]
    dof: dict[str, float]
    hits: int

    def of(self, names: tuple[str, ...]) -> tuple[Array, Array]:
        """Return standard deviations and degrees of freedom, (points,); NaN where not studied."""
        sd = np.array([self.sd.get(name, np.nan) for name in names])
        dof = np.array([self.dof.get(name, np.nan) for name in names])
        known = np.isfinite(sd) & np.isfinite(dof)
        # Degrees of freedom must be above 0 even where there is nothing to say.
        return np.where(known, sd, np.nan), np.where(known, dof, 1.0)


def gauge_for(store: Store, plan: Plan, name: str | None) -> GaugeSpread:
    """Return what the study of that name, or the newest, says of each check point's readings.

    Raises
    ------
    NotFoundError
        Where a study is named that the store does not hold.
    """
    if name is not None:
        return _spread(gauge_study(store, name, plan.part, plan.revision))
    study, why = newest_gauge(store, plan)
    if study is None:
        return GaugeSpread(study="", note=why, sd={}, dof={}, hits=0)
    return _spread(study)


def _spread(study: GaugeStudy) -> GaugeSpread:
    band = study.quantities.gauge
    dof = dof_of_interval(band.low, band.high, band.level)
    return GaugeSpread(
        study=study.study,
        note="",
        sd=_by_point(study.points, band.value),
        dof=_by_point(study.points, dof),
        hits=study.quantities.hits,
    )


def _by_point(names: tuple[str, ...], values: npt.NDArray[np.float64]) -> dict[str, float]:
    return dict(zip(names, values.tolist(), strict=True))
