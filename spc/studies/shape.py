"""The piece as a whole: one chart of many points at once, and what made a signal."""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.contributions import parts_of_t2, smallest_explanations
from spc.charts.mewma import mewma
from spc.charts.modes import principal_modes
from spc.charts.multivariate import POOLED, SUCCESSIVE, Reference, reference, t2_chart
from spc.charts.runlength_mewma import mewma_limit
from spc.charts.tails import chi2_sf, f_isf
from spc.errors import DataError, InputError
from spc.plan import Plan
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.baselines import baseline_of
from spc.studies.chosen_set import past_of
from spc.studies.history import History
from spc.studies.limit_sets import limit_sets
from spc.studies.lines import centers
from spc.studies.moments import BATCH, PIECE, ChartRows, chart_rows
from spc.studies.monitor_words import ALIKE, share_between_batches
from spc.studies.order import MEASURED, in_order
from spc.studies.series import all_series, mode_series
from spc.studies.streams import AUTO, Sharing, in_streams

#: What is judged together: the fit's modes, or the check points in their principal components.
FIT_MODES, CHECKS = "fit", "checks"
#: Principal components of the check points, where not said.
COMPONENTS = 5
#: False alarms: one in 370 pieces.
ALPHA, RUN_LENGTH = 0.0027, 370.4
#: So much of T² the points named for a signal make together.
HALF = 0.5
#: Weight of the newest piece in the moving average.
LAMBDA = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeSignal:
    """A piece (or batch) that is unlike the baseline as a whole.

    Parameters
    ----------
    mould, label, at
        Which.
    chart
        ``piece`` (T² of the piece) or ``moving average``.
    t2, limit
        The figure and its limit.
    made_by
        The smallest sets of values without which there would be no signal, in words; empty for a
        moving average.
    points
        The check points that most of T² comes from, where components are judged: the largest
        first, until they make half of it.
    """

    mould: str
    label: str
    at: datetime
    chart: str
    t2: float
    limit: float
    made_by: tuple[str, ...]
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Behind:
    """What components are made of: points, their values about the mould, and the shapes."""

    points: tuple[str, ...]
    values: Array
    shapes: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShapeStudy:
    """Charts of the piece as a whole; arrays are (rows,).

    Parameters
    ----------
    plan
        The plan.
    of
        ``fit`` or ``checks``, or the letters of groups.
    values
        Names of the values judged together.
    rows
        What each row is; its ``values`` are those judged together, (rows, values).
    baseline
        The baseline in words.
    t2, limit
        Hotelling's T² and its limit: for new pieces, and stricter for those of the baseline.
    average, average_limit
        T² of the multivariate moving average, and its limit, the wider the fewer the reference
        batches; NaN on a chart of pieces unless asked for, since pieces of a batch share its shift
        and the average then alarms falsely.
    pieces
        Reference pieces of each mould, by name.
    shares
        Share of the variance that each principal component carries; empty for the fit's modes.
    method
        How the covariance was estimated.
    signals
        What was found.
    notes
        What the reader must know.
    """

    plan: Plan
    of: str
    values: tuple[str, ...]
    rows: ChartRows
    baseline: str
    t2: Array
    limit: Array
    average: Array
    average_limit: Array
    pieces: dict[str, int]
    shares: tuple[float, ...]
    method: str
    signals: tuple[ShapeSignal, ...]
    notes: tuple[str, ...]


def shape_study(
    store: Store, part: str | None = None, revision: str | None = None, *, of: str = FIT_MODES,
    by: str = "piece", baseline: str | None = None, components: int = COMPONENTS,
    successive: bool = False, order: str = MEASURED, result_set: str = "", average: bool = False,
    cavities: str = AUTO,
) -> ShapeStudy:  # fmt: skip
    """Chart the piece as a whole, each mould (or cavity) about its own mean.

    Parameters
    ----------
    store
        An open store.
    part, revision
        The part.
    of
        ``fit``: the modes of what the fit leaves, since nine residuals carry three numbers.
        ``checks``: the check points in ``components`` principal components of the baseline. Or
        letters of groups: the check points of these groups, in as many components.
    by
        piece or batch.
    baseline
        Span that says what is usual.
    components
        Principal components of check points.
    successive
        Covariance from successive differences, which a slow drift in the baseline does not blow
        up, instead of the pooled one.
    order, result_set
        As for a monitor.
    average
        The moving average of pieces too; that of batches is always charted.
    cavities
        Whether the cavities of a mould are charted ``apart`` or ``together``; ``auto`` as single
        series are: apart where the baseline tells them apart, or their limits were frozen so.
    """
    past = in_order(past_of(store, part, revision, result_set), order)
    inside, words = baseline_of(past.runs, by, baseline)
    sets = limit_sets(store, past.plan.part, past.plan.revision) if baseline is None else ()
    every = all_series(past)
    streams = in_streams(past, every, every, inside, Sharing(cavities=cavities), by, sets)
    past = streams.past
    names, values, said = _measured(*_chosen(past, of), inside)
    rows = chart_rows(past.runs, values, inside, by)
    shares: tuple[float, ...] = ()
    behind = None
    if of != FIT_MODES and len(names) > components:
        names, rows, shares, behind = _in_components(names, rows, components)
    method = SUCCESSIVE if successive else POOLED
    averaged = average or by == BATCH
    said = [*streams.words_of_one, *said, *_of_average(past, rows, averaged)]
    return _charted(past, of, names, rows, words, shares, method, said, averaged, behind)


def _of_average(past: History, rows: ChartRows, averaged: bool) -> list[str]:
    """Say what the moving average of pieces is worth: pieces of a batch share its shift."""
    if rows.by == BATCH:
        return []
    if not averaged:
        return [
            "slow change of the whole is charted by batch (--by batch): pieces of a batch share "
            "its shift; --average charts it by piece all the same"
        ]
    share = share_between_batches(rows, past.runs)
    if not share > ALIKE:
        return []
    return [
        f"pieces of a batch are alike ({share:.0%} of the spread lies between batches), so their "
        "moving average passes its limit by chance far more often than once in 370: read it by "
        "batch (--by batch)"
    ]


def _measured(
    names: tuple[str, ...], values: Array, inside: npt.NDArray[np.bool_]
) -> tuple[tuple[str, ...], Array, list[str]]:
    """Leave out what was never measured in the baseline: with it no piece could be judged."""
    known = np.isfinite(values[inside]).any(axis=0)
    if not known.any():
        raise InputError("nothing of it was measured in the baseline", do="name another --baseline")
    lost = [names[k] for k in np.flatnonzero(~known)]
    said = [f"{', '.join(lost)} never measured in the baseline, and left out"] if lost else []
    return tuple(names[k] for k in np.flatnonzero(known)), values[:, known], said


def _chosen(past: History, of: str) -> tuple[tuple[str, ...], Array]:
    if of == FIT_MODES:
        _, spoken, scores = mode_series(past)
        if not spoken:
            raise InputError("the fit leaves nothing over", do="chart the check points instead")
        return spoken, scores
    points = past.plan.points
    groups = {p.group for p in past.plan.check_points if p.group}
    letters = set(of.replace(",", "")) if of != CHECKS else groups
    if of != CHECKS and not (letters and letters <= groups):
        raise InputError(
            f"no group '{of}' of check points", do=f"use fit, checks or {', '.join(sorted(groups))}"
        )
    at = [
        k
        for k, p in enumerate(points)
        if not past.geometry.is_fit[k] and (of == CHECKS or p.group in letters)
    ]
    return tuple(points[k].id for k in at), past.deviations[:, at]


def _in_components(
    points: tuple[str, ...], rows: ChartRows, components: int
) -> tuple[tuple[str, ...], ChartRows, tuple[float, ...], _Behind]:
    """Project on the principal components of the baseline, each mould about its own mean."""
    own = centers(rows.values, rows)
    x = rows.values - np.where(np.isfinite(own), own, 0.0)
    found = principal_modes(x, components, rows.baseline)
    names = tuple(f"component {k} ({share:.0%})" for k, share in enumerate(found.share, start=1))
    changed = replace(rows, values=(x - found.mean) @ found.shapes)
    behind = _Behind(points=points, values=x, shapes=found.shapes)
    return names, changed, tuple(float(s) for s in found.share), behind


def _charted(
    past: History, of: str, names: tuple[str, ...], rows: ChartRows, words: str,
    shares: tuple[float, ...], method: str, notes: list[str], averaged: bool,
    behind: _Behind | None,
) -> ShapeStudy:  # fmt: skip
    t2 = np.full(len(rows.labels), np.nan)
    limit, average, average_limit = t2.copy(), t2.copy(), t2.copy()
    charts = (t2, limit, average, average_limit)
    h = mewma_limit(len(names), LAMBDA, RUN_LENGTH)
    signals: list[ShapeSignal] = []
    pieces: dict[str, int] = {}
    for mould in np.unique(rows.spans):
        at = np.flatnonzero(rows.spans == mould)
        name = rows.moulds[at[0]]
        try:
            known = reference(rows.values[at], rows.baseline[at], method=method)
            _one_mould(rows, at, known, h, charts, averaged)
        except DataError as error:
            notes.append(f"mould {name or 'unknown'}: {error}")
            continue
        pieces[name] = known.m
        signals += _signals(rows, at, known, names, charts, behind)
        if known.note:
            note = known.note if rows.by == PIECE else known.note.replace("pieces", "batches")
            notes.append(f"mould {name or 'unknown'}: {note}")
    missing = int((~np.isfinite(rows.values).all(axis=1)).sum())
    if missing:
        what = {"batch": "batches"}.get(rows.by, "pieces") if missing != 1 else rows.by
        notes.append(f"{missing} {what} with a missing value cannot be judged as a whole")
    return ShapeStudy(
        plan=past.plan, of=of, values=names, rows=rows, baseline=words, t2=t2, limit=limit,
        average=average, average_limit=average_limit, pieces=pieces, shares=shares, method=method,
        signals=tuple(sorted(signals, key=lambda s: s.at)), notes=tuple(notes),
    )  # fmt: skip


def _one_mould(
    rows: ChartRows, at: npt.NDArray[np.int64], known: Reference, h: float,
    into: tuple[Array, Array, Array, Array], averaged: bool,
) -> None:  # fmt: skip
    x, base = rows.values[at], rows.baseline[at]
    new, old = (t2_chart(x, known, alpha=ALPHA, new=flag) for flag in (True, False))
    t2, limit, average, average_limit = into
    t2[at] = new.t2
    limit[at] = np.where(base, old.limit, new.limit)
    if averaged:
        average[at] = mewma(x, known, h=h, lam=LAMBDA).t2
        average_limit[at] = _limit_of_average(known, h)


def _limit_of_average(known: Reference, h: float) -> float:
    """Return the limit that an average passes by chance as often as ``h`` where all is known.

    A settled average of new values less the mean of m others has λ/(2 − λ) + 1/m of the covariance
    of a value; its T² by an estimated covariance follows F, as that of a value does (Tracy, Young
    and Mason 1992).
    """
    p, f = known.p, known.df
    smoothed = (2.0 - LAMBDA) / LAMBDA
    quantile = f_isf(chi2_sf(h, p), p, f - p + 1)
    return float((1 + smoothed / known.m) * p * f / (f - p + 1) * quantile)


def _signals(
    rows: ChartRows, at: npt.NDArray[np.int64], known: Reference, names: tuple[str, ...],
    charts: tuple[Array, Array, Array, Array], behind: _Behind | None,
) -> list[ShapeSignal]:  # fmt: skip
    t2, limit, average, average_limit = charts
    found = []
    for row in at:
        said = {
            "mould": rows.moulds[row],
            "label": rows.labels[row],
            "at": pd.Timestamp(rows.times[row]).to_pydatetime(),
        }
        if t2[row] > limit[row]:
            found.append(
                ShapeSignal(
                    **said,
                    chart="piece",
                    t2=float(t2[row]),
                    limit=float(limit[row]),
                    made_by=_made_by(rows.values[row], known, names),
                    points=() if behind is None else _points(rows, at, row, known, behind),
                )
            )
        if average[row] > average_limit[row] and np.isfinite(t2[row]):
            found.append(
                ShapeSignal(**said, chart="moving average", t2=float(average[row]),
                            limit=float(average_limit[row]), made_by=(), points=())
            )  # fmt: skip
    return found


def _points(
    rows: ChartRows, at: npt.NDArray[np.int64], row: np.int64, known: Reference, behind: _Behind
) -> tuple[str, ...]:
    """Return the points that make half of a row's T², the largest part first."""
    whole = at[rows.baseline[at] & np.isfinite(rows.values[at]).all(axis=1)]
    off = behind.values[row] - behind.values[whole].mean(axis=0)
    parts = parts_of_t2(off[None], behind.shapes, known)[0]
    order = np.argsort(-parts, kind="stable")
    enough = int(np.searchsorted(np.cumsum(parts[order]), HALF * parts.sum())) + 1
    return tuple(behind.points[k] for k in order[:enough])


def _made_by(x: Array, known: Reference, names: tuple[str, ...]) -> tuple[str, ...]:
    sets = smallest_explanations(x, known, alpha=ALPHA)
    return tuple(" with ".join(names[k] for k in one) for one in sets if one)
