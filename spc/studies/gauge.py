"""A gauge study: what part of the variation is probing, set-up, operator, and piece."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.gauge import answer
from spc.gauge.answer import GaugeStudy as Answered
from spc.gauge.history import History as ProductionSpread
from spc.gauge.intervals import anova_quantities
from spc.gauge.layout import Counts
from spc.gauge.like_points import like_points_study
from spc.gauge.pose import PoseRepeat
from spc.gauge.propagation import SetupSplit
from spc.gauge.quantities import Quantities
from spc.gauge.verdict import Verdict, judge
from spc.ingest.checked import HITS
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.gauge_figures import FitFigures, fit_figures
from spc.studies.gauge_parts import (
    mean_quantities,
    order_change,
    setup_split,
    spoken,
    what_is_missing,
    without_pieces,
)
from spc.studies.gauge_pose import gauge_pose
from spc.studies.history import History, production
from spc.studies.hits import hit_deviations_of
from spc.studies.same_setup import lifted_runs, setup_notes

#: Piece, operator and set-up of each row.
Codes = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]
#: What ranges of like points taken together are worth, as the benchmark of coverage measures it.
POOLED = (
    "ranges over several points rest on how the points move together, which few pieces tell: of "
    "simulated studies 93 to 100 in 100 held the truth, where 95 are meant; the more the points "
    "move apart, the wider they are than they need be"
)
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
    second
        What stands in the place of operators: ``operator``, or ``day`` where one person probed.
    points
        Check points that could be answered, in the plan's order.
    method
        How each of ``points`` was answered.
    quantities
        Components, gauge and ratios at each of ``points``.
    verdicts
        Three verdicts on each of ``points``, and what to improve first.
    groups
        Names of the groups of like points; the last one is all of them.
    group_sizes
        Points in each group.
    pooled
        The same pooled over each group; the tolerance of a group is that of its points where they
        agree. From an unbalanced study: means over the points, with the interval of one of them.
    pooled_verdicts
        Three verdicts on each group.
    split
        Re-alignment split into what probing alone explains and the rest; None where the study
        cannot be split.
    split_points
        The points that ``split`` is of.
    figures
        The fit's own figures over the study; None where there are none.
    pose
        Spread of the pose between runs that share a set-up; None where no set-up was probed twice,
        since the pose of a piece that was placed anew is only where it was put.
    order_change, order_p
        (points,), change in mm from the first to the last set-up of a piece, and its chance: a
        soft piece that creeps between trials, or hands that learn. NaN where unanswered.
    first, last
        First and last measuring time, UTC.
    notes
        What the reader must know.
    """

    plan: Plan
    study: str
    runs: int
    counts: Counts
    second: str
    points: tuple[str, ...]
    method: tuple[str, ...]
    quantities: Quantities
    verdicts: tuple[Verdict, ...]
    groups: tuple[str, ...]
    group_sizes: tuple[int, ...]
    pooled: Quantities
    pooled_verdicts: tuple[Verdict, ...]
    split: SetupSplit | None
    split_points: tuple[str, ...]
    figures: FitFigures | None
    pose: PoseRepeat | None
    order_change: Array
    order_p: Array
    first: pd.Timestamp
    last: pd.Timestamp
    notes: tuple[str, ...]


def gauge_study(
    store: Store, study: str, part: str | None = None, revision: str | None = None, *,
    from_history: bool = False,
) -> GaugeStudy:  # fmt: skip
    """Analyse a gauge study: hits nested in set-ups, set-ups in piece by operator.

    A run is one set-up: the piece lifted, placed again and aligned again. Fit points are left out,
    since the fit pulls them to zero. Balanced points go through the analysis of variance, others
    through restricted maximum likelihood.

    Parameters
    ----------
    store
        An open store.
    study
        Its name.
    part, revision
        The part.
    from_history
        Take the spread of pieces from production instead of from the study's pieces.

    Raises
    ------
    NotFoundError
        Where there is no such study.
    InputError
        Where its design cannot answer.
    """
    plan = read.plan(store, part, revision)
    past, everything, places = lifted_runs(store, plan, study)
    _refuse_nameless(past, study)
    if not (past.runs["depth"] == HITS).all():
        raise InputError(
            f"files of study '{study}' hold no hits, so probing and set-up cannot be told apart",
            do="export hits (point, hit, x, y, z)",
        )
    deviations, _ = hit_deviations_of(store, past)
    history = production(store, plan) if from_history else None
    found = _analysed(past, deviations, study, history, gauge_pose(places))
    return replace(
        found, runs=len(everything.runs), notes=(*setup_notes(places, study), *found.notes)
    )


def _refuse_nameless(past: History, study: str) -> None:
    for column in ("serial", "operator"):
        if (past.runs[column] == "").any():
            label = past.runs["run"][past.runs[column] == ""].iloc[0]
            raise InputError(
                f"run '{label}' of study '{study}' has no {column}",
                do="fill it in in the file and take it again; the study cannot be read without",
            )


def _analysed(
    past: History, deviations: Array, study: str, history: History | None,
    pose: PoseRepeat | None,
) -> GaugeStudy:  # fmt: skip
    at = _answerable(past, deviations, study)
    second, code = second_factor(past)
    y, codes = _long(past, deviations[:, at], code)
    tolerance = np.column_stack([past.geometry.lower, past.geometry.upper])[at]
    known = None if history is None else _production_spread(history, at)
    found = answer.gauge_study(y, *codes, tolerance=tolerance, history=known)
    groups, like = _like_groups(past.plan, at)
    pooled, quantities = _pooled(y, codes, like, tolerance, found), found.quantities
    if history is None:
        pieces = found.counts.pieces
        pooled, quantities = (without_pieces(q, pieces) for q in (pooled, quantities))
    split, split_points = setup_split(past, deviations, found, at)
    change, p = order_change(past, y, codes)
    return GaugeStudy(
        plan=past.plan,
        study=study,
        runs=len(past.runs),
        counts=found.counts,
        second=second,
        points=tuple(past.geometry.names[i] for i in at),
        method=found.method,
        quantities=quantities,
        verdicts=judge(quantities, rows=len(y)),
        groups=(*groups, ALL),
        group_sizes=(*np.bincount(like).tolist(), len(at)),
        pooled=pooled,
        pooled_verdicts=judge(pooled, rows=len(y)),
        split=split,
        split_points=split_points,
        figures=fit_figures(past, code),
        pose=pose,
        order_change=change,
        order_p=p,
        first=past.runs["measured_at"].min(),
        last=past.runs["measured_at"].max(),
        notes=(
            *_notes(past, int((~past.geometry.is_fit).sum()) - len(at), second),
            *what_is_missing(found.counts, second),
            *(spoken(note, second) for note in found.notes),
            *([POOLED] if found.reml is None and len(at) > 1 else []),
        ),
    )


def _answerable(past: History, deviations: Array, study: str) -> npt.NDArray[np.int64]:
    """Return check points that were measured in at least half of the runs."""
    seen = np.isfinite(deviations).any(axis=2).mean(axis=0)
    at = np.flatnonzero((seen >= 0.5) & ~past.geometry.is_fit)
    if not at.size:
        raise InputError(
            f"study '{study}': no check point was measured in half of the {len(past.runs)} runs",
            do="measure the check points of the plan in every run of the study",
        )
    if past.runs["serial"].nunique() < 2:
        raise InputError(
            f"study '{study}' has one piece, so the gauge cannot be set against pieces",
            do="measure five pieces or more, from several batches",
        )
    return at


def second_factor(past: History) -> tuple[str, npt.NDArray[np.int64]]:
    """Return what stands beside the pieces: operators, or days where one person probed alone."""
    if past.runs["operator"].nunique() > 1:
        return "operator", pd.factorize(past.runs["operator"])[0].astype(np.int64)
    days = past.runs["measured_at"].dt.strftime("%Y-%m-%d")
    if days.nunique() > 1:
        return "day", pd.factorize(days)[0].astype(np.int64)
    return "operator", np.zeros(len(past.runs), dtype=np.int64)


def _production_spread(history: History, at: npt.NDArray[np.int64]) -> ProductionSpread:
    d = history.deviations[:, at]
    n = np.isfinite(d).sum(axis=0)
    if n.min() < 2:
        raise InputError("production has too few pieces at some check point to say their spread",
                         do="leave out --from-history")  # fmt: skip
    return ProductionSpread(sd=np.nanstd(d, axis=0, ddof=1), dof=float(n.min() - 1))


def _long(past: History, deviations: Array, second: npt.NDArray[np.int64]) -> tuple[Array, Codes]:
    """Lay out (runs, points, hits) as rows of one hit of one run, with the codes of each row."""
    runs, points, hits = deviations.shape
    y = np.moveaxis(deviations, 1, 2).reshape(runs * hits, points)
    piece, operator, setup = (
        np.repeat(code, hits).astype(np.int64)
        for code in (
            pd.factorize(past.runs["serial"])[0],
            second,
            np.arange(runs),
        )
    )
    # A row that no point has (a hit that was never probed) brings nothing.
    there = np.isfinite(y).any(axis=1)
    return y[there], (piece[there], operator[there], setup[there])


def _like_groups(
    plan: Plan, at: npt.NDArray[np.int64]
) -> tuple[tuple[str, ...], npt.NDArray[np.int64]]:
    labels = [plan.points[i].group or "no group" for i in at]
    names = tuple(sorted(set(labels)))
    return names, np.array([names.index(label) for label in labels])


def _pooled(
    y: Array, codes: Codes, like: npt.NDArray[np.int64], tolerance: Array, found: Answered
) -> Quantities:
    """Pool over each group of like points, and over all of them as one more group."""
    groups = np.concatenate([like, np.full(len(like), like.max() + 1)])
    limits = np.array(
        [_common(tolerance[like == g]) for g in range(like.max() + 1)] + [_common(tolerance)]
    )
    if found.reml is None:
        twice = np.hstack([y, y])
        return anova_quantities(like_points_study(twice, *codes, groups), tolerance=limits)
    doubled = np.concatenate([np.arange(len(like))] * 2)
    return mean_quantities(found.quantities, doubled, groups)


def _common(tolerance: Array) -> Array:
    """Return the tolerance that all points share, NaN where they differ."""
    same = (tolerance == tolerance[0]).all(axis=0)
    return np.where(same.all(), tolerance[0], np.nan)


def _notes(past: History, left_out: int, second: str) -> tuple[str, ...]:
    said = []
    if left_out:
        said.append(f"{left_out} check points were measured in too few runs and are left out")
    if past.unaligned:
        said.append(f"{past.unaligned} runs of the study could not be aligned and are left out")
    if second == "day":
        said.append(
            "one person probed: days stand in the place of operators, and how far people differ "
            "was not tested"
        )
    elif past.runs["operator"].nunique() == 1:
        said.append("one person probed on one day: neither people nor days were tested")
    for column, words in (("device", "arms"), ("probe", "probes")):
        kinds = past.runs[column].nunique()
        said += [f"{kinds} {words} took part and are not told apart here"] if kinds > 1 else []
    return tuple(said)
