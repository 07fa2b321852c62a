"""What charts take for granted, tested on the baseline: independence, normality, like moulds."""

from dataclasses import dataclass

import numpy as np

from spc.charts.assumptions import lag_one_test, normality_test
from spc.charts.equality import equal_spread
from spc.studies.arrays import Array
from spc.studies.lines import Lines
from spc.studies.moments import ChartRows
from spc.studies.series import SeriesSet

#: Level of each test, over all series of the chart together (Bonferroni).
LEVEL = 0.01
#: Neighbours that hang together less than this do the limits little harm (common practice).
HARMLESS = 0.3
#: Fewest baseline values that a test is made of.
FEWEST = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Granted:
    """Tests of one series' baseline, each mould about its own centre.

    Parameters
    ----------
    series
        The series.
    n
        Values tested.
    lag_one, p_independent
        Autocorrelation of neighbours, and its probability with none.
    p_normal
        Probability of such a shape of normal values; NaN where too few.
    p_equal_spread
        Probability of moulds so unlike in spread; NaN with one mould.
    words
        What follows for the limits, in plain words; empty where nothing speaks against them.
    """

    series: str
    n: int
    lag_one: float
    p_independent: float
    p_normal: float
    p_equal_spread: float
    words: tuple[str, ...]


def granted(series: SeriesSet, rows: ChartRows, lines: Lines) -> tuple[Granted, ...]:
    """Test the baseline of every series."""
    base = rows.baseline
    x = rows.values[base] - lines.center[base]
    if len(x) < FEWEST:
        return ()
    spans = rows.spans[base]
    hang, shape = lag_one_test(x, spans=spans), normality_test(x)
    spread = equal_spread(x, spans).p if len(set(spans)) > 1 else np.full(x.shape[1], np.nan)
    level = LEVEL / x.shape[1]
    of = "mould" if rows.moulds == rows.tools else "cavity"
    return tuple(
        Granted(
            series=name,
            n=int(np.isfinite(x[:, k]).sum()),
            lag_one=float(hang.value[k]),
            p_independent=float(hang.p[k]),
            p_normal=float(shape.p[k]),
            p_equal_spread=float(spread[k]),
            words=_words(hang.value, hang.p, shape.p, spread, k, level, of),
        )
        for k, name in enumerate(series.names)
    )


def _words(
    lag: Array, independent: Array, normal: Array, spread: Array, k: int, level: float, of: str
) -> tuple[str, ...]:
    said = []
    if independent[k] < level and abs(lag[k]) > HARMLESS:
        said.append(
            f"neighbours hang together (r {lag[k]:.2f}), so limits from moving ranges are too "
            "narrow and run rules alarm falsely: --kind steps has limits that allow for it"
        )
    if normal[k] < level:
        said.append(
            "the baseline is not normal, so 'one in 370' does not hold: judge by the batch means "
            "of more pieces, or read a value beyond a limit as a question, not an answer"
        )
    if spread[k] < level:
        several = "cavities" if of == "cavity" else "moulds"
        said.append(
            f"the {several} differ in spread: chart each with --{of}, with limits of its own, or "
            f"all on one scale with --{several} standardised"
        )
    return tuple(said)
