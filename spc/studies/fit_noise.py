"""The noise that a fit is held against, where it comes from, and how well it is known.

In this order: what the caller asks for; the gauge study in force when the run was measured, made on
purpose, with people and set-ups in it; the hits of production, which hold probing and texture only,
and slips too. A study counts for runs measured after it: a verdict on an older run stays what it
was when that study is taken in.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from spc.errors import NotFoundError
from spc.studies.gauge_figures import hit_noise
from spc.studies.gauge_in_force import Gauges
from spc.studies.history import History

#: Asks for no gauge study at all.
WITHOUT = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseAsked:
    """What the caller says about the noise.

    Parameters
    ----------
    sigma
        Standard deviation of one reading, mm, taken as known; None leaves it to the store.
    gauge
        A study to use whatever its standing, ``none`` for no study, or None for the one in force.
    """

    sigma: float | None = None
    gauge: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FitNoise:
    """The noise that a run's fit is held against; lengths in mm.

    Parameters
    ----------
    study
        The gauge study used; empty where none is.
    note
        Why no study, or not the newest, is used; empty where there is nothing to say.
    probing, probing_dof
        Standard deviation of a point's mean from probing alone, and its degrees of freedom
        (infinite where it was asked for).
    probing_from
        Where it comes from, in words.
    again, again_dof
        Standard deviation of a reading when a piece is lifted, placed, aligned and probed again,
        and its degrees of freedom; NaN and 0 without a study that says it.
    """

    study: str
    note: str
    probing: float
    probing_dof: float
    probing_from: str
    again: float
    again_dof: float

    def p_probing(self, ssr: float, dof: int) -> float:
        """Return the chance that probing alone leaves as much or more."""
        return _chance(ssr, dof, self.probing, self.probing_dof)

    def p_again(self, ssr: float, dof: int) -> float:
        """Return the chance that measuring alone, with set-up and hands, leaves as much or more."""
        return _chance(ssr, dof, self.again, self.again_dof)


def fit_noise(
    past: History, gauges: Gauges, row: Any, hits: float, asked: NoiseAsked
) -> FitNoise:  # fmt: skip
    """Return the noise that a run's fit is held against.

    Parameters
    ----------
    past
        Production history of the part, or the run alone where there is none.
    gauges
        Studies of the part.
    row
        The run as the store has it.
    hits
        Mean number of hits of its points.
    asked
        What the caller says.

    Raises
    ------
    NotFoundError
        Where a study is named that says nothing of the fit's own figures.
    """
    if asked.sigma is not None:
        return FitNoise(study="", note="", probing=asked.sigma, probing_dof=np.inf,
                        probing_from="as asked for", again=np.nan, again_dof=0.0)  # fmt: skip
    study, note = _study(gauges, row, asked)
    found = gauges.figures(study) if study else None
    if asked.gauge not in (None, WITHOUT) and found is None:
        raise NotFoundError(f"gauge study '{study}' of this part says nothing of its fits; "
                            "'spc run list --study NAME' shows its runs")  # fmt: skip
    if found is None or not found.hit_dof:
        return _of_production(past, found.reading if found else np.nan,
                              found.reading_dof if found else 0.0, study, note)  # fmt: skip
    number = hits if hits >= 1 else found.hits
    return FitNoise(
        study=study, note=note, probing=found.hit / float(np.sqrt(number)),
        probing_dof=float(found.hit_dof), probing_from=f"hits of gauge study {study}",
        again=found.reading, again_dof=found.reading_dof,
    )  # fmt: skip


def _study(gauges: Gauges, row: Any, asked: NoiseAsked) -> tuple[str, str]:
    if asked.gauge == WITHOUT:
        return "", "no gauge study was to be used"
    if asked.gauge is not None:
        return asked.gauge, "named, whatever its standing"
    if pd.isna(row["measured_at"]):
        return "", "the run has no measuring time, so no gauge study is known to be older"
    found = gauges.in_force(row["measured_at"], str(row["device"]))
    return found.study, found.words()


def _of_production(
    past: History, again: float, again_dof: float, study: str, note: str
) -> FitNoise:
    hit, dof, hits = hit_noise(past)
    return FitNoise(
        study=study, note=note, probing=hit / float(np.sqrt(hits)) if dof else np.nan,
        probing_dof=float(dof), probing_from="hits of production runs", again=again,
        again_dof=again_dof,
    )  # fmt: skip


def _chance(ssr: float, dof: int, sigma: float, sigma_dof: float) -> float:
    """Return the upper tail of ssr / (dof sigma²): F, or chi-square where sigma is known."""
    if dof <= 0 or not sigma > 0 or not sigma_dof > 0:
        return np.nan
    ratio = ssr / (dof * sigma**2)
    if np.isinf(sigma_dof):
        return float(special.chdtrc(dof, ratio * dof))
    return float(special.fdtrc(dof, sigma_dof, ratio))
