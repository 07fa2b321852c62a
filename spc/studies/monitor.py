"""Charts of a part's series: limits from a named baseline, and the signals since."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.constants import chart_constants, d2
from spc.charts.memory import Ewma, ewma
from spc.charts.rules import DEFAULT, RULES, signals
from spc.charts.sigma import individuals_sigma, moving_ranges
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.chosen_set import past_of
from spc.studies.history import History
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.series import SeriesSet, all_series, chosen
from spc.studies.spans import in_span

#: Pieces or batches that the limits stand on where no baseline is named.
FIRST_PIECES, FIRST_BATCHES = 40, 12
#: Fewest baseline values that get limits (common practice, no published source).
FEWEST = 8
#: From so many baseline values limits are no longer provisional (ISO 7870-2 asks 20 to 25).
SETTLED = 25
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
        ``values``, ``moving average`` or ``moving range``.
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
        (series,), standard deviation that the limits stand on, in the charted scale.
    sigma_df
        (series,), its effective degrees of freedom.
    ranges, range_center, range_upper
        Moving ranges of two; their centre and limit (series,), in the charted scale.
    average, average_lower, average_upper
        Moving average and its limits.
    n_baseline
        (series,), baseline values.
    baseline
        The baseline in words.
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
    baseline: str
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
    """
    past = past_of(store, part, revision, result_set)
    plan = past.plan
    if mould is not None:
        past = past.where(np.asarray(past.runs["mould"] == mould))
    if span is not None:
        past = past.where(in_span(past.runs, span))
    if past.runs.empty:
        raise InputError("no run left to chart", do="widen --span, or name another --mould")
    return charted(past, read.events(store, plan.part), names=names, by=by, baseline=baseline)


def charted(
    past: History,
    events: pd.DataFrame,
    *,
    names: tuple[str, ...] | None = None,
    by: str = BATCH,
    baseline: str | None = None,
) -> Monitor:
    """Chart a history that is already read."""
    series = all_series(past)
    series = series if names is None else chosen(series, names)
    inside, words = _baseline(past.runs, by, baseline)
    scaled = np.where(series.skewed, np.cbrt(series.values**2), series.values)
    rows = chart_rows(past.runs, scaled, inside, by)
    return _charts(past, series, rows, words, events)


def _baseline(runs: pd.DataFrame, by: str, text: str | None) -> tuple[npt.NDArray[np.bool_], str]:
    if text is not None:
        inside = in_span(runs, text)
        if not inside.any():
            raise InputError(f"no run lies in the baseline {text}", do="name another span")
        return inside, text
    if by == BATCH:
        batch = runs["batch"].astype(object).where(runs["batch"] != "", runs["measured_at"].dt.date)
        codes = pd.factorize(batch)[0]
        n = min(FIRST_BATCHES, int(codes.max()) + 1)
        return codes < n, f"the first {n} batches"
    n = min(FIRST_PIECES, len(runs))
    return np.arange(len(runs)) < n, f"the first {n} pieces"


def _charts(
    past: History, series: SeriesSet, rows: ChartRows, words: str, events: pd.DataFrame
) -> Monitor:
    x, inside = rows.values, rows.baseline
    own = individuals_sigma(x[inside], spans=rows.spans[inside])
    n = np.isfinite(x[inside]).sum(axis=0)
    usable = (n >= FEWEST) & (own.sigma > 0)
    sigma = np.where(usable, own.sigma, np.nan)
    center = _centers(x, rows)
    average = ewma(x, center, sigma, lam=LAMBDA, width=EWMA_WIDTH, spans=rows.spans)
    ranges = moving_ranges(x, spans=rows.spans)
    constants = chart_constants(2, WIDTH)
    range_center = np.where(usable, own.sigma * d2(2), np.nan)
    shown = _shown(series, x, center, sigma, average)
    return Monitor(
        plan=past.plan, rows=rows, series=series, **shown, sigma=sigma, sigma_df=own.df,
        ranges=ranges, range_center=range_center, range_upper=constants.D4 * range_center,
        n_baseline=n, baseline=words,
        notes=tuple(_note(k, s, rows.by) for k, s in zip(n, own.sigma, strict=True)),
        signals=_signals(series, rows, shown, x, center, sigma, ranges,
                         constants.D4 * range_center, average),
        events=events, remarks=_remarks(past, rows),
    )  # fmt: skip


def _centers(x: Array, rows: ChartRows) -> Array:
    """Return each mould's own baseline mean at each of its rows; a mould without one has NaN."""
    center = np.full(x.shape, np.nan)
    for mould in np.unique(rows.spans):
        mine = rows.spans == mould
        base = x[mine & rows.baseline]
        there = np.isfinite(base)
        count = there.sum(axis=0)
        total = np.where(there, base, 0.0).sum(axis=0)
        center[mine] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return center


def _shown(
    series: SeriesSet, x: Array, center: Array, sigma: Array, average: Ewma
) -> dict[str, Array]:
    """Return values and limits in mm: skewed figures go back from their power two thirds."""

    def back(scaled: Array) -> Array:
        return np.where(series.skewed, np.maximum(scaled, 0.0) ** 1.5, scaled)

    return {
        "values": back(x),
        "center": back(center),
        "lower": back(center - WIDTH * sigma),
        "upper": back(center + WIDTH * sigma),
        "average": back(average.z),
        "average_lower": back(average.lower),
        "average_upper": back(average.upper),
    }


def _note(n: int, sigma: float, by: str) -> str:
    what = "batches" if by == BATCH else "pieces"
    if n < FEWEST:
        return f"no limits: {n} baseline {what}, {FEWEST} are needed"
    if not sigma > 0:
        return "no limits: the baseline does not vary"
    if n < SETTLED:
        return (
            f"provisional: limits from {n} {what}; {SETTLED} make them settled, until then "
            "expect more false alarms than the usual one in 370"
        )
    return ""


def _remarks(past: History, rows: ChartRows) -> tuple[str, ...]:
    said = []
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
    series: SeriesSet, rows: ChartRows, shown: dict[str, Array], x: Array, center: Array,
    sigma: Array, ranges: Array, range_upper: Array, average: Ewma,
) -> tuple[Signal, ...]:  # fmt: skip
    found = [
        (VALUE_CHART, RULES[rule].text, flags, shown["values"])
        for rule, flags in signals(
            x, center, sigma, rules=DEFAULT, spans=rows.spans, width=WIDTH
        ).items()
    ]
    found += [
        (EWMA_CHART, "the moving average beyond its limit", average.beyond, shown["average"]),
        (RANGE_CHART, "a jump from the point before beyond its limit", ranges > range_upper,
         shown["values"]),
    ]  # fmt: skip
    listed = [
        _signal(series, rows, chart, rule, first, last, column, values, shown["center"])
        for chart, rule, flags, values in found
        for first, last, column in _episodes(flags, rows.spans)
    ]
    return tuple(sorted(listed, key=lambda s: (s.since, s.series, s.chart)))


def _episodes(
    flags: npt.NDArray[np.bool_], spans: npt.NDArray[np.int64]
) -> list[tuple[int, int, int]]:
    """Return first row, last row and column of each unbroken stretch within one mould."""
    edge = np.zeros((1, flags.shape[1]), dtype=bool)
    new_span = np.concatenate([[True], np.diff(spans) != 0])[:, None]
    before = np.concatenate([edge, flags[:-1]]) & ~new_span
    end_span = np.concatenate([np.diff(spans) != 0, [True]])[:, None]
    after = np.concatenate([flags[1:], edge]) & ~end_span
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
