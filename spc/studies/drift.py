"""What kind of drift it is: size, twist, bow or local form, with what explains it."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from spc.charts.trend import trend
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.adjusted import Adjusted, adjusted, size_of
from spc.studies.adjusted_tables import (
    AdjustedBatch,
    AdjustedPoint,
    adjusted_batches,
    adjusted_points,
)
from spc.studies.arrays import Array
from spc.studies.baselines import baseline_of
from spc.studies.chosen_set import past_of
from spc.studies.conditioned import Unconditioned, unconditioned
from spc.studies.covariates import Covariate, Explained, explain
from spc.studies.drift_words import sentences_of
from spc.studies.history import History
from spc.studies.moments import BATCH, chart_rows
from spc.studies.monitor import Monitor
from spc.studies.order import MEASURED, in_order
from spc.studies.shape_changes import (
    ShapeChange,
    ShapesChance,
    chance_of,
    changes_in,
    shapes_charted,
)
from spc.studies.shape_place import with_places
from spc.studies.shape_series import Shapes, shapes_of
from spc.studies.signals import ListedSignal, listed
from spc.studies.spans import in_span
from spc.studies.streams import AUTO, Sharing, Streams, in_streams

DAYS_A_MONTH = 30.4375


@dataclass(frozen=True, slots=True, kw_only=True)
class MouldDrift:
    """One shape on one mould, in the shape's unit.

    Parameters
    ----------
    mould
        The mould.
    batches
        How many there are.
    baseline, latest
        Baseline mean and the mean of the newest batch.
    slope, slope_low, slope_high
        Change a month over all batches, with its 95 % interval.
    p
        Chance of such a slope with none.
    baseline_adjusted, latest_adjusted, latest_sd
        The two means at 24 h after moulding and 20 °C, beside the raw ones, and the standard
        deviation that the adjustment adds to the newest; NaN where nothing is adjusted.
    """

    mould: str
    batches: int
    baseline: float
    latest: float
    slope: float
    slope_low: float
    slope_high: float
    p: float
    baseline_adjusted: float
    latest_adjusted: float
    latest_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeDrift:
    """One shape.

    Parameters
    ----------
    shape, unit
        Its name, and ``%``, ``mm`` or ``mm/m``.
    meaning
        What a positive amplitude means.
    sd
        Standard deviation of one piece's amplitude from probing noise alone (1 mm of noise at each
        point would bring so much times that).
    explains
        Mean share that it explains, as the only shape, of what no rigid motion takes up.
    moulds
        Each mould's drift.
    changes
        Changes that stand out of all shapes and moulds; empty where it is not found to have moved.
    signals
        Signals of its charts, whose limits share the chance of a false alarm among all shapes.
    covariates
        What temperature, age, mould and resin lot explain.
    covariates_note
        Why not, or what to beware of.
    left_changes
        Changes of what they leave, found in the same way.
    """

    shape: str
    unit: str
    meaning: str
    sd: float
    explains: float
    moulds: tuple[MouldDrift, ...]
    changes: tuple[ShapeChange, ...]
    signals: tuple[ListedSignal, ...]
    covariates: tuple[Covariate, ...]
    covariates_note: str
    left_changes: tuple[ShapeChange, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drift:
    """A part's drift by kind.

    Parameters
    ----------
    plan
        The plan.
    pieces, batches
        What it stands on.
    baseline
        The baseline in words.
    rigid, explained
        Mean shares of the deviations' sum of squares: misfit that the fit points left as a rigid
        motion, and what the shapes explain of the rest.
    shapes
        The shapes, those that moved first.
    chance
        How often a shape is named where none moved.
    hidden
        Shapes that this plan cannot see, and why.
    combined
        Shapes that it sees only added to one another, and to which.
    adjusted
        What age and warmth do to the size, and every run at 24 h and 20 °C.
    sizes, points
        The size of every batch, and every check point in the newest batch of each mould, as
        measured and adjusted; no points where nothing is adjusted.
    unconditioned
        Pieces measured too young or too warm or cold.
    monitor
        The charts of the shapes, by batch, in the shapes' own units.
    sentences
        The drift in plain words.
    notes
        What the reader must know.
    """

    plan: Plan
    pieces: int
    batches: int
    baseline: str
    rigid: float
    explained: float
    shapes: tuple[ShapeDrift, ...]
    chance: ShapesChance
    hidden: tuple[str, ...]
    combined: tuple[str, ...]
    adjusted: Adjusted
    sizes: tuple[AdjustedBatch, ...]
    points: tuple[AdjustedPoint, ...]
    unconditioned: tuple[Unconditioned, ...]
    monitor: Monitor
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def drift_study(
    store: Store, part: str | None = None, revision: str | None = None, *,
    baseline: str | None = None, mould: str | None = None, span: str | None = None,
    order: str = MEASURED, result_set: str = "", cavities: str = AUTO,
) -> Drift:  # fmt: skip
    """Split each run's deviations into shapes, chart each, and say what explains it.

    Parameters as for a monitor; ``cavities`` of a mould are ``apart``, ``together``, or, with
    ``auto``, apart where the baseline tells their shapes apart.
    """
    past = in_order(past_of(store, part, revision, result_set), order)
    if mould is not None:
        past = past.where(np.asarray(past.runs["mould"] == mould))
    if span is not None:
        past = past.where(in_span(past.runs, span))
    if past.runs.empty:
        raise InputError("no run left to look at", do="widen --span, or name another --mould")
    shapes = shapes_of(past)
    if not shapes.series.names:
        raise InputError(
            shapes.plan.note or "no shape can be seen with this plan",
            do="add check points: opposite faces show size, four on a face show twist",
        )
    return _assembled(past, shapes, read.events(store, past.plan.part), baseline, cavities)


def drift_of(
    past: History, events: pd.DataFrame, baseline: str | None = None, cavities: str = AUTO
) -> Drift | None:
    """Return the drift of a history that is already read; None where no shape can be seen."""
    shapes = shapes_of(past)
    return _assembled(past, shapes, events, baseline, cavities) if shapes.series.names else None


def _assembled(
    whole_past: History, shapes: Shapes, events: pd.DataFrame, baseline: str | None, cavities: str
) -> Drift:
    inside, _ = baseline_of(whole_past.runs, BATCH, baseline)
    streams = in_streams(
        whole_past, shapes.series, shapes.series, inside, Sharing(cavities=cavities), BATCH
    )
    # From here on a mould is what is charted apart: a mould, or one of its cavities.
    past = streams.past
    chart = shapes_charted(past, events, baseline, shapes.series)
    # What mould and cavity explain is asked of the moulds and cavities themselves.
    whole = [explain(whole_past, events, column) for column in shapes.series.values.T]
    case = _Case(
        past=past, shapes=shapes, chart=chart, explained=tuple(whole),
        changes=with_places(past, shapes, chart, changes_in(chart)),
        left=_changes_left(past, shapes, events, baseline, whole),
        signals=listed(chart, pd.DataFrame({"signal_id": []})).signals,
        adjusted=adjusted(past, events, shapes),
    )  # fmt: skip
    found = [_shape(case, k) for k in range(len(shapes.series.names))]
    found.sort(key=lambda s: (not s.changes, -_strength(s, chart)))
    rigid, explained = _shares(past, shapes)
    chance = chance_of(chart)
    return Drift(
        plan=past.plan, pieces=int(past.runs["piece_id"].nunique()),
        batches=int((whole_past.runs["mould"] + " " + whole_past.runs["batch"]).nunique()),
        baseline=chart.baseline, rigid=rigid, explained=explained, shapes=tuple(found),
        chance=chance, hidden=shapes.hidden, combined=shapes.combined, adjusted=case.adjusted,
        sizes=adjusted_batches(past, size_of(shapes), case.adjusted),
        points=adjusted_points(past, case.adjusted)
        if np.isfinite(case.adjusted.change).any() else (),
        unconditioned=unconditioned(past), monitor=chart,
        sentences=sentences_of(past.plan, found, chance), notes=_notes(streams, shapes, chart),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
    """All that the shapes of one history were asked."""

    past: History
    shapes: Shapes
    chart: Monitor
    explained: tuple[Explained, ...]
    changes: tuple[ShapeChange, ...]
    left: tuple[ShapeChange, ...]
    signals: tuple[ListedSignal, ...]
    adjusted: Adjusted


def _strength(shape: ShapeDrift, chart: Monitor) -> float:
    column = chart.series.names.index(shape.shape)
    sigma = float(chart.sigma[0, column])
    moves = [abs(m.latest - m.baseline) for m in shape.moulds if np.isfinite(m.latest - m.baseline)]
    return max(moves, default=0.0) / sigma if sigma > 0 else 0.0


def _changes_left(
    past: History, shapes: Shapes, events: pd.DataFrame, baseline: str | None,
    explained: list[Explained],
) -> tuple[ShapeChange, ...]:  # fmt: skip
    """Return the changes of what the covariates leave of the shapes, judged as the shapes are."""
    left = np.column_stack([one.left for one in explained])
    if not np.isfinite(left).any():
        return ()
    return changes_in(shapes_charted(past, events, baseline, replace(shapes.series, values=left)))


def _shape(case: _Case, k: int) -> ShapeDrift:
    plan, name = case.shapes.plan, case.shapes.series.names[k]
    at = case.shapes.patterns[k]
    return ShapeDrift(
        shape=name,
        unit=case.shapes.units[k],
        meaning=plan.patterns[at].meaning,
        sd=float(plan.sd_alone[at]),
        explains=_mean(case.shapes.fit.explained_alone[:, at]),
        moulds=tuple(_mould(case, k, m) for m in sorted(set(case.chart.rows.moulds))),
        changes=tuple(c for c in case.changes if c.shape == name),
        signals=tuple(s for s in case.signals if s.series == name),
        covariates=case.explained[k].covariates,
        covariates_note=case.explained[k].note,
        left_changes=tuple(c for c in case.left if c.shape == name),
    )


def _mould(case: _Case, column: int, mould: str) -> MouldDrift:
    chart = case.chart
    at = np.flatnonzero(np.array(chart.rows.moulds, dtype=object) == mould)
    values = chart.values[at, column]
    days = (chart.rows.times[at] - chart.rows.times[at[0]]) / np.timedelta64(1, "D")
    line = trend(values, np.asarray(days, dtype=np.float64) / DAYS_A_MONTH, robust=False)
    there = np.flatnonzero(np.isfinite(values))
    second, sd = _second(case, column)
    base = second[at][chart.rows.baseline[at]]
    return MouldDrift(
        mould=mould, batches=len(there), baseline=float(chart.center[at[0], column]),
        latest=float(values[there[-1]]) if len(there) else np.nan, slope=float(line.slope[0]),
        slope_low=float(line.slope_low[0]), slope_high=float(line.slope_high[0]),
        p=float(line.p[0]), baseline_adjusted=_mean(base),
        latest_adjusted=float(second[at][there[-1]]) if len(there) else np.nan,
        latest_sd=float(sd[at][there[-1]]) if len(there) else np.nan,
    )  # fmt: skip


def _second(case: _Case, column: int) -> tuple[Array, Array]:
    """Return the batch means of a shape at 24 h and 20 °C, and what the adjustment adds to them.

    Age and warmth change the size alike in all directions, and no other shape.
    """
    if case.shapes.units[column] != "%":
        nothing = np.full(len(case.chart.rows.labels), np.nan)
        return nothing, nothing
    whole = case.shapes.series.values[:, column] + case.adjusted.change
    inside = np.zeros(len(whole), dtype=bool)
    laid = chart_rows(case.past.runs, np.column_stack([whole, case.adjusted.sd]), inside, BATCH)
    return laid.values[:, 0], laid.values[:, 1]


def _shares(past: History, shapes: Shapes) -> tuple[float, float]:
    """Return the mean shares of rigid misfit, and of shapes in what is left."""
    d = np.where(np.isfinite(past.deviations), past.deviations, 0.0)
    total = (d**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):  # a run without any deviation
        rigid = 1.0 - shapes.fit.ssr_rigid / total
    return _mean(rigid), _mean(shapes.fit.explained)


def _mean(values: Array) -> float:
    """Return the mean of what is there, NaN where nothing is: no run had all its points."""
    there = np.isfinite(values)
    return float(values[there].mean()) if there.any() else np.nan


def _notes(streams: Streams, shapes: Shapes, chart: Monitor) -> tuple[str, ...]:
    lost = int((~np.isfinite(shapes.fit.ssr)).sum())
    missing = [f"{lost} pieces cannot be taken apart: too few points"] if lost else []
    note = [shapes.plan.note] if shapes.plan.note else []
    return (*note, *missing, *streams.words_of_one, *chart.remarks)
