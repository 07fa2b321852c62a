"""Other kinds of chart of one series: batches, subgroups, cumulative sums, and counts."""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts import subgroups
from spc.charts.autoregression import autoregression, one_step_errors
from spc.charts.batches import batch_charts
from spc.charts.counts import count_limits
from spc.charts.cusum import cusum
from spc.charts.subgroups import gather, subgroup_limits
from spc.errors import InputError
from spc.plan import Plan
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.baselines import baseline_of
from spc.studies.chosen_set import past_of
from spc.studies.history import History
from spc.studies.lines import baseline_lines, centers
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.order import MEASURED, in_order
from spc.studies.series import SeriesSet, all_series, chosen

BATCHES, MEAN_RANGE, MEAN_SD, CUSUM = "batches", "mean-range", "mean-sd", "cusum"
STEPS, COUNTS = "steps", "counts"
KINDS = (BATCHES, MEAN_RANGE, MEAN_SD, CUSUM, STEPS, COUNTS)
#: Unit of what is charted as its power two thirds.
TWO_THIRDS = "mm^(2/3)"
#: Name of the series that counts check points outside tolerance on a piece.
OUT_OF_TOLERANCE = "out-of-tolerance"
#: Cumulative sums: half the shift looked for, the decision limit (in control for 370 points), and
#: the head start of a new span (Lucas and Crosier 1982).
ALLOWANCE, DECISION = 0.5, 4.774


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One panel of a chart; arrays are (rows,).

    Parameters
    ----------
    name
        What it shows.
    unit
        ``mm``, ``mm^(2/3)``, ``sigma``, or ``points a piece``.
    values, center, lower, upper
        NaN where there is none.
    """

    name: str
    unit: str
    values: Array
    center: Array
    lower: Array
    upper: Array

    @property
    def beyond(self) -> npt.NDArray[np.bool_]:
        """Where a value lies beyond a limit."""
        return np.asarray((self.values > self.upper) | (self.values < self.lower))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A figure beside the chart.

    Parameters
    ----------
    name
        In words.
    value, low, high
        With its interval; NaN where there is none. Lengths in mm.
    unit
        ``mm``, ``mm^(2/3)``, ``share`` or empty.
    """

    name: str
    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelSignal:
    """A point beyond a limit of a panel.

    Parameters
    ----------
    panel, mould, label, at
        Where.
    value, limit
        The value and the limit that it passed.
    """

    panel: str
    mould: str
    label: str
    at: datetime
    value: float
    limit: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KindStudy:
    """One series in another kind of chart.

    Parameters
    ----------
    plan, series, spoken, kind
        What it is.
    labels, moulds, times
        Of the rows.
    sizes
        (rows,), pieces in each.
    in_baseline
        (rows,).
    baseline
        The baseline in words.
    panels
        The panels.
    facts
        Figures beside the chart.
    signals
        Points beyond a limit.
    notes
        What the reader must know.
    """

    plan: Plan
    series: str
    spoken: str
    kind: str
    labels: tuple[str, ...]
    moulds: tuple[str, ...]
    times: npt.NDArray[np.datetime64]
    sizes: npt.NDArray[np.int64]
    in_baseline: npt.NDArray[np.bool_]
    baseline: str
    panels: tuple[Panel, ...]
    facts: tuple[Fact, ...]
    signals: tuple[PanelSignal, ...]
    notes: tuple[str, ...]


def kind_study(
    store: Store, name: str, kind: str, part: str | None = None, revision: str | None = None, *,
    baseline: str | None = None, mould: str | None = None, order: str = MEASURED,
    result_set: str = "", by: str = BATCH,
) -> KindStudy:  # fmt: skip
    """Chart one series in another way.

    Parameters
    ----------
    store
        An open store.
    name
        The series; for counts ``out-of-tolerance``.
    kind
        ``batches``: means of batches limited by their own variation, their moving range, and the
        spread within. ``mean-range``, ``mean-sd``: means limited by the spread within subgroups
        (batches), which alarms falsely where batches differ by more than that. ``cusum``:
        cumulative sums with a head start. ``steps``: limits that allow for neighbours that hang
        together, and the errors of foretelling each value from the one before. ``counts``: check
        points out of tolerance a piece.
    part, revision, baseline, mould, order, result_set, by
        As for a monitor; ``by`` matters to cumulative sums only.
    """
    if kind not in KINDS:
        raise InputError(f"no kind of chart '{kind}'", do=f"use values, {', '.join(KINDS)}")
    whole = in_order(past_of(store, part, revision, result_set), order)
    past = whole if mould is None else whole.where(np.asarray(whole.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError(f"no run of mould '{mould}'", do="name another")
    if (kind == COUNTS) != (name == OUT_OF_TOLERANCE):
        raise InputError(
            f"kind '{kind}' with series '{name}'",
            do=f"chart {OUT_OF_TOLERANCE} with --kind {COUNTS}, and other series otherwise",
        )
    what = by if kind in (CUSUM, STEPS) else BATCH
    inside, words = baseline_of(past.runs, what, baseline, whole.runs)
    if kind == COUNTS:
        return _counts(past, inside, words)
    series = chosen(all_series(past), (name,))
    rows = chart_rows(past.runs, _scaled(series), inside, what)
    if kind == CUSUM:
        return _cusum(past, series, rows, words)
    if kind == STEPS:
        return _steps(past, series, rows, words)
    return _grouped(past, series, rows, words, kind)


def _scaled(series: SeriesSet) -> Array:
    return np.where(series.skewed, np.cbrt(series.values**2), series.values)


def _grouped(
    past: History, series: SeriesSet, rows: ChartRows, words: str, kind: str
) -> KindStudy:  # fmt: skip
    groups = pieces_of(past, _scaled(series), rows)
    if kind == BATCHES:
        panels, facts, notes = _batch_panels(groups, rows)
    else:
        panels, facts, notes = _subgroup_panels(groups, rows, kind)
    return _single(past, series, kind, rows, words, panels, facts, notes)


def pieces_of(past: History, values: Array, rows: ChartRows) -> Array:
    """Return (rows, pieces, series), each mould's pieces about its own baseline centre."""
    center = dict(zip(rows.moulds, centers(rows.values, rows), strict=True))
    levelled = values - np.array([center[m] for m in past.runs["mould"].astype(str)])
    batch = (
        past.runs["batch"]
        .astype(object)
        .where(past.runs["batch"] != "", past.runs["measured_at"].dt.strftime("no batch, %Y-%m-%d"))
    )
    labels = (past.runs["mould"].astype(str) + "\x1f" + batch.astype(str)).to_numpy(dtype=str)
    gathered, names = gather(levelled, labels)
    wanted = [f"{m}\x1f{label}" for m, label in zip(rows.moulds, rows.labels, strict=True)]
    place = {str(n): k for k, n in enumerate(names)}
    return gathered[[place[w] for w in wanted]]


def _batch_panels(
    groups: Array, rows: ChartRows
) -> tuple[list[Panel], list[Fact], tuple[str, ...]]:
    found = batch_charts(groups, rows.baseline, spans=rows.spans)
    nothing = np.full(len(groups), np.nan)
    means = Panel(
        name="batch means, about the mould's centre", unit="mm", values=found.mean[:, 0],
        center=np.broadcast_to(found.means.center, len(groups)), lower=found.lower[:, 0],
        upper=found.upper[:, 0],
    )  # fmt: skip
    ranges = Panel(
        name="moving range of the means", unit="mm", values=found.moving_range[:, 0],
        center=nothing + found.means.mr_bar[0], lower=nothing,
        upper=np.full(len(groups), found.means.mr_upper[0]),
    )  # fmt: skip
    spread = Panel(
        name="spread within batches", unit="mm", values=found.sd[:, 0],
        center=found.sd_center[:, 0], lower=found.sd_lower[:, 0], upper=found.sd_upper[:, 0],
    )  # fmt: skip
    facts = [
        Fact(name="spread between batches", value=float(found.sigma_between[0]),
             low=float(found.between_low[0]), high=float(found.between_high[0]), unit="mm"),
        Fact(name="spread within batches", value=float(found.sigma_within[0]),
             low=float(found.within_low[0]), high=float(found.within_high[0]), unit="mm"),
        Fact(name="share of the variance between batches", value=float(found.between_share[0]),
             low=np.nan, high=np.nan, unit="share"),
    ]  # fmt: skip
    notes = tuple(n for n in (found.means.notes[0], found.notes[0]) if n)
    return [means, ranges, spread], facts, notes


def _subgroup_panels(
    groups: Array, rows: ChartRows, kind: str
) -> tuple[list[Panel], list[Fact], tuple[str, ...]]:
    estimator = subgroups.MEAN_RANGE if kind == MEAN_RANGE else subgroups.MEAN_SD
    found = subgroup_limits(groups, rows.baseline, estimator=estimator)
    of = "range" if kind == MEAN_RANGE else "standard deviation"
    means = Panel(
        name="batch means, limited by the spread within", unit="mm", values=found.mean[:, 0],
        center=np.broadcast_to(found.center, len(groups)), lower=found.lower[:, 0],
        upper=found.upper[:, 0],
    )  # fmt: skip
    spread = Panel(
        name=f"{of} within batches", unit="mm", values=found.spread[:, 0],
        center=found.spread_center[:, 0], lower=found.spread_lower[:, 0],
        upper=found.spread_upper[:, 0],
    )  # fmt: skip
    split = batch_charts(groups, rows.baseline, spans=rows.spans)
    notes = [n for n in found.notes if n]
    if split.between_low[0] > 0:
        ratio = float(split.sigma_between[0] / split.sigma_within[0])
        notes.append(
            f"batches differ by {ratio:.2g} times the spread within them: limits from within "
            "alarm falsely; --kind batches suits these data"
        )
    facts = [Fact(name="spread within batches", value=float(found.sigma[0]), low=np.nan,
                  high=np.nan, unit="mm")]  # fmt: skip
    return [means, spread], facts, tuple(notes)


def _cusum(past: History, series: SeriesSet, rows: ChartRows, words: str) -> KindStudy:
    lines = baseline_lines(rows)
    sums = cusum(
        rows.values, lines.center, lines.sigma, k=ALLOWANCE, h=DECISION,
        head_start=DECISION / 2, spans=rows.spans,
    )  # fmt: skip
    nothing = np.full(len(rows.labels), np.nan)
    panels = [
        Panel(name=f"cumulative sum for a {way}", unit="sigma", values=values[:, 0],
              center=nothing, lower=nothing, upper=np.full(len(nothing), DECISION))
        for way, values in (("rise", sums.upper), ("fall", sums.lower))
    ]  # fmt: skip
    sigma = float(lines.sigma[0, 0])
    facts = [Fact(name="standard deviation", value=sigma, low=np.nan, high=np.nan, unit="mm")]
    note = () if np.isfinite(sigma) else ("no limits: too few baseline values, or no variation",)
    said = (
        f"allowance {ALLOWANCE:g} and decision limit {DECISION:g} in sigma: in control for about "
        "370 points once the head start has worn off"
    )
    return _single(past, series, CUSUM, rows, words, panels, facts, (*note, said))


def _steps(past: History, series: SeriesSet, rows: ChartRows, words: str) -> KindStudy:
    about = rows.values - baseline_lines(rows).center
    fit = autoregression(about, rows.baseline, spans=rows.spans)
    errors = one_step_errors(about, fit, spans=rows.spans)[:, 0]
    nothing = np.zeros(len(rows.labels))
    panels = [
        Panel(name="values about the mould's centre", unit="mm", values=about[:, 0],
              center=nothing + fit.center[0], lower=nothing + fit.lower[0],
              upper=nothing + fit.upper[0]),
        Panel(name="one-step errors", unit="sigma", values=errors, center=nothing,
              lower=nothing - 3.0, upper=nothing + 3.0),
    ]  # fmt: skip
    facts = [Fact(name="how much of a value's offset the next one keeps", value=float(fit.phi[0]),
                  low=float(fit.phi_low[0]), high=float(fit.phi_high[0]), unit="")]  # fmt: skip
    return _single(past, series, STEPS, rows, words, panels, facts, fit.notes)


def _counts(past: History, inside: npt.NDArray[np.bool_], words: str) -> KindStudy:
    check = ~past.geometry.is_fit
    d = past.deviations[:, check]
    toleranced = np.isfinite(past.geometry.lower[check]) | np.isfinite(past.geometry.upper[check])
    if not toleranced.any():
        raise InputError("no check point of the plan has a tolerance", do="give tolerances")
    out = ((d < past.geometry.lower[check]) | (d > past.geometry.upper[check])).sum(axis=1)
    rows = chart_rows(past.runs, out[:, None].astype(np.float64), inside, BATCH)
    total = rows.values[:, 0] * rows.pieces
    found = count_limits(total, rows.pieces, rows.baseline, spans=rows.spans)
    panel = Panel(
        name="check points out of tolerance a piece", unit="points a piece",
        values=found.rate[:, 0], center=np.broadcast_to(found.center, len(rows.labels)),
        lower=found.lower[:, 0], upper=found.upper[:, 0],
    )  # fmt: skip
    facts = [
        Fact(name="dispersion against pure counting", value=float(found.dispersion[0]),
             low=np.nan, high=np.nan, unit=""),
        Fact(name="limits widened by", value=float(found.spread[0]), low=np.nan, high=np.nan,
             unit=""),
    ]  # fmt: skip
    lost = int(np.isnan(d[:, toleranced]).sum())
    unseen = (f"points not measured, and counted as within tolerance: {lost}",) * bool(lost)
    return _study(
        past, OUT_OF_TOLERANCE, "check points out of tolerance", COUNTS, rows, words, [panel],
        facts, tuple(n for n in (*found.notes, *unseen) if n),
    )  # fmt: skip


def _single(
    past: History, series: SeriesSet, kind: str, rows: ChartRows, words: str,
    panels: list[Panel], facts: list[Fact], notes: tuple[str, ...],
) -> KindStudy:  # fmt: skip
    """Return the study of one series; what is no length in mm is not called one."""
    said = [note for note in notes if note]
    bare = sorted({m for m, c in zip(rows.moulds, centers(rows.values, rows)[:, 0], strict=True)
                   if np.isnan(c)})  # fmt: skip
    if bare:
        named = " and ".join(m or "unknown" for m in bare)
        said.append(f"mould {named} has no baseline value, so no centre to be charted about")
    if series.skewed[0]:
        said.append("charted as its power two thirds, which is close to normal")
        panels = [replace(p, unit=TWO_THIRDS if p.unit == "mm" else p.unit) for p in panels]
        facts = [replace(f, unit=TWO_THIRDS if f.unit == "mm" else f.unit) for f in facts]
    return _study(past, series.names[0], series.spoken[0], kind, rows, words, panels, facts,
                  tuple(said))  # fmt: skip


def _study(
    past: History, name: str, spoken: str, kind: str, rows: ChartRows, words: str,
    panels: list[Panel], facts: list[Fact], notes: tuple[str, ...],
) -> KindStudy:  # fmt: skip
    return KindStudy(
        plan=past.plan, series=name, spoken=spoken, kind=kind, labels=rows.labels,
        moulds=rows.moulds, times=rows.times, sizes=rows.pieces, in_baseline=rows.baseline,
        baseline=words, panels=tuple(panels), facts=tuple(facts),
        signals=tuple(s for panel in panels for s in _signals(panel, rows)), notes=notes,
    )  # fmt: skip


def _signals(panel: Panel, rows: ChartRows) -> list[PanelSignal]:
    return [
        PanelSignal(
            panel=panel.name, mould=rows.moulds[k], label=rows.labels[k],
            at=pd.Timestamp(rows.times[k]).to_pydatetime(), value=float(panel.values[k]),
            limit=float(
                panel.upper[k] if panel.values[k] > panel.upper[k] else panel.lower[k]
            ),
        )
        for k in np.flatnonzero(panel.beyond)
    ]  # fmt: skip
