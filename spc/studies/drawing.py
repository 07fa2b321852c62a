"""Charts drawn: moving averages, moving ranges, and what the rules find on them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.charts.memory import ewma
from spc.charts.rules import DEFAULT, signals
from spc.charts.sigma import moving_ranges
from spc.studies.arrays import Array
from spc.studies.limit_sets import LimitSet
from spc.studies.lines import EWMA_WIDTH, LAMBDA, WIDTH, Lines
from spc.studies.series import SeriesSet

#: Key of what the moving average finds.
AVERAGE = "moving average"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """What the charts show and find; arrays are (rows, series) in the charted scale.

    Parameters
    ----------
    average, average_lower, average_upper
        Moving average and its limits.
    ranges
        Moving ranges of two.
    found
        Where each rule is completed, by its name.
    average_beyond
        Where the moving average is beyond its limits.
    """

    average: Array
    average_lower: Array
    average_upper: Array
    ranges: Array
    found: dict[str, npt.NDArray[np.bool_]]
    average_beyond: npt.NDArray[np.bool_]


def drawn_by(x: Array, lines: Lines, rules: tuple[str, ...]) -> Drawn:
    """Draw every series, those of the same spans together."""
    numbers = {k: np.full(x.shape, np.nan) for k in ("z", "lower", "upper", "ranges")}
    flags = {k: np.zeros(x.shape, dtype=bool) for k in (*rules, AVERAGE)}
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
        flags[AVERAGE][:, at] = average.beyond
        for rule, found in signals(
            part, center, wide, rules=rules, spans=spans, width=WIDTH
        ).items():
            # Where there are no limits, a run of values about a poor centre is no signal either.
            flags[rule][:, at] = found & np.isfinite(sigma)
    return Drawn(
        average=numbers["z"], average_lower=numbers["lower"], average_upper=numbers["upper"],
        ranges=numbers["ranges"], found={rule: flags[rule] for rule in rules},
        average_beyond=flags[AVERAGE],
    )  # fmt: skip


def only_their_own(drawn: Drawn, lines: Lines, sets: tuple[LimitSet, ...]) -> None:
    """Leave of what the rules found only what each row's own rules look for."""
    for rule, flags in drawn.found.items():
        has = np.array([*(rule in one.rules for one in sets), rule in DEFAULT])
        flags &= has[lines.sets]


def shown_in_mm(
    series: SeriesSet, x: Array, center: Array, half: Array, drawn: Drawn
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
