"""Which gauge study speaks for a reading, and what it says: one answer for all who ask.

Verdicts, boards, charts, capability, guard bands and the month's report all ask here, so that they
cannot disagree. A study counts for what was measured after it. What it then says depends on what is
in the store, not on the day of asking.
"""

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
from spc.studies.gauge import GaugeStudy, gauge_study, second_factor
from spc.studies.gauge_figures import FitFigures, fit_figures
from spc.studies.gauge_standing import ArmState, Passed, standing
from spc.studies.same_setup import lifted_runs


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """The study that speaks for a moment.

    Parameters
    ----------
    study
        Its name; empty where none does.
    passed
        Newer studies that do not, and why.
    """

    study: str
    passed: tuple[Passed, ...]

    def words(self) -> str:
        """Return why no study, or not the newest, speaks; empty where nothing is to be said."""
        if not self.study and not self.passed:
            return "no gauge study of this part is in the store"
        return "; ".join(f"gauge study {p.study} {p.why}" for p in self.passed)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeSpread:
    """How far a reading of one piece varies by measuring it again, lifted, placed and aligned anew.

    Parameters
    ----------
    study
        Name of the gauge study; empty where there is none.
    note
        Why there is none, or why it is not the newest; empty otherwise.
    sd
        Standard deviation of one reading by point, mm; points not studied are not in it.
    dof
        Its degrees of freedom by point.
    low
        Lower end of its 95 % interval by point, mm.
    hits
        Hits that a reading of the study is the mean of; 0 without one.
    """

    study: str
    note: str
    sd: dict[str, float]
    dof: dict[str, float]
    low: dict[str, float]
    hits: int

    def of(self, names: tuple[str, ...]) -> tuple[Array, Array]:
        """Return standard deviations and degrees of freedom, (points,); NaN where not studied."""
        sd = np.array([self.sd.get(name, np.nan) for name in names])
        dof = np.array([self.dof.get(name, np.nan) for name in names])
        known = np.isfinite(sd) & np.isfinite(dof)
        # Degrees of freedom must be above 0 even where there is nothing to say.
        return np.where(known, sd, np.nan), np.where(known, dof, 1.0)


class Gauges:
    """The gauge studies of a part, read once for many questions.

    Parameters
    ----------
    store
        An open store.
    plan
        The plan of the part.
    runs
        What ``read.runs`` returns, where it is already read.
    """

    def __init__(self, store: Store, plan: Plan, runs: pd.DataFrame | None = None) -> None:
        if runs is None:
            runs = read.runs(store, plan.part)
        self._store, self._plan = store, plan
        self._runs = runs[(runs["part"] == plan.part) & (runs["study"] != "")]
        self._arms = ArmState(store, plan.part)
        self._studies: dict[str, GaugeStudy | str] = {}
        self._figures: dict[str, FitFigures | None] = {}
        self._repeated: dict[str, frozenset[str]] = {}

    def in_force(self, moment: pd.Timestamp | None, device: str = "") -> InForce:
        """Return the newest valid study that ended before a moment, UTC; None is the end of time.

        Parameters
        ----------
        moment
            When what is asked about was measured.
        device
            The arm that measured it; empty where unknown or several.
        """
        passed: list[Passed] = []
        for name, runs in self._newest_first():
            again = self._again(name, runs)
            why = standing(name, runs, self._plan, self._arms, moment, device, again)
            if not why:
                return InForce(study=name, passed=tuple(passed))
            passed.append(Passed(study=name, why=why))
        return InForce(study="", passed=tuple(passed))

    def _again(self, name: str, runs: pd.DataFrame) -> frozenset[str]:
        """Return the runs that repeat a set-up; looked into only where a label comes twice."""
        if name not in self._repeated:
            mine = runs[runs["revision"] == self._plan.revision]
            labels = mine[mine["setup"] != ""]
            found: frozenset[str] = frozenset()
            if labels.duplicated(["serial", "operator", "setup"]).any():
                _, every, placed = lifted_runs(self._store, self._plan, name)
                found = frozenset(every.runs["run_id"][placed.again])
            self._repeated[name] = found
        return self._repeated[name]

    def _newest_first(self) -> list[tuple[str, pd.DataFrame]]:
        groups = [(str(name), runs) for name, runs in self._runs.groupby("study", sort=True)]
        # A study without times can say for nothing when it was; it comes last.
        return sorted(
            groups, key=lambda g: pd.Timestamp(0) if g[1]["measured_at"].isna().all()
            else g[1]["measured_at"].max(), reverse=True,
        )  # fmt: skip

    def study(self, name: str) -> GaugeStudy | str:
        """Return a study, or why it cannot be read."""
        if name not in self._studies:
            try:
                plan = self._plan
                self._studies[name] = gauge_study(self._store, name, plan.part, plan.revision)
            except SpcError as error:
                # A study that cannot answer must not keep the rest from being told.
                self._studies[name] = f"gauge study {name} cannot be read: {error}"
        return self._studies[name]

    def figures(self, name: str) -> FitFigures | None:
        """Return what a study says of the fit's own figures."""
        if name not in self._figures:
            try:
                past, _, _ = lifted_runs(self._store, self._plan, name)
            except SpcError:
                self._figures[name] = None
            else:
                self._figures[name] = fit_figures(past, second_factor(past)[1])
        return self._figures[name]

    def spread(self, name: str, note: str = "") -> GaugeSpread:
        """Return what a study says of each check point's readings."""
        found = self.study(name)
        return nothing(found) if isinstance(found, str) else _spread(found, note)


def newest_gauge(
    store: Store, plan: Plan, *, before: pd.Timestamp | None = None
) -> tuple[GaugeStudy | None, str]:
    """Return the study in force at a moment, or why there is none.

    Parameters
    ----------
    store
        An open store.
    plan
        The plan of the part.
    before
        UTC; None for no end.
    """
    gauges = Gauges(store, plan)
    found = gauges.in_force(before)
    if not found.study:
        return None, f"{found.words()}: the arm's own share is unknown"
    study = gauges.study(found.study)
    return (None, study) if isinstance(study, str) else (study, found.words())


def gauge_for(
    store: Store, plan: Plan, name: str | None, *, moment: pd.Timestamp | None = None,
    device: str = "",
) -> GaugeSpread:  # fmt: skip
    """Return what the study of that name, or the one in force, says of each point's readings.

    Parameters
    ----------
    store
        An open store.
    plan
        The plan of the part.
    name
        A study, which is then used whatever its standing; None for the one in force.
    moment, device
        As in `Gauges.in_force`.

    Raises
    ------
    NotFoundError
        Where a study is named that the store does not hold.
    """
    if name is not None:
        return _spread(gauge_study(store, name, plan.part, plan.revision), "")
    gauges = Gauges(store, plan)
    found = gauges.in_force(moment, device)
    return gauges.spread(found.study, found.words()) if found.study else nothing(found.words())


def nothing(note: str) -> GaugeSpread:
    """Return that nothing is known of readings, and why."""
    return GaugeSpread(study="", note=note, sd={}, dof={}, low={}, hits=0)


def _spread(study: GaugeStudy, note: str) -> GaugeSpread:
    band = study.quantities.gauge
    dof = dof_of_interval(band.low, band.high, band.level)
    return GaugeSpread(
        study=study.study,
        note=note,
        sd=_by_point(study.points, band.value),
        dof=_by_point(study.points, dof),
        low=_by_point(study.points, band.low),
        hits=study.quantities.hits,
    )


def _by_point(names: tuple[str, ...], values: npt.NDArray[np.float64]) -> dict[str, float]:
    return dict(zip(names, values.tolist(), strict=True))
