"""What kind of drift it is: size, twist, bow or local form, with what explains it."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from spc.charts.trend import trend
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.chosen_set import past_of
from spc.studies.covariates import TEMPERATURE, Covariate, explain
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted
from spc.studies.order import MEASURED, in_order
from spc.studies.shape_series import SIZE, Shapes, shapes_of
from spc.studies.signals import ListedSignal, listed
from spc.studies.spans import in_span

#: A piece younger than this has not done most of its shrinking (ISO 294-4 reads after 16 to 24 h;
#: from memory), and one farther than this from 23 °C is not conditioned (ISO 291; from memory).
YOUNGEST_HOURS, ROOM_C, ROOM_TOLERANCE = 24.0, 23.0, 3.0
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
    """

    mould: str
    batches: int
    baseline: float
    latest: float
    slope: float
    slope_low: float
    slope_high: float
    p: float


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
    signals
        Signals of its charts.
    covariates
        What temperature, age, mould and resin lot explain.
    covariates_note
        Why not, or what to beware of.
    left_signals
        Signals of the chart of what they leave.
    """

    shape: str
    unit: str
    meaning: str
    sd: float
    explains: float
    moulds: tuple[MouldDrift, ...]
    signals: tuple[ListedSignal, ...]
    covariates: tuple[Covariate, ...]
    covariates_note: str
    left_signals: tuple[ListedSignal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unconditioned:
    """A piece measured too young or too far from room temperature.

    Parameters
    ----------
    serial, batch
        The piece.
    measured_at
        When, UTC.
    hours, temperature_c
        Its age and temperature; NaN where unknown.
    come_back
        When it will be old enough, UTC; None where age is no reason.
    why
        In words.
    """

    serial: str
    batch: str
    measured_at: datetime
    hours: float
    temperature_c: float
    come_back: datetime | None
    why: str


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
        The shapes, those with signals first.
    hidden
        Shapes that this plan cannot see, and why.
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
    hidden: tuple[str, ...]
    unconditioned: tuple[Unconditioned, ...]
    monitor: Monitor
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def drift_study(
    store: Store, part: str | None = None, revision: str | None = None, *,
    baseline: str | None = None, mould: str | None = None, span: str | None = None,
    order: str = MEASURED, result_set: str = "",
) -> Drift:  # fmt: skip
    """Split each run's deviations into shapes, chart each, and say what explains it.

    Parameters as for a monitor.
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
    return _assembled(past, shapes, read.events(store, past.plan.part), baseline)


def drift_of(past: History, events: pd.DataFrame, baseline: str | None = None) -> Drift | None:
    """Return the drift of a history that is already read; None where no shape can be seen."""
    shapes = shapes_of(past)
    return _assembled(past, shapes, events, baseline) if shapes.series.names else None


def _assembled(past: History, shapes: Shapes, events: pd.DataFrame, baseline: str | None) -> Drift:
    chart = charted(past, events, baseline=baseline, of=shapes.series)
    none = pd.DataFrame({"signal_id": []})
    signals = listed(chart, none).signals
    found = [
        _shape(past, shapes, chart, events, baseline, k, signals)
        for k in range(len(shapes.series.names))
    ]
    found.sort(key=lambda s: (not s.signals, -_strength(s, chart)))
    rigid, explained = _shares(past, shapes)
    return Drift(
        plan=past.plan, pieces=int(past.runs["piece_id"].nunique()),
        batches=int((past.runs["mould"] + " " + past.runs["batch"]).nunique()),
        baseline=chart.baseline, rigid=rigid, explained=explained, shapes=tuple(found),
        hidden=shapes.hidden, unconditioned=unconditioned(past), monitor=chart,
        sentences=_sentences(found), notes=_notes(past, shapes, chart),
    )  # fmt: skip


def _strength(shape: ShapeDrift, chart: Monitor) -> float:
    sigma = float(chart.sigma[chart.series.names.index(shape.shape)])
    moves = [abs(m.latest - m.baseline) for m in shape.moulds if np.isfinite(m.latest - m.baseline)]
    return max(moves, default=0.0) / sigma if sigma > 0 else 0.0


def _shape(
    past: History, shapes: Shapes, chart: Monitor, events: pd.DataFrame, baseline: str | None,
    k: int, signals: tuple[ListedSignal, ...],
) -> ShapeDrift:  # fmt: skip
    name = shapes.series.names[k]
    patterns = {p.name: at for at, p in enumerate(shapes.plan.patterns)}
    at = patterns.get(name, -1)
    explained = explain(past, events, shapes.series.values[:, k])
    return ShapeDrift(
        shape=name,
        unit=shapes.units[k],
        meaning=shapes.plan.patterns[at].meaning if at >= 0 else name,
        sd=float(shapes.plan.sd_alone[at]) if at >= 0 else np.nan,
        explains=_mean(shapes.fit.explained_alone[:, at]) if at >= 0 else np.nan,
        moulds=tuple(_mould(chart, k, m) for m in sorted(set(chart.rows.moulds))),
        signals=tuple(s for s in signals if s.series == name),
        covariates=explained.covariates,
        covariates_note=explained.note,
        left_signals=_left_signals(past, shapes, events, baseline, k, explained.left),
    )


def _mould(chart: Monitor, column: int, mould: str) -> MouldDrift:
    at = np.flatnonzero(np.array(chart.rows.moulds, dtype=object) == mould)
    values = chart.values[at, column]
    days = (chart.rows.times[at] - chart.rows.times[at[0]]) / np.timedelta64(1, "D")
    line = trend(values, np.asarray(days, dtype=np.float64) / DAYS_A_MONTH, robust=False)
    there = np.flatnonzero(np.isfinite(values))
    return MouldDrift(
        mould=mould, batches=len(there), baseline=float(chart.center[at[0], column]),
        latest=float(values[there[-1]]) if len(there) else np.nan, slope=float(line.slope[0]),
        slope_low=float(line.slope_low[0]), slope_high=float(line.slope_high[0]),
        p=float(line.p[0]),
    )  # fmt: skip


def _left_signals(
    past: History, shapes: Shapes, events: pd.DataFrame, baseline: str | None, k: int, left: Array
) -> tuple[ListedSignal, ...]:
    if not np.isfinite(left).any():
        return ()
    one = shapes.series
    series = type(one)(
        names=(one.names[k],), spoken=(one.names[k],), values=left[:, None],
        skewed=one.skewed[:1], fit_point=one.fit_point[:1], lower=one.lower[:1],
        upper=one.upper[:1],
    )  # fmt: skip
    chart = charted(past, events, baseline=baseline, of=series)
    return listed(chart, pd.DataFrame({"signal_id": []})).signals


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


def unconditioned(past: History) -> tuple[Unconditioned, ...]:
    """Return pieces measured too young, or too far from room temperature, the newest first."""
    runs = past.runs
    young = runs["hours_since_moulding"] < YOUNGEST_HOURS
    off = (runs["part_temp_c"] - ROOM_C).abs() > ROOM_TOLERANCE
    found = []
    for row in runs[young | off].to_dict("records")[::-1]:
        hours, warm = float(row["hours_since_moulding"]), float(row["part_temp_c"])
        back = None
        words = []
        if hours < YOUNGEST_HOURS:
            back = row["measured_at"] + pd.Timedelta(hours=YOUNGEST_HOURS - hours)
            words.append(f"{hours:.0f} h old, still shrinking")
        if abs(warm - ROOM_C) > ROOM_TOLERANCE:
            words.append(f"{warm:.1f} °C, away from {ROOM_C:g} °C")
        found.append(
            Unconditioned(
                serial=str(row["serial"]),
                batch=str(row["batch"]),
                measured_at=row["measured_at"].to_pydatetime(),
                hours=hours,
                temperature_c=warm,
                come_back=None if back is None else back.to_pydatetime(),
                why="; ".join(words),
            )
        )
    return tuple(found)


def _sentences(found: list[ShapeDrift]) -> tuple[str, ...]:
    moved = [shape for shape in found if shape.signals]
    if any(shape.shape == SIZE for shape in moved):
        # The sizes along the axes say the same in three numbers.
        moved = [s for s in moved if not s.shape.startswith(f"{SIZE} along")]
    said = [_sentence(shape) for shape in moved]
    return tuple(said) or ("No shape shows a signal.",)


def _sentence(shape: ShapeDrift) -> str:
    parts = []
    for signal in shape.signals:
        when = signal.changed_first or signal.first
        to = f" to {signal.changed_last}" if signal.changed_last not in ("", when) else ""
        event = f", after '{signal.event}'" if signal.event else ""
        size = f" by {signal.shift:+.2g} {shape.unit}" if np.isfinite(signal.shift) else ""
        parts.append(f"mould {signal.mould or 'unknown'}{size} (change came {when}{to}{event})")
    unknown = shape.unit == "%" and not any(c.name == TEMPERATURE for c in shape.covariates)
    shrink = " (shrink or warmth: no temperature was recorded)" if unknown else ""
    gone = "" if shape.left_signals or not shape.covariates else (
        "; temperature, age, mould and resin lot explain it"
    )  # fmt: skip
    return f"{shape.shape}{shrink}: {'; '.join(parts)}{gone}"


def _notes(past: History, shapes: Shapes, chart: Monitor) -> tuple[str, ...]:
    lost = int((~np.isfinite(shapes.fit.ssr)).sum())
    missing = [f"{lost} pieces cannot be taken apart: too few points"] if lost else []
    note = [shapes.plan.note] if shapes.plan.note else []
    return (*note, *missing, *chart.remarks)
