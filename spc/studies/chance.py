"""How many signals chance alone would raise, to stand beside the number found."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from spc.charts.estimated import estimated_limits
from spc.charts.memory import ewma
from spc.charts.rules import signals
from spc.charts.sigma import individuals_sigma, relative_variance_of_mean_range
from spc.studies.arrays import Array
from spc.studies.lines import EWMA_WIDTH, LAMBDA, WIDTH
from spc.studies.monitor import Monitor, touching

#: Values simulated for one layout of charts, and the fewest and most charts made of them.
VALUES, FEWEST_CHARTS, MOST_CHARTS = 1_500_000, 400, 20_000
#: A baseline longer than this is not simulated whole: centre and spread are drawn by their laws.
WHOLE, TAIL = 400, 60
_SEED = 1931

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """What charts like these do when nothing is wrong.

    Parameters
    ----------
    charts, points
        Charts looked at (series times moulds, with limits after the baseline), and points on them
        that have limits.
    charts_with_any
        Expected number of charts with at least one.
    found
        Charts with at least one signal after the baseline.
    words
        How it was reckoned.
    """

    charts: int
    points: int
    charts_with_any: float
    found: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Rows of the charts of one series, in a form that can be looked up; one text or number a row.

    Parameters
    ----------
    moulds, spans
        (rows,), number of the chart and of the stretch within which rows are compared.
    base, judged
        (rows,), rows that the limits stand on, and those looked at.
    behind
        (rows,), values behind frozen limits; 0 for limits from the rows of ``base``.
    width
        Half width of the limits in sigma.
    rules
        Rules looked for, beside the moving average.
    """

    moulds: tuple[int, ...]
    spans: tuple[int, ...]
    base: tuple[bool, ...]
    judged: tuple[bool, ...]
    behind: tuple[int, ...]
    width: float
    rules: tuple[str, ...]


def chance(chart: Monitor, rows: Bools | None = None) -> Chance:
    """Reckon the false alarms of charts, and count those found, over the rows asked for.

    Charts laid out like these are simulated with independent normal values: their limits from as
    few values, their rules and moving averages together, carried over from the baseline.
    Expectations add up however the series hang together.

    Parameters
    ----------
    chart
        The charts.
    rows
        (rows,), which of them; all after the baseline where None.
    """
    wanted = ~chart.rows.baseline if rows is None else rows & ~chart.rows.baseline
    judged = wanted[:, None] & np.isfinite(chart.values) & np.isfinite(chart.upper)
    judged &= ~chart.series.fit_point
    charts, expected, smallest = 0, 0.0, []
    for column in np.flatnonzero(judged.any(axis=0)):
        layout = _layout(chart, judged, int(column))
        each = any_by_chart(layout)
        charts += len(each)
        expected += sum(each.values())
        smallest.append(int(chart.n_baseline[judged[:, column], column].min()))
    return Chance(
        charts=charts, points=int(judged.sum()), charts_with_any=expected,
        found=_found(chart, wanted), words=_words(min(smallest, default=0)),
    )  # fmt: skip


def _layout(chart: Monitor, judged: Bools, column: int) -> Layout:
    """Return how the charts of one series are laid out: only those rows that have limits."""
    kept = np.isfinite(chart.values[:, column]) & np.isfinite(chart.upper[:, column])
    moulds = chart.rows.spans[kept]
    frozen = np.array([m in chart.frozen_moulds[column] for m in chart.rows.moulds])[kept]
    behind = np.where(frozen, chart.n_baseline[kept, column], 0)
    return Layout(
        moulds=tuple(moulds.tolist()),
        spans=tuple(np.unique(chart.spans[kept, column], return_inverse=True)[1].tolist()),
        base=tuple((chart.rows.baseline[kept] & ~frozen).tolist()),
        judged=tuple(judged[kept, column].tolist()), behind=tuple(behind.tolist()),
        width=float(np.median(chart.width[kept, column])), rules=chart.rules,
    )  # fmt: skip


def _found(chart: Monitor, wanted: Bools) -> int:
    fit = {
        n for n, is_fit in zip(chart.series.names, chart.series.fit_point, strict=True) if is_fit
    }
    return len({(s.series, s.mould) for s in touching(chart, wanted) if s.series not in fit})


def _words(smallest: int) -> str:
    if not smallest:
        return "no chart has limits"
    few = estimated_limits(smallest)
    return (
        f"simulated with independent normal values; limits from {smallest} values: a value beyond "
        f"them by chance once in {1 / few.mean_rate:.0f} points on average, once in "
        f"{few.short_gap:.0f} for one shop in ten"
    )


def any_in(n: int, points: int, rules: tuple[str, ...]) -> float:
    """Return the chance that one chart raises any false signal among so many points.

    Its limits stand on the ``n`` values just before.
    """
    if not points:
        return 0.0
    rows = n + points
    return any_by_chart(Layout(
        moulds=(0,) * rows, spans=(0,) * rows, base=(True,) * n + (False,) * points,
        judged=(False,) * n + (True,) * points, behind=(0,) * rows, width=WIDTH, rules=rules,
    ))[0]  # fmt: skip


@lru_cache(maxsize=512)
def any_by_chart(layout: Layout) -> dict[int, float]:
    """Return for each chart that is looked at the chance of any false signal there."""
    shown = _shortened(layout)
    moulds, judged = np.array(shown.moulds), np.array(shown.judged)
    n = int(np.clip(VALUES // max(len(moulds), 1), FEWEST_CHARTS, MOST_CHARTS))
    rng = np.random.default_rng(_SEED)
    x = rng.normal(size=(len(moulds), n))
    center, sigma = _limits(layout, shown, x, rng)
    wide = sigma * shown.width / WIDTH
    spans = np.array(shown.spans)
    flags = ewma(x, center, wide, lam=LAMBDA, width=EWMA_WIDTH, spans=spans).beyond
    for found in signals(x, center, wide, rules=shown.rules, spans=spans, width=WIDTH).values():
        flags |= found
    return {
        int(mould): float(flags[judged & (moulds == mould)].any(axis=0).mean())
        for mould in np.unique(moulds[judged])
    }


def _shortened(layout: Layout) -> Layout:
    """Leave of a long baseline its end: the rest only settles the limits."""
    base = np.array(layout.base)
    if base.sum() <= WHOLE:
        return layout
    last = np.flatnonzero(base)[-TAIL]
    kept = ~base | (np.arange(len(base)) >= last)
    parts = {
        key: tuple(v for v, keep in zip(getattr(layout, key), kept, strict=True) if keep)
        for key in ("moulds", "spans", "base", "judged", "behind")
    }
    return Layout(**parts, width=layout.width, rules=layout.rules)


def _limits(
    layout: Layout, shown: Layout, x: Array, rng: np.random.Generator
) -> tuple[Array, Array]:  # fmt: skip
    """Return centre and sigma (rows, charts), as wrong as such limits are."""
    moulds, base, behind = np.array(shown.moulds), np.array(shown.base), np.array(shown.behind)
    center, sigma = np.zeros(x.shape), np.ones(x.shape)
    own, whole = behind == 0, np.array(layout.base)
    if whole.sum() > WHOLE:
        sigma[own] = _drawn_sigma(int(whole.sum()), x.shape[1], rng)
    elif base.any():
        sigma[own] = individuals_sigma(x[base], spans=moulds[base]).sigma
    for mould in np.unique(moulds[own]):
        mine = own & (moulds == mould)
        if whole.sum() > WHOLE:
            n = int((whole & (np.array(layout.moulds) == mould)).sum())
            center[mine] = rng.normal(0, max(n, 1) ** -0.5, x.shape[1])
        elif (mine & base).any():
            center[mine] = x[mine & base].mean(axis=0)
    for n in np.unique(behind[~own]):
        _frozen(int(n), moulds, np.asarray(behind == n), center, sigma, rng)
    return center, sigma


def _frozen(
    n: int, moulds: Ints, mine: Bools, center: Array, sigma: Array, rng: np.random.Generator
) -> None:
    """Draw frozen limits from so many values, which moulds frozen together share between them."""
    charts = np.unique(moulds[mine])
    sigma[mine] = _drawn_sigma(n, center.shape[1], rng)
    for mould in charts:
        at = mine & (moulds == mould)
        center[at] = rng.normal(0, (len(charts) / n) ** 0.5, center.shape[1])


def _drawn_sigma(n: int, charts: int, rng: np.random.Generator) -> Array:
    """Draw a spread from the mean moving range of n values: simulated, or by its variance."""
    if n <= WHOLE:
        return np.asarray(individuals_sigma(rng.normal(size=(n, charts))).sigma)
    spread = float(relative_variance_of_mean_range(np.array(n - 1))) ** 0.5
    return np.asarray(rng.normal(1.0, spread, charts))
