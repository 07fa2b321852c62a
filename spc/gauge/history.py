"""Pieces known from production: their spread in place of that of the few pieces of a study."""

from dataclasses import dataclass, replace

import numpy as np

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, IntArray
from spc.gauge.band import Band, around
from spc.gauge.mls import bounds, ratio_bounds

_METHOD = "modified large sample"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """Spread of pieces known from production, used instead of the pieces of the study.

    Parameters
    ----------
    sd
        Standard deviation of reported values in production, (points,) or one number, mm.
    dof
        Degrees of freedom behind it; infinite where it is taken as known.
    with_gauge
        True where ``sd`` was measured with this gauge and so holds its noise too.
    """

    sd: FloatArray | float
    dof: float = np.inf
    with_gauge: bool = True

    def at(self, points: IntArray) -> "History":
        """Return the spread of some points only."""
        if np.ndim(self.sd) == 0:
            return self
        return replace(self, sd=np.asarray(self.sd, dtype=np.float64)[points])

    def in_words(self) -> str:
        """Return what stands in for the pieces of the study, in a sentence."""
        held = "with" if self.with_gauge else "without"
        return f"spread of pieces taken from production, {held} the noise of the gauge in it"


def history_bands(
    mean_squares: FloatArray,
    dof: FloatArray,
    weights: FloatArray,
    gauge: FloatArray,
    history: History,
    level: float,
) -> tuple[Band, Band, Band]:
    """Return the variance ratio pieces / gauge, and the spreads of pieces and of the total.

    Parameters
    ----------
    mean_squares, dof, weights
        What the gauge's variance is made of, (terms, points) each.
    gauge
        The gauge's variance (points,), mm².
    history
        Spread in production.
    level
        Confidence level as a fraction.
    """
    points = mean_squares.shape[1]
    sd = np.broadcast_to(np.asarray(history.sd, dtype=np.float64), (points,))
    if not (sd > 0).all() or not history.dof > 0:
        raise DataError("the spread in production and its degrees of freedom must be above zero")
    ms = np.concatenate([mean_squares, sd[None] ** 2])
    dof = np.concatenate([dof, np.full((1, points), min(history.dof, 1e9))])
    top, bottom = np.zeros_like(ms), np.concatenate([weights, np.zeros((1, points))])
    top[-1] = 1.0
    own = 1.0 if history.with_gauge else 0.0
    low, high = ratio_bounds(top, bottom, ms, dof, level)
    pieces = np.maximum(sd**2 - own * gauge, 0.0)
    part = bounds(top - own * bottom, ms, dof, level)
    whole = bounds(top + (1.0 - own) * bottom, ms, dof, level)
    return (
        ratio_band(pieces, gauge, low - own, high - own, level),
        around(pieces, *part, level, _METHOD).root(),
        around(pieces + gauge, *whole, level, _METHOD).root(),
    )


def ratio_band(
    top: FloatArray, bottom: FloatArray, low: FloatArray, high: FloatArray, level: float
) -> Band:
    """Return pieces / gauge; nothing where the gauge shows no variation to divide by."""
    none = ~(bottom > 0)
    with np.errstate(divide="ignore", invalid="ignore"):  # taken out by the mask
        value = np.where(none, np.nan, top / bottom)
    low, high = (np.where(none, np.nan, end) for end in (low, high))
    note = "repeated readings do not differ at all: read with more digits" if none.any() else ""
    return around(value, low, high, level, _METHOD + ", solved for the ratio", note)
