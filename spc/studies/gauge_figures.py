"""The fit's own figures in a gauge study: what measuring the same piece again does to them.

A study is judged on check points and on these, never on the residuals of fit points, which the fit
deflates. The modes of what the fit leaves are not deflated: they are readings of unit weight.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.capability.spread_dof import dof_of_interval
from spc.errors import SpcError
from spc.gauge.answer import gauge_study
from spc.gauge.quantities import Quantities
from spc.studies.arrays import Array
from spc.studies.gauge_parts import without_pieces
from spc.studies.history import History
from spc.studies.series import FIGURES, HITS, all_series, chosen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitFigures:
    """The fit's own figures over a study; one value a run, so set-up holds probing too; in mm.

    Parameters
    ----------
    names, spoken
        Figures: the fit's noise, its largest residual, and the modes of what it leaves.
    quantities
        Components, gauge and ratios of each.
    reading, reading_dof
        Standard deviation of one reading of unit weight when the same piece is lifted, placed,
        aligned and probed again, pooled over the modes, and its degrees of freedom; NaN and 0
        where the study says neither.
    hit, hit_dof, hits
        Standard deviation of one hit about its point's mean, pooled over all points and runs; its
        degrees of freedom; and the mean number of hits of a point.
    """

    names: tuple[str, ...]
    spoken: tuple[str, ...]
    quantities: Quantities
    reading: float
    reading_dof: float
    hit: float
    hit_dof: int
    hits: float


def fit_figures(past: History, second: npt.NDArray[np.int64]) -> FitFigures | None:
    """Analyse the fit's own figures; None where the study has none to analyse.

    Parameters
    ----------
    past
        Runs of the study.
    second
        Code of the operator, or of what stands in the operators' place, of each run.
    """
    series = all_series(past)
    modes = [n for n in series.names if n.startswith("mode-")]
    wanted = chosen(series, (*(n for n in FIGURES if n != HITS), *modes))
    seen = np.isfinite(wanted.values).mean(axis=0) >= 0.5
    names = tuple(n for n, s in zip(wanted.names, seen, strict=True) if s)
    if not names or len(past.runs) < 2:
        return None
    kept = chosen(series, names)
    piece = pd.factorize(past.runs["serial"])[0].astype(np.int64)
    try:
        found = gauge_study(kept.values, piece, second, np.arange(len(past.runs)), hits=1)
    except SpcError:
        return None
    at = np.array([k for k, n in enumerate(names) if n in modes], dtype=np.int64)
    quantities = without_pieces(found.quantities, found.counts.pieces)
    reading, dof = _pooled(quantities, at)
    hit, hit_dof, hits = hit_noise(past)
    return FitFigures(
        names=names, spoken=kept.spoken, quantities=quantities, reading=reading,
        reading_dof=dof, hit=hit, hit_dof=hit_dof, hits=hits,
    )  # fmt: skip


def _pooled(quantities: Quantities, at: npt.NDArray[np.int64]) -> tuple[float, float]:
    """Return the root mean square of the modes' gauge, and its dof by Satterthwaite (1946).

    Modes are uncorrelated readings of equal variance where measuring is alike at every point.
    """
    band = quantities.gauge
    variance = band.value[at] ** 2
    usable = np.isfinite(variance) & np.isfinite(band.low[at]) & (band.high[at] > 0)
    if not usable.any():
        return np.nan, 0.0
    at, variance = at[usable], variance[usable]
    dof = dof_of_interval(band.low[at], band.high[at], band.level)
    total = float(variance.sum())
    if not total > 0:
        return np.nan, 0.0
    return float(np.sqrt(variance.mean())), total**2 / float((variance**2 / dof).sum())


def hit_noise(past: History) -> tuple[float, int, float]:
    """Return the standard deviation of one hit, its degrees of freedom, and hits a point."""
    hits: Array = np.nan_to_num(past.hits)
    dof = np.where(np.isfinite(past.hit_sd), np.maximum(hits - 1, 0), 0)
    total = float(dof.sum())
    if not total:
        return np.nan, 0, np.nan
    variance = float((np.nan_to_num(past.hit_sd) ** 2 * dof).sum() / total)
    return float(np.sqrt(variance)), int(total), float(hits[hits > 0].mean())
