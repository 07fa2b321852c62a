"""The front door: a crossed gauge study of any state, answered point by point.

A complete, balanced point is answered by analysis of variance, any other one by restricted maximum
likelihood; the result says which.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.gauge.anova import Pool, crossed_study
from spc.gauge.arrays import IntArray, counted, measurements
from spc.gauge.history import History
from spc.gauge.intervals import anova_quantities
from spc.gauge.layout import Counts, Layout, complete, lay_out
from spc.gauge.quantities import Quantities, limits_of, together
from spc.gauge.reml import RemlStudy, reml_study
from spc.gauge.reml_intervals import reml_quantities
from spc.gauge.separable import HIT, nested
from spc.gauge.study import CrossedStudy

#: To be printed where a study is run on points that hold the fit.
FIT_POINT_CAUTION = (
    "the fit pulls its own points to zero: gauge noise and piece spread of a fit point both come "
    "out too small and their ratio means nothing; judge the gauge on check points"
)
ANOVA, REML = "analysis of variance", "restricted maximum likelihood"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeStudy:
    """A crossed gauge study with its answers.

    Parameters
    ----------
    quantities
        Standard deviations and ratios of every point, with intervals.
    counts
        Counts of the design.
    method
        How each point was answered, one a point.
    anova
        The analysis of variance of the balanced points; None where there is none.
    anova_points
        Which points it is of, (own,).
    reml
        The likelihood fit of the other points; None where there is none.
    reml_points
        Which points it is of, (own,).
    notes
        What the reader must know, one sentence each.
    """

    quantities: Quantities
    counts: Counts
    method: tuple[str, ...]
    anova: CrossedStudy | None
    anova_points: IntArray
    reml: RemlStudy | None
    reml_points: IntArray
    notes: tuple[str, ...]


def gauge_study(
    y: ArrayLike,
    piece: ArrayLike,
    operator: ArrayLike,
    setup: ArrayLike,
    *,
    hits: int | None = None,
    tolerance: ArrayLike | None = None,
    history: History | None = None,
    pool: Pool = "auto",
    pool_above: float = 0.25,
    spread: float = 6.0,
    level: float = 0.95,
) -> GaugeStudy:
    """Return the answers of a crossed study: piece, operator, set-up in each of them, hit.

    Parameters
    ----------
    y
        Measurements in mm, (rows, points) or (rows,), one row a hit or a patch mean; NaN where
        missing.
    piece, operator, setup
        Whole-number codes (rows,); a set-up's code need only be unique within its piece and
        operator.
    hits
        Hits that one reported value is the mean of; the commonest number in a set-up where None.
    tolerance
        Limits of each point (points, 2) in mm, NaN where open; or None.
    history
        Spread of pieces in production, used in place of the study's pieces.
    pool, pool_above
        Pooling of operator by piece, as in `crossed_study`; the likelihood pools nothing.
    spread
        Standard deviations counted as the width of the gauge.
    level
        Confidence level as a fraction.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    DataError
        Where shapes, codes or settings do not fit.
    """
    array = measurements(y)
    points = array.shape[1]
    layout = lay_out(piece, operator, setup, array.shape[0])
    hits = commonest_hits(layout) if hits is None else hits
    clean = complete(array) & layout.counts.balanced
    limits = np.full((points, 2), np.nan) if tolerance is None else limits_of(tolerance, points)
    at, rest = np.flatnonzero(clean), np.flatnonzero(~clean)
    anova = reml = None
    parts: list[tuple[IntArray, Quantities]] = []
    if at.size:
        anova = crossed_study(
            array[:, at], piece, operator, setup, pool=pool, pool_above=pool_above
        )
        known = None if history is None else history.at(at)
        answered = anova_quantities(
            anova, hits=hits, tolerance=limits[at], history=known, spread=spread, level=level
        )
        parts.append((at, answered))
    if rest.size:
        reml = reml_study(array[:, rest], crossed_factors(piece, operator, setup))
        known = None if history is None else history.at(rest)
        averaged = {HIT: counted(hits, name="hits", least=1)}
        answered = reml_quantities(
            reml,
            averaged=averaged,
            tolerance=limits[rest],
            history=known,
            spread=spread,
            level=level,
        )
        parts.append((rest, answered))
    quantities = together(parts, points)
    return GaugeStudy(
        quantities=quantities,
        counts=layout.counts,
        method=tuple(ANOVA if c else REML for c in clean),
        anova=anova,
        anova_points=at,
        reml=reml,
        reml_points=rest,
        notes=(*_route(layout, rest.size, points), *quantities.notes),
    )


def crossed_factors(
    piece: ArrayLike, operator: ArrayLike, setup: ArrayLike
) -> dict[str, ArrayLike]:
    """Return the sources of the crossed model, outermost first, for `reml_study`."""
    return {
        "piece": piece,
        "operator": operator,
        "operator_piece": nested(operator, piece),
        "setup": nested(setup, piece, operator),
    }


def commonest_hits(layout: Layout) -> int:
    """Return the commonest number of hits in a set-up."""
    return int(np.bincount(np.bincount(layout.run)).argmax())


def _route(layout: Layout, other: int, points: int) -> tuple[str, ...]:
    if not other:
        return ()
    why = "values are missing" if layout.counts.balanced else "the study is unbalanced"
    where = "" if other == points else f" at {other} of {points} points"
    return (f"{why}{where}: answered by restricted maximum likelihood",)
