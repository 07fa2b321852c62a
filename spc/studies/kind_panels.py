"""The panels of other kinds of chart, each from one series laid out in rows."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts import subgroups
from spc.charts.autoregression import autoregression, one_step_errors
from spc.charts.batches import BatchCharts, batch_charts
from spc.charts.constants import chart_constants, d2
from spc.charts.cusum import cusum
from spc.charts.limits import individuals_limits
from spc.charts.sigma import moving_ranges
from spc.charts.subgroups import gather, subgroup_limits
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.kind_limits import Held, held
from spc.studies.kind_results import Fact, Panel
from spc.studies.lines import WIDTH, Lines, centers
from spc.studies.moments import BATCH, ChartRows, labels_of

#: Cumulative sums: half the shift looked for, the decision limit (in control for 370 points), and
#: the head start of a new span (Lucas and Crosier 1982).
ALLOWANCE, DECISION = 0.5, 4.774


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """One series laid out in rows.

    Parameters
    ----------
    past
        The runs.
    values
        (runs, 1), in the charted scale.
    rows, lines
        The rows, and their centre and sigma: frozen ones where there are any.
    baseline
        The baseline in words.
    """

    past: History
    values: Array
    rows: ChartRows
    lines: Lines
    baseline: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What a kind of chart is made of.

    Parameters
    ----------
    panels, facts, notes
        As in the study.
    """

    panels: tuple[Panel, ...]
    facts: tuple[Fact, ...]
    notes: tuple[str, ...]


def pieces_of(past: History, values: Array, rows: ChartRows) -> Array:
    """Return (rows, pieces, series), each mould's pieces about its own baseline centre."""
    center = dict(zip(rows.moulds, centers(rows.values, rows), strict=True))
    moulds = past.runs["mould"].astype(str)
    levelled = values - np.array([center[m] for m in moulds])
    labels = (moulds + "\x1f" + labels_of(past.runs, BATCH)).to_numpy(dtype=str)
    gathered, names = gather(levelled, labels)
    wanted = [f"{m}\x1f{label}" for m, label in zip(rows.moulds, rows.labels, strict=True)]
    place = {str(n): k for k, n in enumerate(names)}
    return gathered[[place[w] for w in wanted]]


def batch_panels(laid: Laid) -> Made:
    """Return batch means limited by their own variation, their moving range, and the spread."""
    rows, frozen = laid.rows, held(laid.lines, laid.rows)
    groups = pieces_of(laid.past, laid.values, rows)
    found = batch_charts(groups, rows.baseline, spans=rows.spans)
    about = np.where(frozen.judged, 0.0, found.means.center)
    means = Panel(
        name="batch means, about the mould's centre", unit="mm",
        values=np.where(frozen.judged, frozen.about, found.mean[:, 0]), center=about,
        lower=np.where(frozen.judged, -frozen.half, found.lower[:, 0]),
        upper=np.where(frozen.judged, frozen.half, found.upper[:, 0]),
    )  # fmt: skip
    spread = Panel(
        name="spread within batches", unit="mm", values=found.sd[:, 0],
        center=found.sd_center[:, 0], lower=found.sd_lower[:, 0], upper=found.sd_upper[:, 0],
    )  # fmt: skip
    notes = [n for n in (found.means.notes[0], found.notes[0]) if n]
    if frozen.any:
        notes = [n for n in notes if not frozen.judged.all() or n != found.means.notes[0]]
        notes.append(
            "frozen limits hold centre and spread of batch means, for batches of any size: the "
            f"limits of the spread within batches are those of {laid.baseline}"
        )
    return Made(
        panels=(means, _jumps(laid, found, frozen), spread), facts=_split(found),
        notes=tuple(notes),
    )  # fmt: skip


def _jumps(laid: Laid, found: BatchCharts, frozen: Held) -> Panel:
    """Return the moving range of the means, none across a change of limits."""
    spans = laid.lines.spans[:, 0]
    values = moving_ranges(laid.rows.values, spans=spans) if frozen.any else found.moving_range
    middle = np.where(frozen.judged, frozen.sigma * d2(2), found.means.mr_bar[0])
    upper = np.where(frozen.judged, chart_constants(2, WIDTH).D4 * middle, found.means.mr_upper[0])
    return Panel(
        name="moving range of the means", unit="mm", values=values[:, 0], center=middle,
        lower=np.full(len(middle), np.nan), upper=upper,
    )  # fmt: skip


def _split(found: BatchCharts) -> tuple[Fact, ...]:
    return (
        Fact(name="spread between batches", value=float(found.sigma_between[0]),
             low=float(found.between_low[0]), high=float(found.between_high[0]), unit="mm"),
        Fact(name="spread within batches", value=float(found.sigma_within[0]),
             low=float(found.within_low[0]), high=float(found.within_high[0]), unit="mm"),
        Fact(name="share of the variance between batches", value=float(found.between_share[0]),
             low=np.nan, high=np.nan, unit="share"),
    )  # fmt: skip


def range_panels(laid: Laid) -> Made:
    """Return batch means with limits from the mean range within them."""
    return _subgroups(laid, subgroups.MEAN_RANGE, "range")


def sd_panels(laid: Laid) -> Made:
    """Return batch means with limits from the mean standard deviation within them."""
    return _subgroups(laid, subgroups.MEAN_SD, "standard deviation")


def _subgroups(laid: Laid, estimator: str, of: str) -> Made:
    rows, frozen = laid.rows, held(laid.lines, laid.rows)
    groups = pieces_of(laid.past, laid.values, rows)
    found = subgroup_limits(groups, rows.baseline, estimator=estimator)
    # Of frozen limits only the centre; where none are in force there are no limits.
    none = np.where(frozen.judged & np.isnan(frozen.half), np.nan, 0.0)
    center = np.where(frozen.judged, 0.0, found.center)
    means = Panel(
        name="batch means, limited by the spread within", unit="mm",
        values=np.where(frozen.judged, frozen.about, found.mean[:, 0]), center=center,
        lower=center + none + found.lower[:, 0] - found.center,
        upper=center + none + found.upper[:, 0] - found.center,
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
    if frozen.any:
        notes.append(
            "frozen limits of batch means do not hold the spread within batches: the means stand "
            f"about the frozen centre, and all limits are as wide as {laid.baseline} make them"
        )
    facts = (Fact(name="spread within batches", value=float(found.sigma[0]), low=np.nan,
                  high=np.nan, unit="mm"),)  # fmt: skip
    return Made(panels=(means, spread), facts=facts, notes=tuple(notes))


def cusum_panels(laid: Laid) -> Made:
    """Return cumulative sums for a rise and a fall."""
    rows, lines = laid.rows, laid.lines
    sums = cusum(
        rows.values, lines.center, lines.sigma, k=ALLOWANCE, h=DECISION,
        head_start=DECISION / 2, spans=lines.spans[:, 0],
    )  # fmt: skip
    nothing = np.full(len(rows.labels), np.nan)
    panels = tuple(
        Panel(name=f"cumulative sum for a {way}", unit="sigma", values=values[:, 0],
              center=nothing, lower=nothing,
              upper=np.where(np.isfinite(values[:, 0]), DECISION, np.nan))
        for way, values in (("rise", sums.upper), ("fall", sums.lower))
    )  # fmt: skip
    if not np.isfinite(lines.sigma).any():
        return Made(panels=panels, facts=(), notes=_why_none(rows))
    said = (
        f"allowance {ALLOWANCE:g} and decision limit {DECISION:g} in sigma: in control for about "
        "370 points once the head start has worn off"
    )
    return Made(panels=panels, facts=_spreads(lines.sigma[:, 0], rows), notes=(said,))


def _why_none(rows: ChartRows) -> tuple[str, ...]:
    """Say why the baseline gives no spread; nothing where it would."""
    about = rows.values - centers(rows.values, rows)
    found = individuals_limits(about, rows.baseline, spans=rows.spans)
    return tuple(n for n in found.notes if n and not np.isfinite(found.upper[0]))


def _spreads(sigma: Array, rows: ChartRows) -> tuple[Fact, ...]:
    """Return the newest spread that sums are counted in: one, or one a mould where they differ."""
    newest = {
        mould: float(there[-1])
        for mould in dict.fromkeys(rows.moulds)
        for own in [sigma[np.array([m == mould for m in rows.moulds])]]
        for there in [own[np.isfinite(own)]]
        if there.size
    }
    name = "standard deviation"
    if len(set(newest.values())) < 2:
        value = next(iter(newest.values()), np.nan)
        return (Fact(name=name, value=value, low=np.nan, high=np.nan, unit="mm"),)
    return tuple(
        Fact(name=f"{name}, mould {mould or 'unknown'}", value=value, low=np.nan, high=np.nan,
             unit="mm")
        for mould, value in newest.items()
    )  # fmt: skip


def step_panels(laid: Laid) -> Made:
    """Return values with limits that allow for neighbours, and the errors of foretelling each."""
    rows, frozen = laid.rows, held(laid.lines, laid.rows)
    own = (rows.values - centers(rows.values, rows))[:, 0]
    about = np.where(frozen.judged, frozen.about, own)[:, None]
    spans = laid.lines.spans[:, 0]
    fit = autoregression(about, rows.baseline, spans=spans)
    errors = one_step_errors(about, fit, spans=spans)[:, 0]
    none = np.where(frozen.judged & np.isnan(frozen.half), np.nan, 0.0)
    center = np.where(frozen.judged, 0.0, fit.center[0])
    nothing = np.where(np.isfinite(errors), 0.0, np.nan)
    panels = (
        Panel(name="values about the mould's centre", unit="mm", values=about[:, 0],
              center=center, lower=center + none + fit.lower[0] - fit.center[0],
              upper=center + none + fit.upper[0] - fit.center[0]),
        Panel(name="one-step errors", unit="sigma", values=errors, center=nothing,
              lower=nothing - 3.0, upper=nothing + 3.0),
    )  # fmt: skip
    facts = (Fact(name="how much of a value's offset the next one keeps", value=float(fit.phi[0]),
                  low=float(fit.phi_low[0]), high=float(fit.phi_high[0]), unit=""),)  # fmt: skip
    notes = [n for n in fit.notes if n]
    if frozen.any:
        notes.append(
            "frozen limits do not say how neighbours hang together: values stand about the frozen "
            f"centre, and the limits are as wide as {laid.baseline} make them"
        )
    return Made(panels=panels, facts=facts, notes=tuple(notes))


def counted(past: History) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Return check points out of tolerance on each run, (runs, 1), and which have a tolerance."""
    geometry = past.geometry
    toleranced = ~geometry.is_fit & (np.isfinite(geometry.lower) | np.isfinite(geometry.upper))
    d = past.deviations[:, toleranced]
    out = (d < geometry.lower[toleranced]) | (d > geometry.upper[toleranced])
    return out.sum(axis=1)[:, None].astype(np.float64), toleranced


def unseen_points(past: History, toleranced: npt.NDArray[np.bool_]) -> tuple[str, ...]:
    """Say how many points were not measured."""
    lost = int(pd.isna(past.deviations[:, toleranced]).sum())
    return (f"points not measured, and counted as within tolerance: {lost}",) * bool(lost)
