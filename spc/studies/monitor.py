"""Charts of a part's series: limits from a named baseline, and the signals since."""

from dataclasses import dataclass
from datetime import datetime
from typing import cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.constants import chart_constants, d2
from spc.charts.memory import ewma
from spc.charts.rules import DEFAULT, RULES, signals
from spc.charts.sigma import moving_ranges
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.allowance import allowance, family_allowance
from spc.studies.arrays import Array
from spc.studies.chosen_set import past_of
from spc.studies.granted import Granted, granted
from spc.studies.history import History
from spc.studies.limit_sets import LimitSet, limit_sets
from spc.studies.lines import (
    EWMA_WIDTH,
    LAMBDA,
    WIDTH,
    Lines,
    baseline_lines,
    with_sets,
)
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.monitor_words import notes_of, remarks_of
from spc.studies.order import MEASURED, in_order
from spc.studies.series import SeriesSet, all_series, chosen
from spc.studies.spans import in_span, in_span_of

#: Pieces or batches that the limits stand on where no baseline is named.
FIRST_PIECES, FIRST_BATCHES = 40, 12

VALUE_CHART, EWMA_CHART, RANGE_CHART = "values", "moving average", "moving range"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Neighbouring points of one chart that a rule found.

    Parameters
    ----------
    series, mould
        The chart.
    chart
        ``values`` or ``moving average``. The moving range is drawn but raises no signal: it says
        little that the values do not, at three times their false alarms.
    rule
        What was found, in words.
    first, last
        Serial or batch at which the pattern was first and last completed.
    since, until
        Their measuring times, UTC.
    points
        How many points in a row completed it.
    value
        The value at the first of them, mm.
    center
        The centre there, mm.
    """

    series: str
    mould: str
    chart: str
    rule: str
    first: str
    last: str
    since: datetime
    until: datetime
    points: int
    value: float
    center: float

    @property
    def direction(self) -> str:
        """Return 'above' or 'below' the centre."""
        return "above" if self.value > self.center else "below"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Monitor:
    """Charts of several series; arrays are (rows, series), mm.

    Parameters
    ----------
    plan
        The plan.
    rows
        What each row is.
    series
        What each column is.
    values
        The values charted.
    center, lower, upper
        Centre and limits of the values, by mould.
    sigma
        (series,), standard deviation that the newest limits stand on, in the charted scale.
    sigma_df
        (series,), its effective degrees of freedom.
    ranges, range_center, range_upper
        Moving ranges of two; their centre and limit (series,), in the charted scale.
    average, average_lower, average_upper
        Moving average and its limits.
    n_baseline
        (series,), values that the newest limits stand on.
    frozen
        (series,), True where the limits are frozen ones, of one mould at least.
    width
        (rows, series), half width of the limits in sigma.
    spans
        (rows, series), label of the stretch within which rows are compared: one mould, under one
        set of limits.
    granted
        What the charts take for granted, tested on the baseline.
    baseline
        The baseline in words, of the series whose limits are not frozen.
    rules
        Rules looked for, in words.
    notes
        One text a series: why it has no limits, or what weakens them.
    signals
        What was found, the earliest first.
    events
        Columns happened_at, kind, mould, note.
    remarks
        What should be said of all the charts.
    """

    plan: Plan
    rows: ChartRows
    series: SeriesSet
    values: Array
    center: Array
    lower: Array
    upper: Array
    sigma: Array
    sigma_df: Array
    ranges: Array
    range_center: Array
    range_upper: Array
    average: Array
    average_lower: Array
    average_upper: Array
    n_baseline: npt.NDArray[np.int64]
    frozen: npt.NDArray[np.bool_]
    width: Array
    spans: npt.NDArray[np.int64]
    granted: tuple[Granted, ...]
    baseline: str
    rules: tuple[str, ...]
    notes: tuple[str, ...]
    signals: tuple[Signal, ...]
    events: pd.DataFrame
    remarks: tuple[str, ...]


def monitor(
    store: Store,
    part: str | None = None,
    revision: str | None = None,
    *,
    names: tuple[str, ...] | None = None,
    by: str = BATCH,
    baseline: str | None = None,
    mould: str | None = None,
    span: str | None = None,
    result_set: str = "",
    order: str = MEASURED,
    rules: tuple[str, ...] | None = None,
    months: float | None = None,
) -> Monitor:
    """Chart series of a part.

    Parameters
    ----------
    store
        An open store.
    part, revision
        The part; not needed where the store holds one.
    names
        Series to chart; None for all.
    by
        ``piece`` or ``batch``.
    baseline
        Span that the limits stand on; None for the first pieces or batches.
    mould
        Only this mould.
    span
        Only the runs of this span are charted.
    result_set
        Set of results to chart; empty for the working one.
    order
        ``measured`` or ``moulded``: the time by which runs are put in order.
    rules
        Rules to look for, in words; where None those of the frozen limits, and else the usual ones.
    months
        Budget: limits wide enough for one false alarm in so many months over all the charts
        together; the usual ones where None. Run rules and frozen limits do not go with a budget.
    """
    _check_rules(rules, months)
    past = past_of(store, part, revision, result_set)
    plan = past.plan
    if span is not None:
        past = past.where(in_span(past.runs, span))
    whole = in_order(past, order)
    past = whole if mould is None else whole.where(np.asarray(whole.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError("no run left to chart", do="widen --span, or name another --mould")
    sets = limit_sets(store, plan.part, plan.revision) if baseline is None else ()
    return charted(
        past,
        read.events(store, plan.part),
        names=names,
        by=by,
        baseline=baseline,
        sets=sets,
        rules=rules,
        months=months,
        whole=whole.runs,
    )


def _check_rules(rules: tuple[str, ...] | None, months: float | None) -> None:
    for rule in rules or ():
        if rule not in RULES:
            raise InputError(f"no rule '{rule}'", do=f"use {'; '.join(RULES)}")
    if rules is not None and months is not None:
        raise InputError(
            "a budget looks for values beyond the limits and moving averages only",
            do="leave --rule or --budget out",
        )


def charted(
    past: History,
    events: pd.DataFrame,
    *,
    names: tuple[str, ...] | None = None,
    by: str = BATCH,
    baseline: str | None = None,
    sets: tuple[LimitSet, ...] = (),
    rules: tuple[str, ...] | None = None,
    months: float | None = None,
    chance: float | None = None,
    of: SeriesSet | None = None,
    whole: pd.DataFrame | None = None,
) -> Monitor:
    """Chart a history that is already read, under frozen ``sets`` where there are any.

    ``of`` charts other series of the same runs than the points and the fit's own figures. The
    baseline is named among the runs of ``whole``, where these are but a part of them. ``chance``
    is that of any false alarm over all charts and their whole history, instead of ``months``.
    """
    series = all_series(past) if of is None else of
    series = series if names is None else chosen(series, names)
    inside, words = baseline_of(past.runs, by, baseline, whole)
    scaled = np.where(series.skewed, np.cbrt(series.values**2), series.values)
    rows = chart_rows(past.runs, scaled, inside, by)
    if months is None and chance is None:
        lines = with_sets(baseline_lines(rows), rows, series.names, sets)
        return _charts(past, series, rows, words, events, lines, sets, rules, None)
    if {(s.series, s.by) for s in sets} & {(name, by) for name in series.names}:
        raise InputError(
            "frozen limits have a width of their own, not that of a budget",
            do="add --baseline to look past them",
        )
    if chance is not None:
        allowed = family_allowance(rows, series, chance)
    else:
        allowed = allowance(rows, series, cast(float, months))
    lines = baseline_lines(rows, allowed.width, allowed.average_width)
    return _charts(past, series, rows, words, events, lines, (), allowed.rules, allowed.words)


def baseline_of(
    runs: pd.DataFrame, by: str, text: str | None, whole: pd.DataFrame | None = None
) -> tuple[npt.NDArray[np.bool_], str]:
    """Return which runs are in the baseline, and that in words.

    A baseline that is named is looked up among the runs of ``whole``, all moulds', where given.
    """
    if text is not None:
        inside = in_span_of(runs if whole is None else whole, runs, text)
        if not inside.any():
            raise InputError(f"no run lies in the baseline {text}", do="name another span")
        return inside, text
    if by == BATCH or (runs["batch"] != "").any():
        batch = runs["batch"].astype(object).where(runs["batch"] != "", runs["measured_at"].dt.date)
        codes = pd.factorize(batch)[0]
        n = min(FIRST_BATCHES, int(codes.max()) + 1)
        return codes < n, f"the first {n} batches"
    n = min(FIRST_PIECES, len(runs))
    return np.arange(len(runs)) < n, f"the first {n} pieces"


def _charts(
    past: History,
    series: SeriesSet,
    rows: ChartRows,
    words: str,
    events: pd.DataFrame,
    lines: Lines,
    sets: tuple[LimitSet, ...],
    rules: tuple[str, ...] | None,
    budget: str | None,
) -> Monitor:
    x, center, sigma = rows.values, lines.center, lines.sigma
    used = np.unique(lines.sets[lines.sets >= 0])
    own = [rule for k in used for rule in sets[k].rules] if rules is None else []
    wanted = tuple(dict.fromkeys((*(DEFAULT if rules is None else rules), *own)))
    drawn = _drawn(x, lines, wanted)
    if rules is None:
        _only_their_own(drawn, lines, sets)
    shown = _shown(series, x, center, sigma * lines.width, drawn)
    last = _last_known(sigma)
    range_center = last * d2(2)
    return Monitor(
        plan=past.plan,
        rows=rows,
        series=series,
        **shown,
        sigma=last,
        sigma_df=lines.sigma_df,
        ranges=drawn.ranges,
        range_center=range_center,
        range_upper=chart_constants(2, WIDTH).D4 * range_center,
        n_baseline=lines.n,
        frozen=lines.frozen,
        width=lines.width,
        spans=lines.spans,
        granted=granted(series, rows, lines),
        baseline=words,
        rules=wanted,
        notes=notes_of(lines, rows, budgeted=budget is not None),
        signals=_signals(series, rows, lines, shown, drawn),
        events=events,
        remarks=remarks_of(past, rows) + (() if budget is None else (budget,)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    """What the charts find; arrays are (rows, series) in the charted scale."""

    average: Array
    average_lower: Array
    average_upper: Array
    ranges: Array
    found: dict[str, npt.NDArray[np.bool_]]
    average_beyond: npt.NDArray[np.bool_]


def _drawn(x: Array, lines: Lines, rules: tuple[str, ...]) -> _Drawn:
    """Draw every series, those of the same spans together."""
    numbers = {k: np.full(x.shape, np.nan) for k in ("z", "lower", "upper", "ranges")}
    flags = {k: np.zeros(x.shape, dtype=bool) for k in (*rules, EWMA_CHART)}
    _, group = np.unique(lines.spans, axis=1, return_inverse=True)
    for number in np.unique(group):
        at = np.flatnonzero(group.ravel() == number)
        spans, part = lines.spans[:, at[0]], x[:, at]
        center, sigma = lines.center[:, at], lines.sigma[:, at]
        # Wider limits are wider zones.
        wide = sigma * lines.width[:, at] / WIDTH
        reach = sigma * lines.average_width[:, at] / EWMA_WIDTH
        average = ewma(part, center, reach, lam=LAMBDA, width=EWMA_WIDTH, spans=spans)
        ranges = moving_ranges(part, spans=spans)
        numbers["z"][:, at], numbers["ranges"][:, at] = average.z, ranges
        numbers["lower"][:, at], numbers["upper"][:, at] = average.lower, average.upper
        flags[EWMA_CHART][:, at] = average.beyond
        for rule, found in signals(
            part, center, wide, rules=rules, spans=spans, width=WIDTH
        ).items():
            # Where there are no limits, a run of values about a poor centre is no signal either.
            flags[rule][:, at] = found & np.isfinite(sigma)
    return _Drawn(
        average=numbers["z"], average_lower=numbers["lower"], average_upper=numbers["upper"],
        ranges=numbers["ranges"], found={rule: flags[rule] for rule in rules},
        average_beyond=flags[EWMA_CHART],
    )  # fmt: skip


def _only_their_own(drawn: _Drawn, lines: Lines, sets: tuple[LimitSet, ...]) -> None:
    """Leave of what the rules found only what each row's own rules look for."""
    for rule, flags in drawn.found.items():
        has = np.array([*(rule in one.rules for one in sets), rule in DEFAULT])
        flags &= has[lines.sets]


def _last_known(sigma: Array) -> Array:
    """Return the newest sigma of each series, NaN where it never had one."""
    there = np.isfinite(sigma)
    last = len(sigma) - 1 - np.argmax(there[::-1], axis=0)
    return np.where(there.any(axis=0), sigma[last, np.arange(sigma.shape[1])], np.nan)


def _shown(
    series: SeriesSet, x: Array, center: Array, half: Array, drawn: _Drawn
) -> dict[str, Array]:
    """Return values and limits in mm: skewed figures go back from their power two thirds."""

    def back(scaled: Array) -> Array:
        return np.where(series.skewed, np.maximum(scaled, 0.0) ** 1.5, scaled)

    return {
        "values": back(x),
        "center": back(center),
        "lower": back(center - half),
        "upper": back(center + half),
        "average": back(drawn.average),
        "average_lower": back(drawn.average_lower),
        "average_upper": back(drawn.average_upper),
    }


def _signals(
    series: SeriesSet, rows: ChartRows, lines: Lines, shown: dict[str, Array], drawn: _Drawn
) -> tuple[Signal, ...]:
    found = [
        (VALUE_CHART, RULES[rule].text, flags, shown["values"])
        for rule, flags in drawn.found.items()
    ]
    found.append(
        (EWMA_CHART, "the moving average beyond its limit", drawn.average_beyond, shown["average"])
    )
    listed = [
        _signal(series, rows, chart, rule, first, last, column, values, shown["center"])
        for chart, rule, flags, values in found
        for first, last, column in _episodes(flags, lines.spans)
    ]
    return tuple(sorted(listed, key=lambda s: (s.since, s.series, s.chart)))


def _episodes(
    flags: npt.NDArray[np.bool_], spans: npt.NDArray[np.int64]
) -> list[tuple[int, int, int]]:
    """Return first row, last row and column of each unbroken stretch within one span."""
    edge = np.zeros((1, flags.shape[1]), dtype=bool)
    change = np.diff(spans, axis=0) != 0
    before = np.concatenate([edge, flags[:-1] & ~change])
    after = np.concatenate([flags[1:] & ~change, edge])
    starts = np.argwhere((flags & ~before).T)
    ends = np.argwhere((flags & ~after).T)
    return [(int(s[1]), int(e[1]), int(s[0])) for s, e in zip(starts, ends, strict=True)]


def touching(chart: Monitor, rows: npt.NDArray[np.bool_]) -> tuple[Signal, ...]:
    """Return the signals that lie, in part at least, on these rows (rows,) of their charts."""
    moulds = np.array(chart.rows.moulds, dtype=object)
    times = {m: np.sort(chart.rows.times[rows & (moulds == m)]) for m in set(moulds)}

    def any_between(one: Signal) -> bool:
        mine, since, until = times[one.mould], np.datetime64(one.since), np.datetime64(one.until)
        return bool(np.searchsorted(mine, since) < np.searchsorted(mine, until, side="right"))

    return tuple(s for s in chart.signals if any_between(s))


def _signal(
    series: SeriesSet, rows: ChartRows, chart: str, rule: str, first: int, last: int,
    column: int, values: Array, center: Array,
) -> Signal:  # fmt: skip
    return Signal(
        series=series.names[column],
        mould=rows.moulds[first],
        chart=chart,
        rule=rule,
        first=rows.labels[first],
        last=rows.labels[last],
        since=pd.Timestamp(rows.times[first]).to_pydatetime(),
        until=pd.Timestamp(rows.times[last]).to_pydatetime(),
        points=last - first + 1,
        value=float(values[first, column]),
        center=float(center[first, column]),
    )
