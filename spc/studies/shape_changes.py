"""Which shapes moved: changes that stand out of all shapes and moulds looked at, and how surely.

A dozen shapes of two moulds are two dozen charts, and by the usual limits of single charts, from
a dozen batches, a third of them shows a signal where nothing moved. Here a chance of `ALPHA` is
shared among all of them: half among the places of a step in each history (Bonferroni over places
and charts), half among the values of the charts, whose limits are as wide as that takes.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.changepoint import likelihood_drop
from spc.charts.rules import DEFAULT
from spc.charts.scan import FEWEST, Scan, scan_for_change
from spc.charts.tails import t_isf
from spc.studies.arrays import Array
from spc.studies.chance import Layout, any_by_chart
from spc.studies.history import History
from spc.studies.lines import FEWEST as FEWEST_IN_BASELINE
from spc.studies.lines import WIDTH
from spc.studies.monitor import Monitor, charted
from spc.studies.series import SeriesSet
from spc.studies.signal_change import change_of

#: Chance that any shape of any mould is named where none moved, over the whole history.
ALPHA = 0.05
#: Of it, what is left to the values of the charts; the rest is the steps'.
OF_CHARTS = 0.5 * ALPHA
STEP, GROWING, BEYOND = "step", "growing", "limit"
LEVEL = 0.95
#: Events told at one change.
TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeChange:
    """A change of one shape on one mould, in the shape's unit.

    Parameters
    ----------
    shape, mould
        Which.
    found
        ``step``: its batch means before and after lie apart by more than chance allows over all
        shapes, moulds and places; ``growing``: the same, and a straight line that leaves the old
        level comes nearer to the means than a step does; ``limit``: its chart has values beyond its
        limits.
    last_before, first_after
        The change came, or began to grow, between these batches with 95 % confidence. The first is
        empty where it may have come before the history.
    batches
        Batches that it stands on.
    shift, shift_low, shift_high
        Mean after less mean before, or what it has grown to at the newest batch, and its 95 %
        interval over all places in between.
    p
        Chance of so large a step anywhere, on any of the charts, if nothing moved; NaN where it is
        the chart that shows it.
    events
        What is logged between these batches for this mould or all, arm checks apart; not
        thereby its cause.
    place
        A point at which a change of that place alone explains what moved about as well or better;
        empty where none does.
    place_share, shape_share
        Shares of what moved, apart from rigid motion, that this place and the shape take up; NaN
        without a place.
    """

    shape: str
    mould: str
    found: str
    last_before: str
    first_after: str
    batches: int
    shift: float
    shift_low: float
    shift_high: float
    p: float
    events: tuple[str, ...]
    place: str = ""
    place_share: float = float("nan")
    shape_share: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapesChance:
    """How often a shape is named where none moved.

    Parameters
    ----------
    level
        Chance of naming any, at most, over the whole history.
    shapes, moulds, charts, batches
        Shapes, what is charted apart (a mould, or one of its cavities), charts of one shape on one
        of these that can be judged, and batches.
    cavities
        Whether any of what is charted apart is a cavity.
    usual
        Charts that would be expected to show a signal by chance with the usual limits of single
        charts, after the baseline.
    unjudged
        Moulds with too few batches to judge anything, with their number of batches.
    """

    level: float
    shapes: int
    moulds: int
    cavities: bool
    charts: int
    batches: int
    usual: float
    unjudged: tuple[tuple[str, int], ...]


def shapes_charted(
    past: History, events: pd.DataFrame, baseline: str | None, series: SeriesSet
) -> Monitor:
    """Chart shapes by batch, with limits that share `OF_CHARTS` among all their values."""
    return charted(past, events, baseline=baseline, of=series, chance=OF_CHARTS)


def changes_in(chart: Monitor) -> tuple[ShapeChange, ...]:
    """Return the changes of each shape on each mould, in the order of the series."""
    scans = {m: (at, scan_for_change(chart.values[at])) for m, at in _moulds(chart).items()}
    charts = sum(int(np.isfinite(scan.p).sum()) for _, scan in scans.values())
    found = []
    for column, name in enumerate(chart.series.names):
        for mould, (at, scan) in scans.items():
            p = min(1.0, float(scan.p[column]) * charts)
            if p < ALPHA - OF_CHARTS:
                found.append(_step(chart, at, scan, column, mould, p))
            elif any((s.series, s.mould) == (name, mould) for s in chart.signals):
                found.append(_beyond(chart, at, name, mould))
    return tuple(found)


def _moulds(chart: Monitor) -> dict[str, npt.NDArray[np.int64]]:
    moulds = np.array(chart.rows.moulds, dtype=object)
    return {mould: np.flatnonzero(moulds == mould) for mould in sorted(set(chart.rows.moulds))}


def _step(
    chart: Monitor, at: npt.NDArray[np.int64], scan: Scan, column: int, mould: str, p: float
) -> ShapeChange:  # fmt: skip
    values = chart.values[at, column]
    here = np.flatnonzero(np.isfinite(values))
    candidates = np.flatnonzero(scan.candidates[:, column])
    places = np.searchsorted(here, candidates)
    step, line = _fits(values[here], _stepped), _fits(values[here], _growing)
    grows = min(fit.square for fit in line) < min(fit.square for fit in step)
    near = _near(line, len(here)) if grows else [step[place - 1] for place in places]
    best = min(line, key=lambda fit: fit.square) if grows else None
    first, last = min(fit.place for fit in near), max(fit.place for fit in near)
    return ShapeChange(
        shape=chart.series.names[column], mould=mould, found=GROWING if grows else STEP,
        last_before=chart.rows.labels[at[here[first - 1]]] if first else "",
        first_after=chart.rows.labels[at[here[last]]], batches=len(here),
        shift=best.shift if best else float(scan.shift[column]),
        shift_low=min(fit.low for fit in near), shift_high=max(fit.high for fit in near), p=p,
        events=_logged(chart, at, int(here[first - 1]) if first else -1, int(here[last])),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """A level that changes from one place on: its size at the newest batch, and what it leaves."""

    place: int
    shift: float
    low: float
    high: float
    square: float


def _stepped(n: int, place: int) -> Array:
    return (np.arange(n) >= place).astype(np.float64)


def _growing(n: int, place: int) -> Array:
    """Return a line from zero just before ``place`` to one at the newest batch."""
    return np.asarray(np.maximum(np.arange(n) - place + 1.0, 0.0) / (n - place))


def _fits(values: Array, form: Callable[[int, int], Array]) -> list[_Fit]:
    """Fit a change of this form from every place on, the first batch apart, by least squares."""
    n = len(values)
    quantile = float(t_isf((1 - LEVEL) / 2, np.array(n - 2)))
    found = []
    for place in range(1, n):
        x = form(n, place)
        off, y = x - x.mean(), values - values.mean()
        slope = float(off @ y / (off @ off))
        square = float(((y - slope * off) ** 2).sum())
        half = quantile * float(np.sqrt(square / (n - 2) / (off @ off)))
        found.append(_Fit(place=place, shift=slope, low=slope - half, high=slope + half,
                          square=square))  # fmt: skip
    return found


def _near(fits: list[_Fit], n: int) -> list[_Fit]:
    """Return the fits whose likelihood comes near that of the best."""
    best = min(fit.square for fit in fits)
    if best == 0.0:
        return [fit for fit in fits if fit.square == 0.0]
    drop = likelihood_drop(LEVEL)
    return [fit for fit in fits if 0.5 * n * np.log(fit.square / best) <= drop]


def _beyond(
    chart: Monitor, at: npt.NDArray[np.int64], name: str, mould: str
) -> ShapeChange:  # fmt: skip
    signal = next(s for s in chart.signals if (s.series, s.mould) == (name, mould))
    change = change_of(chart, signal)
    labels = [chart.rows.labels[k] for k in at]
    first, last = labels.index(change["changed_first"]), labels.index(change["changed_last"])
    here = np.isfinite(chart.values[at, chart.series.names.index(name)])
    before = np.flatnonzero(here[:first])
    return ShapeChange(
        shape=name, mould=mould, found=BEYOND,
        last_before=labels[before[-1]] if len(before) else "", first_after=labels[last],
        batches=int(here.sum()), shift=change["shift"], shift_low=change["shift_low"],
        shift_high=change["shift_high"], p=np.nan,
        events=_logged(chart, at, int(before[-1]) if len(before) else -1, last),
    )  # fmt: skip


def _logged(chart: Monitor, at: npt.NDArray[np.int64], before: int, after: int) -> tuple[str, ...]:
    """Return what is logged between two batches of a mould, the newest first."""
    events, times = chart.events, chart.rows.times[at]
    tools = chart.rows.tools_of(chart.rows.moulds[at[0]])
    mine = events[events["mould"].isin(["", *tools])]
    mine = mine[(mine["happened_at"] <= times[after]) & (mine["kind"] != "arm check")]
    if before >= 0:
        mine = mine[mine["happened_at"] > times[before]]
    rows = mine.sort_values("happened_at", kind="stable").to_dict("records")[::-1]
    return tuple(f"{row['kind']}: {row['note']}".rstrip(": ") for row in rows[:TOLD])


def _usual_layout(chart: Monitor, column: int) -> Layout:
    """Return how a shape's charts would be laid out with the limits meant for single charts."""
    kept = np.isfinite(chart.values[:, column])
    base = chart.rows.baseline[kept]
    moulds = chart.rows.spans[kept].tolist()
    return Layout(
        moulds=tuple(moulds), spans=tuple(moulds), base=tuple(base.tolist()),
        judged=tuple((~base).tolist()), behind=(0,) * len(moulds), width=WIDTH, rules=DEFAULT,
    )  # fmt: skip


def chance_of(chart: Monitor) -> ShapesChance:
    """Say how often a shape is named where none moved, and how often usual limits would."""
    moulds = _moulds(chart)
    enough = {m: np.isfinite(chart.values[at]).sum(axis=0) >= FEWEST for m, at in moulds.items()}
    limits = {m: np.isfinite(chart.upper[at]).any(axis=0) for m, at in moulds.items()}
    judged = {m: enough[m] | limits[m] for m in moulds}
    behind = chart.n_baseline.max(axis=0)
    usual = sum(
        sum(any_by_chart(_usual_layout(chart, k)).values())
        for k in range(len(chart.series.names))
        if behind[k] >= FEWEST_IN_BASELINE
    )
    return ShapesChance(
        level=ALPHA, shapes=len(chart.series.names), moulds=len(moulds),
        cavities=set(moulds) != set(chart.rows.tools),
        charts=sum(int(j.sum()) for j in judged.values()),
        batches=len(set(zip(chart.rows.tools, chart.rows.labels, strict=True))),
        usual=float(usual),
        unjudged=tuple((m, len(at)) for m, at in moulds.items() if not judged[m].any()),
    )  # fmt: skip
