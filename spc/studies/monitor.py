"""Charts of a part's series: limits from a named baseline, and the signals since."""

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.constants import chart_constants, d2
from spc.charts.rules import DEFAULT, RULES
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.allowance import allowance, family_allowance
from spc.studies.arrays import Array
from spc.studies.baselines import baseline_of
from spc.studies.chart_floor import Floor, floors
from spc.studies.chart_signals import Signal, signals_of
from spc.studies.chosen_set import past_of
from spc.studies.drawing import drawn_by, only_their_own, shown_in_mm
from spc.studies.granted import Granted, granted
from spc.studies.history import History
from spc.studies.limit_sets import LimitSet, limit_sets
from spc.studies.lines import WIDTH, Lines, baseline_lines, with_sets
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.monitor_words import notes_of, remarks_of
from spc.studies.order import MEASURED, in_order
from spc.studies.series import SeriesSet, all_series, chosen
from spc.studies.sharing import Comparison
from spc.studies.spans import in_span
from spc.studies.streams import Sharing, Streams, in_streams, narrowed, scaled_values


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
        Standard deviation that the limits stand on, in the charted scale; NaN where there are none.
    sigma_df
        Its effective degrees of freedom.
    ranges, range_center, range_upper
        Moving ranges of two; their centre and limit, in the charted scale.
    average, average_lower, average_upper
        Moving average and its limits.
    n_baseline
        Values that the limits stand on; 0 where there are none in force.
    frozen
        (series,), True where the limits are frozen ones, of one mould at least.
    frozen_moulds
        One a series: the moulds that have frozen limits.
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
    comparisons
        What the baseline says of moulds and cavities that might share a chart.
    remarks
        What should be said of all the charts.
    measuring
        What measuring makes of the spread behind the limits, of the series that a gauge study
        knows; empty where none speaks, or where charts are drawn without the store.
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
    frozen_moulds: tuple[tuple[str, ...], ...]
    width: Array
    spans: npt.NDArray[np.int64]
    granted: tuple[Granted, ...]
    baseline: str
    rules: tuple[str, ...]
    notes: tuple[str, ...]
    signals: tuple[Signal, ...]
    events: pd.DataFrame
    comparisons: tuple[Comparison, ...]
    remarks: tuple[str, ...]
    measuring: tuple[Floor, ...]

    def newest(self, column: int, mould: str) -> int:
        """Return the newest row of a chart that has limits; its last row where none has."""
        mine = np.flatnonzero(np.array([m == mould for m in self.rows.moulds]))
        limited = mine[np.isfinite(self.sigma[mine, column])]
        return int((limited if limited.size else mine)[-1])


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
    cavity: str | None = None,
    sharing: Sharing = Sharing(),  # noqa: B008 - frozen
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
    cavity
        Only this cavity, on a chart of its own.
    sharing
        How moulds and cavities share charts.
    """
    _check_rules(rules, months)
    past = past_of(store, part, revision, result_set)
    plan = past.plan
    if span is not None:
        past = past.where(in_span(past.runs, span))
    whole = in_order(past, order)
    if whole.runs.empty:
        raise InputError("no run left to chart", do="widen --span")
    past = narrowed(whole, mould, cavity)
    sets = limit_sets(store, plan.part, plan.revision) if baseline is None else ()
    found = charted(
        past,
        read.events(store, plan.part),
        names=names,
        by=by,
        baseline=baseline,
        sets=sets,
        rules=rules,
        months=months,
        whole=whole.runs,
        sharing=sharing,
    )
    measuring = floors(store, plan, found.rows, found.series, found.sigma)
    return replace(found, measuring=measuring)


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
    sharing: Sharing | None = None,
) -> Monitor:
    """Chart a history that is already read, under frozen ``sets`` where there are any.

    ``of`` charts other series of the same runs than the points and the fit's own figures. The
    baseline is named among the runs of ``whole``, where these are but a part of them. ``chance``
    is that of any false alarm over all charts and their whole history, instead of ``months``.
    Moulds are apart, and cavities not looked at, where no ``sharing`` is given.
    """
    every = all_series(past) if of is None else of
    series = every if names is None else chosen(every, names)
    inside, words = baseline_of(past.runs, by, baseline, whole)
    streams = Streams(past=past, series=series)
    if sharing is not None:
        streams = in_streams(past, series, every, inside, sharing, by, sets)
        past, series = streams.past, streams.series
        sets = sets if sharing.plain else ()
    rows = chart_rows(past.runs, scaled_values(series), inside, by)
    if months is None and chance is None:
        lines = with_sets(baseline_lines(rows), rows, series.names, sets)
        return _charts(streams, rows, words, events, lines, sets, rules, None)
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
    return _charts(streams, rows, words, events, lines, (), allowed.rules, allowed.words)


def _charts(
    streams: Streams,
    rows: ChartRows,
    words: str,
    events: pd.DataFrame,
    lines: Lines,
    sets: tuple[LimitSet, ...],
    rules: tuple[str, ...] | None,
    budget: str | None,
) -> Monitor:
    past, series = streams.past, streams.series
    x, center, sigma = rows.values, lines.center, lines.sigma
    used = np.unique(lines.sets[lines.sets >= 0])
    own = [rule for k in used for rule in sets[k].rules] if rules is None else []
    wanted = tuple(dict.fromkeys((*(DEFAULT if rules is None else rules), *own)))
    drawn = drawn_by(x, lines, wanted)
    if rules is None:
        only_their_own(drawn, lines, sets)
    shown = shown_in_mm(series, x, center, sigma * lines.width, drawn)
    range_center = sigma * d2(2)
    return Monitor(
        plan=past.plan,
        rows=rows,
        series=series,
        **shown,
        sigma=sigma,
        sigma_df=lines.sigma_df,
        ranges=drawn.ranges,
        range_center=range_center,
        range_upper=chart_constants(2, WIDTH).D4 * range_center,
        n_baseline=lines.n,
        frozen=lines.frozen,
        frozen_moulds=lines.frozen_moulds,
        width=lines.width,
        spans=lines.spans,
        granted=granted(series, rows, lines),
        baseline=words,
        rules=wanted,
        notes=notes_of(lines, rows, budgeted=budget is not None),
        signals=signals_of(series, rows, lines, shown, drawn),
        events=events,
        measuring=(),
        comparisons=streams.comparisons,
        remarks=(*remarks_of(past, rows), *streams.words, *(() if budget is None else (budget,))),
    )


def touching(chart: Monitor, rows: npt.NDArray[np.bool_]) -> tuple[Signal, ...]:
    """Return the signals that lie, in part at least, on these rows (rows,) of their charts."""
    moulds = np.array(chart.rows.moulds, dtype=object)
    times = {m: np.sort(chart.rows.times[rows & (moulds == m)]) for m in set(moulds)}

    def any_between(one: Signal) -> bool:
        mine, since, until = times[one.mould], np.datetime64(one.since), np.datetime64(one.until)
        return bool(np.searchsorted(mine, since) < np.searchsorted(mine, until, side="right"))

    return tuple(s for s in chart.signals if any_between(s))
