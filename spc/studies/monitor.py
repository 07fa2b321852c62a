"""Charts of a part's series: limits from a named baseline, and the signals since."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.capability.batches import batch_components
from spc.charts.constants import chart_constants, d2
from spc.charts.estimated import estimated_limits
from spc.charts.memory import ewma
from spc.charts.rules import DEFAULT, RULES, signals
from spc.charts.sigma import moving_ranges
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.allowance import Allowed, allowance
from spc.studies.arrays import Array
from spc.studies.chosen_set import past_of
from spc.studies.granted import Granted, granted
from spc.studies.history import History
from spc.studies.limit_sets import LimitSet, limit_sets
from spc.studies.lines import FEWEST, Lines, baseline_lines, with_sets
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.order import MEASURED, in_order
from spc.studies.series import SeriesSet, all_series, chosen
from spc.studies.spans import in_span

#: Pieces or batches that the limits stand on where no baseline is named.
FIRST_PIECES, FIRST_BATCHES = 40, 12
#: From so many baseline values limits are no longer provisional (ISO 7870-2 asks 20 to 25).
SETTLED = 25
#: Share of the spread between batches from which a chart of single pieces is warned of.
ALIKE = 0.15
#: Limits lie so many standard deviations from the centre.
WIDTH = 3.0
#: Weight and limit of the moving average: in control for about 370 points (Lucas and Saccucci).
LAMBDA, EWMA_WIDTH = 0.2, 2.86

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
        (series,), True where the limits are frozen ones.
    width
        (rows, series), half width of the limits in sigma.
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
    rules: tuple[str, ...] = DEFAULT,
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
        Rules to look for, in words.
    months
        Budget: limits wide enough for one false alarm in so many months over all the charts
        together; the usual ones where None. Run rules do not go with a budget.
    """
    _check_rules(rules)
    past = past_of(store, part, revision, result_set)
    plan = past.plan
    if mould is not None:
        past = past.where(np.asarray(past.runs["mould"] == mould))
    if span is not None:
        past = past.where(in_span(past.runs, span))
    if past.runs.empty:
        raise InputError("no run left to chart", do="widen --span, or name another --mould")
    sets = limit_sets(store, plan.part, plan.revision) if baseline is None else ()
    return charted(
        in_order(past, order),
        read.events(store, plan.part),
        names=names,
        by=by,
        baseline=baseline,
        sets=sets,
        rules=rules,
        months=months,
    )


def _check_rules(rules: tuple[str, ...]) -> None:
    for rule in rules:
        if rule not in RULES:
            raise InputError(f"no rule '{rule}'", do=f"use {'; '.join(RULES)}")


def charted(
    past: History,
    events: pd.DataFrame,
    *,
    names: tuple[str, ...] | None = None,
    by: str = BATCH,
    baseline: str | None = None,
    sets: tuple[LimitSet, ...] = (),
    rules: tuple[str, ...] = DEFAULT,
    months: float | None = None,
    of: SeriesSet | None = None,
) -> Monitor:
    """Chart a history that is already read, under frozen ``sets`` where there are any.

    ``of`` charts other series of the same runs than the points and the fit's own figures.
    """
    series = all_series(past) if of is None else of
    series = series if names is None else chosen(series, names)
    inside, words = baseline_of(past.runs, by, baseline)
    scaled = np.where(series.skewed, np.cbrt(series.values**2), series.values)
    rows = chart_rows(past.runs, scaled, inside, by)
    allowed = None if months is None else allowance(rows, series, months)
    wanted = rules if allowed is None else allowed.rules
    return _charts(past, series, rows, words, events, sets, wanted, allowed)


def baseline_of(runs: pd.DataFrame, by: str, text: str | None) -> tuple[npt.NDArray[np.bool_], str]:
    """Return which runs are in the baseline, and that in words."""
    if text is not None:
        inside = in_span(runs, text)
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
    sets: tuple[LimitSet, ...],
    rules: tuple[str, ...],
    allowed: Allowed | None,
) -> Monitor:
    width = WIDTH if allowed is None else allowed.width
    lines = with_sets(baseline_lines(rows, width), rows, series.names, sets)
    x, center, sigma = rows.values, lines.center, lines.sigma
    drawn = _drawn(x, lines, rules)
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
        granted=granted(series, rows, lines),
        baseline=words,
        rules=rules,
        notes=_notes(lines, rows.by),
        signals=_signals(series, rows, lines, shown, drawn),
        events=events,
        remarks=_remarks(past, rows) + (() if allowed is None else (allowed.words,)),
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
        # Wider limits are wider zones, and a moving average wider in the same proportion.
        wide = sigma * lines.width[:, at] / WIDTH
        average = ewma(part, center, wide, lam=LAMBDA, width=EWMA_WIDTH, spans=spans)
        ranges = moving_ranges(part, spans=spans)
        numbers["z"][:, at], numbers["ranges"][:, at] = average.z, ranges
        numbers["lower"][:, at], numbers["upper"][:, at] = average.lower, average.upper
        flags[EWMA_CHART][:, at] = average.beyond
        for rule, found in signals(
            part, center, wide, rules=rules, spans=spans, width=WIDTH
        ).items():
            flags[rule][:, at] = found
    return _Drawn(
        average=numbers["z"], average_lower=numbers["lower"], average_upper=numbers["upper"],
        ranges=numbers["ranges"], found={rule: flags[rule] for rule in rules},
        average_beyond=flags[EWMA_CHART],
    )  # fmt: skip


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


def _notes(lines: Lines, by: str) -> tuple[str, ...]:
    return tuple(
        _note(int(n), float(sigma), bool(frozen), by)
        for n, sigma, frozen in zip(lines.n, lines.baseline_sigma, lines.frozen, strict=True)
    )


def _note(n: int, sigma: float, frozen: bool, by: str) -> str:
    what = "batches" if by == BATCH else "pieces"
    if frozen:
        few = n < SETTLED
        return f"frozen limits from {n} {what}" + (", provisional" if few else "")
    if n < FEWEST:
        return f"no limits: {n} baseline {what}, {FEWEST} are needed"
    if not sigma > 0:
        return "no limits: the baseline does not vary"
    if n < SETTLED:
        cost = estimated_limits(n)
        return (
            f"provisional: limits from {n} {what}: expect a value beyond them by chance about "
            f"every {1 / cost.mean_rate:.0f}, in one shop in ten every {cost.short_gap:.0f}, where "
            "settled limits have one in 370"
        )
    return ""


def alike_in_batches(rows: ChartRows, runs: pd.DataFrame) -> str:
    """Return a warning where pieces of a batch are alike and the chart is one of pieces."""
    if rows.by == BATCH or not runs["batch"].duplicated().any():
        return ""
    batch = dict(zip(runs["serial"].astype(str), runs["batch"].astype(str), strict=True))
    base = np.flatnonzero(rows.baseline)
    labels = [f"{rows.moulds[k]} {batch[rows.labels[k]]}" for k in base]
    if len(set(labels)) < 2:
        return ""
    share = batch_components(rows.values[base], labels).share
    if not np.nanmedian(share) > ALIKE:
        return ""
    return (
        f"pieces of a batch are alike ({np.nanmedian(share):.0%} of the spread lies between "
        "batches), so limits from neighbouring pieces are too narrow: expect many false alarms, "
        "and chart by batch instead"
    )


def _remarks(past: History, rows: ChartRows) -> tuple[str, ...]:
    alike = alike_in_batches(rows, past.runs)
    said = [alike] if alike else []
    moulds = sorted(set(rows.moulds))
    if len(moulds) > 1:
        named = ", ".join(m or "unknown" for m in moulds)
        said.append(
            f"moulds {named} are charted apart, each about its own centre; the spread is common, "
            "from moving ranges within each mould"
        )
    for number, words in (
        (past.superseded, "earlier runs of re-measured pieces are left out"),
        (past.unaligned, "runs that could not be aligned are left out"),
        (past.undated, "runs without a measuring time are left out"),
    ):
        if number:
            said.append(f"{number} {words}")
    return tuple(said)


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
