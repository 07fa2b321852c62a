"""A gauge study: what part of the variation is probing, set-up, operator, and piece."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.gauge.anova import crossed_study
from spc.gauge.intervals import anova_quantities
from spc.gauge.layout import Counts
from spc.gauge.like_points import like_points_study
from spc.gauge.quantities import Quantities
from spc.ingest.checked import HITS
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.history import History, study_runs
from spc.studies.hits import hit_deviations_of

#: Piece, operator and set-up of each row.
Codes = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]
#: Name of the group that holds all check points.
ALL = "all check points"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeStudy:
    """A gauge study of check points; lengths in mm.

    Parameters
    ----------
    plan
        The plan.
    study
        Name of the study.
    runs
        Runs it stands on.
    counts
        Its design.
    points
        Check points that were complete, in the plan's order.
    quantities
        Components, gauge and ratios at each of ``points``.
    groups
        Names of the groups of like points; the last one is all of them.
    group_sizes
        Points in each group.
    pooled
        The same pooled over each group; the tolerance of a group is that of its points where they
        agree.
    first, last
        First and last measuring time, UTC.
    notes
        What the reader must know.
    """

    plan: Plan
    study: str
    runs: int
    counts: Counts
    points: tuple[str, ...]
    quantities: Quantities
    groups: tuple[str, ...]
    group_sizes: tuple[int, ...]
    pooled: Quantities
    first: pd.Timestamp
    last: pd.Timestamp
    notes: tuple[str, ...]


def gauge_study(
    store: Store, study: str, part: str | None = None, revision: str | None = None
) -> GaugeStudy:
    """Analyse a gauge study by analysis of variance, hits nested in set-ups.

    A run is one set-up: the piece lifted, placed again and aligned again. Fit points are left out,
    since the fit pulls them to zero.

    Raises
    ------
    NotFoundError
        Where there is no such study.
    InputError
        Where its design cannot answer.
    """
    plan = read.plan(store, part, revision)
    past = study_runs(store, plan, study)
    _refuse_nameless(past, study)
    if not (past.runs["depth"] == HITS).all():
        raise InputError(
            f"files of study '{study}' hold no hits, so probing and set-up cannot be told apart",
            do="export hits (point, hit, x, y, z)",
        )
    deviations, _ = hit_deviations_of(store, past)
    return _analysed(past, deviations, study)


def _refuse_nameless(past: History, study: str) -> None:
    for column in ("serial", "operator"):
        if (past.runs[column] == "").any():
            label = past.runs["run"][past.runs[column] == ""].iloc[0]
            raise InputError(
                f"run '{label}' of study '{study}' has no {column}",
                do="fill it in in the file and take it again; the study cannot be read without",
            )


def _analysed(past: History, deviations: Array, study: str) -> GaugeStudy:
    check = ~past.geometry.is_fit
    complete = np.asarray(np.isfinite(deviations).all(axis=(0, 2)) & check)
    if not complete.any():
        raise InputError(
            f"study '{study}': no check point has all its hits in all {len(past.runs)} runs",
            do="measure what is missing, or leave the runs with gaps out of the study's files",
        )
    at = np.flatnonzero(complete)
    y, codes = _long(past, deviations[:, at])
    anova = crossed_study(y, *codes)
    tolerance = np.column_stack([past.geometry.lower, past.geometry.upper])[at]
    groups, like = _like_groups(past.plan, at)
    return GaugeStudy(
        plan=past.plan,
        study=study,
        runs=len(past.runs),
        counts=anova.counts,
        points=tuple(past.geometry.names[i] for i in at),
        quantities=anova_quantities(anova, tolerance=tolerance),
        groups=(*groups, ALL),
        group_sizes=(*np.bincount(like).tolist(), len(at)),
        pooled=_pooled(y, codes, like, tolerance),
        first=past.runs["measured_at"].min(),
        last=past.runs["measured_at"].max(),
        notes=_notes(past, int(check.sum()) - len(at)),
    )


def _long(past: History, deviations: Array) -> tuple[Array, Codes]:
    """Lay out (runs, points, hits) as rows of one hit of one run, with the codes of each row."""
    runs, points, hits = deviations.shape
    y = np.moveaxis(deviations, 1, 2).reshape(runs * hits, points)
    piece, operator, setup = (
        np.repeat(code, hits).astype(np.int64)
        for code in (
            pd.factorize(past.runs["serial"])[0],
            pd.factorize(past.runs["operator"])[0],
            np.arange(runs),
        )
    )
    return y, (piece, operator, setup)


def _like_groups(
    plan: Plan, at: npt.NDArray[np.int64]
) -> tuple[tuple[str, ...], npt.NDArray[np.int64]]:
    labels = [plan.points[i].group or "no group" for i in at]
    names = tuple(sorted(set(labels)))
    return names, np.array([names.index(label) for label in labels])


def _pooled(
    y: Array, codes: Codes, like: npt.NDArray[np.int64], tolerance: Array
) -> Quantities:  # fmt: skip
    """Pool over each group of like points, and over all of them as one more group."""
    twice = np.hstack([y, y])
    groups = np.concatenate([like, np.full(len(like), like.max() + 1)])
    limits = np.array(
        [_common(tolerance[like == g]) for g in range(like.max() + 1)] + [_common(tolerance)]
    )
    return anova_quantities(like_points_study(twice, *codes, groups), tolerance=limits)


def _common(tolerance: Array) -> Array:
    """Return the tolerance that all points share, NaN where they differ."""
    same = (tolerance == tolerance[0]).all(axis=0)
    return np.where(same.all(), tolerance[0], np.nan)


def _notes(past: History, incomplete: int) -> tuple[str, ...]:
    said = []
    if incomplete:
        said.append(f"{incomplete} check points miss hits in some run and are left out")
    if past.unaligned:
        said.append(f"{past.unaligned} runs of the study could not be aligned and are left out")
    setups = past.runs["setup"]
    again = past.runs.duplicated(["serial", "operator", "setup"]) & (setups != "")
    if again.any():
        said.append(
            f"{int(again.sum())} runs share their set-up with another run of the same piece and "
            "operator: where the piece was not lifted, set-up is measured too small"
        )
    return tuple(said)
