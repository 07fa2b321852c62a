"""How many signals chance alone would raise, to stand beside the number found."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from spc.charts.estimated import estimated_limits
from spc.charts.runlength import rules_run_length
from spc.charts.runlength_memory import ewma_run_length
from spc.charts.tails import normal_sf
from spc.studies.lines import EWMA_WIDTH, LAMBDA, WIDTH
from spc.studies.monitor import Monitor, touching


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


def chance(chart: Monitor, rows: npt.NDArray[np.bool_] | None = None) -> Chance:
    """Reckon the false alarms of charts, and count those found, over the rows asked for.

    Values are taken as independent and normal. What limits from few values cost is counted in
    (Quesenberry 1993); expectations add up however the series hang together.

    Parameters
    ----------
    chart
        The charts.
    rows
        (rows,), which of them; all after the baseline where None.
    """
    wanted = ~chart.rows.baseline if rows is None else rows & ~chart.rows.baseline
    moulds = np.array(chart.rows.moulds, dtype=object)
    judged = wanted[:, None] & np.isfinite(chart.values) & np.isfinite(chart.upper)
    judged &= ~chart.series.fit_point
    per_chart = [
        (int(n), int(chart.n_baseline[chart.newest(column, mould), column]))
        for mould in sorted(set(moulds))
        for column, n in enumerate(judged[moulds == mould].sum(axis=0))
        if n
    ]
    return Chance(
        charts=len(per_chart),
        points=sum(points for points, _ in per_chart),
        charts_with_any=float(sum(any_in(n, points, chart.rules) for points, n in per_chart)),
        found=_found(chart, wanted),
        words=_words(min((n for _, n in per_chart), default=0)),
    )


def _found(chart: Monitor, wanted: npt.NDArray[np.bool_]) -> int:
    fit = {
        n for n, is_fit in zip(chart.series.names, chart.series.fit_point, strict=True) if is_fit
    }
    return len({(s.series, s.mould) for s in touching(chart, wanted) if s.series not in fit})


def _words(smallest: int) -> str:
    if not smallest:
        return "no chart has limits"
    few = estimated_limits(smallest)
    return (
        f"independent normal values; limits from {smallest} values: a value beyond them by chance "
        f"once in {1 / few.mean_rate:.0f} points on average, once in {few.short_gap:.0f} for one "
        "shop in ten"
    )


@cache
def any_in(n: int, points: int, rules: tuple[str, ...]) -> float:
    """Return the chance that one chart raises any false signal among so many points.

    Limits from ``n`` values raise the chance of a value beyond them, which is exact on average over
    shops; the run rules and the moving average of the same chart are raised in the same proportion,
    which is rough.
    """
    if not points:
        return 0.0
    known = -np.expm1(points * np.log1p(-2.0 * float(normal_sf(WIDTH))))
    raised = estimated_limits(max(n, 2), pieces=points).any_in / known
    rate = 1.0 / rules_run_length(rules).mean
    rate += 1.0 / ewma_run_length(lam=LAMBDA, width=EWMA_WIDTH).mean
    return float(-np.expm1(-points * rate * raised))
