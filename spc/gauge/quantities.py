"""What a gauge study is asked for, with intervals: the one result that pages and verdicts read.

The analysis of variance (balanced) and restricted maximum likelihood (unbalanced) both end here, so
that a reader need not know which of them was used.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, IntArray
from spc.gauge.band import Band, joined, missing

#: Factor of the number of distinct categories [AIAG, Measurement Systems Analysis, 4th ed. 2010].
DISTINCT_FACTOR = 1.41


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quantities:
    """Standard deviations and ratios of a gauge study at each point, with intervals.

    Parameters
    ----------
    sd
        Standard deviation of each component by name, mm.
    gauge
        Standard deviation of one reported value of one piece, mm.
    pieces
        Standard deviation of the pieces that the ratios below use, mm: those of the study, or of
        the production history where one was given.
    total
        Standard deviation of reported values over pieces, mm.
    of_study
        Gauge over total, a fraction (0.3 = 30 % of study variation).
    of_tolerance
        ``spread`` gauge standard deviations over the tolerance, a fraction.
    distinct
        1.41 piece over gauge; a count of categories is this number cut to a whole one.
    correlation
        Intraclass correlation: share of the pieces in the total variance.
    hits
        Hits that one reported value is the mean of.
    spread
        Standard deviations counted as the width of the gauge, 6 as a rule.
    tolerance_rule
        How the tolerance entered, in words, one a point; empty where the point has none.
    notes
        What the reader must know, one sentence each.
    """

    sd: Mapping[str, Band]
    gauge: Band
    pieces: Band
    total: Band
    of_study: Band
    of_tolerance: Band
    distinct: Band
    correlation: Band
    hits: int
    spread: float
    tolerance_rule: tuple[str, ...]
    notes: tuple[str, ...]


def of_study(ratio: Band) -> Band:
    """Return gauge over total from the variance ratio pieces / gauge."""
    return ratio.falling(lambda d: np.sqrt(1.0 / (1.0 + d)))


def correlation(ratio: Band) -> Band:
    """Return the intraclass correlation from the variance ratio pieces / gauge."""
    return ratio.rising(lambda d: 1.0 - 1.0 / (1.0 + d))


def distinct(ratio: Band) -> Band:
    """Return 1.41 piece over gauge from the variance ratio pieces / gauge."""
    return ratio.rising(lambda d: DISTINCT_FACTOR * np.sqrt(d))


def of_tolerance(
    gauge: Band, tolerance: ArrayLike | None, mean: FloatArray, spread: float
) -> tuple[Band, tuple[str, ...]]:
    """Return the gauge as a fraction of the tolerance, and the rule used at each point.

    Parameters
    ----------
    gauge
        Standard deviation of the gauge, mm.
    tolerance
        Lower and upper limit of each point (points, 2) in mm, NaN where open; or None.
    mean
        Mean of each point (points,), mm, for limits on one side.
    spread
        Standard deviations counted as the gauge's width. Two limits: spread σ / (upper - lower);
        one limit: (spread/2) σ / distance of the mean from it (common practice, no published
        source).

    Returns
    -------
    Band, tuple of str
    """
    points = mean.size
    if tolerance is None:
        return missing(points, gauge.level, "no tolerance was given"), ("",) * points
    limits = limits_of(tolerance, points)
    factor, rules = _factor(limits, mean, spread)
    note = "" if np.isfinite(factor).all() else "no tolerance that can be used at this point"
    band = gauge.rising(lambda sd: sd * factor)
    return replace(band, note="; ".join(n for n in (note, gauge.note) if n)), rules


def limits_of(tolerance: ArrayLike, points: int) -> FloatArray:
    """Return lower and upper limits (points, 2) after checking shape and order."""
    limits = np.asarray(tolerance, dtype=np.float64)
    if limits.shape != (points, 2):
        raise DataError(f"tolerance must have shape ({points}, 2), not {limits.shape}")
    wrong = np.flatnonzero(limits[:, 0] >= limits[:, 1])
    if wrong.size:
        low, high = limits[wrong[0]]
        raise DataError(f"lower limit {low:g} is not below upper limit {high:g}")
    return limits


def together(parts: Sequence[tuple[IntArray, Quantities]], points: int) -> Quantities:
    """Return the quantities of all points from those of some of them each."""
    first = parts[0][1]
    rules = [""] * points
    for at, part in parts:
        for point, rule in zip(at, part.tolerance_rule, strict=True):
            rules[point] = rule

    def of(name: str) -> Band:
        return joined([(at, getattr(part, name)) for at, part in parts], points)

    sd = {name: joined([(at, part.sd[name]) for at, part in parts], points) for name in first.sd}
    notes = dict.fromkeys(note for _, part in parts for note in part.notes)
    return replace(
        first,
        sd=sd,
        gauge=of("gauge"),
        pieces=of("pieces"),
        total=of("total"),
        of_study=of("of_study"),
        of_tolerance=of("of_tolerance"),
        distinct=of("distinct"),
        correlation=of("correlation"),
        tolerance_rule=tuple(rules),
        notes=tuple(notes),
    )


def _factor(
    limits: FloatArray, mean: FloatArray, spread: float
) -> tuple[FloatArray, tuple[str, ...]]:
    width = limits[:, 1] - limits[:, 0]
    room = np.where(np.isnan(limits[:, 1]), mean - limits[:, 0], limits[:, 1] - mean)
    two = np.isfinite(width)
    none = np.isnan(limits).all(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):  # no limit, or a mean on its limit
        factor = np.where(two, spread / width, np.where(room > 0, spread / 2.0 / room, np.nan))
    both = f"{spread:g} standard deviations over the tolerance"
    one = f"{spread / 2:g} standard deviations over the distance of the mean from its only limit"
    past = "the mean lies at or beyond its only limit: no fraction of a tolerance"
    rules = np.select([two, none, room > 0], [both, "", one], past)
    return np.where(none, np.nan, factor), tuple(str(r) for r in rules)
