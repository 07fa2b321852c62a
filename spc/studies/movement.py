"""How check points and shapes move: a trend a hundred pieces, the way to a limit, and an event."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.trend import meets_limit, trend
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.chosen_set import past_of
from spc.studies.history import History
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.order import MEASURED, in_order
from spc.studies.shape_series import shapes_of

#: Fewest batches on each side of an event, and for a trend.
FEWEST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Trending:
    """One check point on one mould; mm.

    Parameters
    ----------
    point, mould
        What.
    pieces, batches
        What it stands on.
    slope, slope_low, slope_high
        Change in a hundred pieces of the mould, from its batch means, with a 95 % interval.
    p
        Chance of such a slope with none.
    level
        Where the line stands at the newest batch.
    limit
        The tolerance limit that it moves towards; NaN where none.
    pieces_left, pieces_low, pieces_high
        Pieces until it gets there if it goes on as it did (a foretelling of the line, not of the
        moulding), with an interval by Fieller's theorem; NaN or infinite where the data cannot say.
    """

    point: str
    mould: str
    pieces: int
    batches: int
    slope: float
    slope_low: float
    slope_high: float
    p: float
    level: float
    limit: float
    pieces_left: float
    pieces_low: float
    pieces_high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EventEffect:
    """A point or shape on one mould before and after an event.

    Parameters
    ----------
    name, unit, mould
        What; ``mm``, ``%`` or ``mm/m``.
    before, after
        Batches on each side.
    change, low, high
        After less before, from batch means (Welch), with a 95 % interval.
    p
        Chance of so much with no change.
    effect
        Change in standard deviations of a batch mean before the event; NaN where that is unknown.
    """

    name: str
    unit: str
    mould: str
    before: int
    after: int
    change: float
    low: float
    high: float
    p: float
    effect: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """How a part moves.

    Parameters
    ----------
    plan
        The plan.
    trends
        Check points, the surest trends first.
    event, event_at
        The event compared around, and when; empty and None without one.
    effects
        Its effects, the surest first.
    notes
        What the reader must know.
    """

    plan: Plan
    trends: tuple[Trending, ...]
    event: str
    event_at: datetime | None
    effects: tuple[EventEffect, ...]
    notes: tuple[str, ...]


def movement(
    store: Store, part: str | None = None, revision: str | None = None, *,
    event: str | None = None, mould: str | None = None, order: str = MEASURED,
    result_set: str = "",
) -> Movement:  # fmt: skip
    """Look at trends, and at the last event of a kind.

    Parameters
    ----------
    store
        An open store.
    part, revision, mould, order, result_set
        As for a monitor.
    event
        Kind of event; its last one with batches on both sides is compared around.
    """
    past = in_order(past_of(store, part, revision, result_set), order)
    if mould is not None:
        past = past.where(np.asarray(past.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError(f"no run of mould '{mould}'", do="name another")
    points = [k for k, p in enumerate(past.plan.points) if p in past.plan.check_points]
    names = tuple(past.plan.points[k].id for k in points)
    rows = _rows(past, past.deviations[:, points])
    trends = [
        _trend(past, rows, column, name, span)
        for span in np.unique(rows.spans)
        for column, name in enumerate(names)
    ]
    found = [t for t in trends if t is not None]
    found.sort(key=lambda t: np.nan_to_num(t.p, nan=1.0))
    label, at, effects, notes = _event(store, past, rows, names, event)
    return Movement(
        plan=past.plan, trends=tuple(found), event=label, event_at=at, effects=effects,
        notes=notes,
    )  # fmt: skip


def _rows(past: History, values: Array) -> ChartRows:
    return chart_rows(past.runs, values, np.ones(len(past.runs), dtype=bool), BATCH)


def _trend(
    past: History, rows: ChartRows, column: int, name: str, span: np.int64
) -> Trending | None:
    at = np.flatnonzero((rows.spans == span) & np.isfinite(rows.values[:, column]))
    if len(at) < FEWEST:
        return None
    # A batch stands at the middle of its own pieces, counted over the mould.
    ends = np.cumsum(rows.pieces[at])
    hundreds = (ends - rows.pieces[at] / 2.0) / 100.0
    line = trend(rows.values[at, column], hundreds, robust=False)
    k = past.geometry.names.index(name)
    lower, upper = past.geometry.lower[k : k + 1], past.geometry.upper[k : k + 1]
    met = meets_limit(line, lower, upper)
    now = float(hundreds[-1])
    left, low, high = (100.0 * (float(v[0]) - now) for v in (met.time, met.low, met.high))
    return Trending(
        point=name, mould=rows.moulds[at[0]], pieces=int(ends[-1]), batches=len(at),
        slope=float(line.slope[0]), slope_low=float(line.slope_low[0]),
        slope_high=float(line.slope_high[0]), p=float(line.p[0]), level=float(line.level_now[0]),
        limit=float(met.limit[0]), pieces_left=max(left, 0.0) if np.isfinite(left) else left,
        pieces_low=max(low, 0.0) if np.isfinite(low) else low, pieces_high=high,
    )  # fmt: skip


def _event(
    store: Store, past: History, rows: ChartRows, names: tuple[str, ...], kind: str | None
) -> tuple[str, datetime | None, tuple[EventEffect, ...], tuple[str, ...]]:
    if kind is None:
        return "", None, (), ()
    events = read.events(store, past.plan.part)
    mine = events[events["kind"] == kind]
    if mine.empty:
        known = ", ".join(sorted(set(events["kind"]))) or "none"
        raise InputError(f"no event of kind '{kind}'", do=f"there are {known}")
    inside = mine[
        (mine["happened_at"] > rows.times.min()) & (mine["happened_at"] <= rows.times.max())
    ]
    if inside.empty:
        raise InputError(f"no event of kind '{kind}' with batches before and after it",
                         do="name another kind")  # fmt: skip
    row = inside.iloc[-1]
    moment = row["happened_at"]
    shapes = shapes_of(past)
    sized = [k for k, unit in enumerate(shapes.units) if unit == "%"]
    shaped = _rows(past, shapes.series.values)
    effects = []
    for span in np.unique(rows.spans):
        if row["mould"] and rows.moulds[int(np.flatnonzero(rows.spans == span)[0])] != row["mould"]:
            continue
        for laid, at_columns, labels, units in (
            (shaped, sized, shapes.series.names, shapes.units),
            (rows, range(len(names)), names, ("mm",) * len(names)),
        ):
            for column in at_columns:
                effects.append(_effect(laid, column, labels[column], units[column], span, moment))
    found = [e for e in effects if e is not None]
    found.sort(key=lambda e: np.nan_to_num(e.p, nan=1.0))
    left = len(effects) - len(found)
    notes = (f"{left} comparisons lack {FEWEST} batches on each side",) if left else ()
    text = f"{row['kind']}: {row['note']}".rstrip(": ")
    return text, moment.to_pydatetime(), tuple(found), notes


def _effect(
    rows: ChartRows, column: int, name: str, unit: str, span: np.int64, moment: pd.Timestamp
) -> EventEffect | None:
    from scipy.special import stdtr, stdtrit

    mine = (rows.spans == span) & np.isfinite(rows.values[:, column])
    before: npt.NDArray[np.bool_] = mine & (rows.times < np.datetime64(moment))
    after = mine & ~before
    x, y = rows.values[before, column], rows.values[after, column]
    if min(len(x), len(y)) < FEWEST:
        return None
    parts = np.array([x.var(ddof=1) / len(x), y.var(ddof=1) / len(y)])
    change, error = float(y.mean() - x.mean()), float(np.sqrt(parts.sum()))
    if not error > 0:
        return None
    dof = float(parts.sum() ** 2 / (parts**2 / np.array([len(x) - 1, len(y) - 1])).sum())
    half = float(stdtrit(dof, 0.975)) * error
    spread = float(x.std(ddof=1))
    return EventEffect(
        name=name, unit=unit, mould=rows.moulds[int(np.flatnonzero(mine)[0])], before=len(x),
        after=len(y), change=change, low=change - half, high=change + half,
        p=float(2.0 * stdtr(dof, -abs(change) / error)),
        effect=change / spread if spread > 0 else np.nan,
    )  # fmt: skip
