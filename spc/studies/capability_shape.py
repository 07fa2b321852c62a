"""The shape of a point's readings, and what its percentiles say where it is not normal.

Every point draws its own random numbers, seeded by its name, so that it gets the same answer alone
and among others.
"""

from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np

from spc.capability.batches import batch_codes
from spc.capability.families import NORMAL as NORMAL_FAMILY
from spc.capability.fits import fit
from spc.capability.goodness import p_values
from spc.capability.notes import FEWEST_FOR_INDEX
from spc.capability.percentile_indices import PercentileIndices, percentile_indices
from spc.capability.shapes import FEWEST_FOR_SHAPE, Shapes, fit_shapes
from spc.studies.arrays import Array
from spc.studies.capability_asked import AUTO, NORMAL

#: p value below which a shape is turned down (common practice, no published source).
ALPHA = 0.05
_RESAMPLES = 199


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """The readings of one point.

    Parameters
    ----------
    name
        The point.
    x
        Readings, shape (pieces, 1), mm; NaN is missing.
    lower, upper
        Limits, mm; NaN for none.
    lots
        Batch of each piece.
    level
        Confidence level.
    form
        True for a size that cannot fall below zero.
    """

    name: str
    x: Array
    lower: float
    upper: float
    lots: tuple[str, ...]
    level: float
    form: bool = False

    def rng(self) -> np.random.Generator:
        """Return the point's own source of random numbers."""
        return np.random.default_rng(crc32(self.name.encode()))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """What is known of a point's shape.

    Parameters
    ----------
    normal_p
        Anderson-Darling p value of the normal shape, batches allowed for; NaN where too few pieces
        or no spread.
    refuted
        True where the normal bounds cannot be used: it was turned down, or never fitted the case.
    why
        Why they cannot, one sentence; empty where they can.
    shapes
        The shape named; None where only the normal one was tested.
    percentiles
        Percentile indices; None where they are not needed or were not asked for.
    """

    normal_p: float
    refuted: bool
    why: str
    shapes: Shapes | None = None
    percentiles: PercentileIndices | None = None


def shape_of(seen: Seen, wanted: str, *, name_it: bool = False) -> Shape:
    """Look at the shape of a point's readings.

    Parameters
    ----------
    seen
        The point.
    wanted
        ``auto``, ``normal`` or ``tested``.
    name_it
        True to name the shape even where the normal one is good enough.
    """
    if seen.form:
        return _of_form(seen, wanted)
    p = _normal_p(seen)
    refuted = p < ALPHA
    why = f"The readings are not normal (p = {p:.3g})." if refuted else ""
    if wanted == AUTO and (refuted or name_it):
        return _named(seen, p, why)
    return Shape(normal_p=p, refuted=refuted and wanted != NORMAL, why=why)


def _normal_p(seen: Seen) -> float:
    codes = batch_codes(seen.lots, len(seen.x))
    if np.isfinite(seen.x).sum() < FEWEST_FOR_SHAPE:
        return float("nan")
    own = fit(NORMAL_FAMILY, seen.x)
    _, p = p_values(NORMAL_FAMILY, seen.x, own, rng=seen.rng(), resamples=_RESAMPLES, codes=codes)
    return float(p[0])


def _of_form(seen: Seen, wanted: str) -> Shape:
    """Judge a size above zero by percentiles: it is skewed and has a limit on one side."""
    why = "A size that cannot fall below zero is judged by percentiles."
    if wanted == AUTO:
        return _named(seen, float("nan"), why)
    return Shape(normal_p=float("nan"), refuted=True, why=why)


def _named(seen: Seen, p: float, why: str) -> Shape:
    shapes = fit_shapes(
        seen.x, rng=seen.rng(), form=seen.form, alpha=ALPHA, resamples=_RESAMPLES, batch=seen.lots
    )
    percentiles = None
    if why:
        percentiles = percentile_indices(
            seen.x, seen.lower, seen.upper, shapes, rng=seen.rng(), level=seen.level,
            batch=seen.lots,
        )  # fmt: skip
    return Shape(normal_p=p, refuted=bool(why), why=why, shapes=shapes, percentiles=percentiles)


def held_normal(seen: Seen, mean: float, sd: float) -> Shapes:
    """Return the normal shape with the mean and whole spread that the indices use."""
    parameters = np.array([[mean], [sd], [np.nan], [np.nan]])
    known = np.isfinite(seen.x).sum() >= FEWEST_FOR_INDEX and sd > 0.0
    return Shapes(
        n=np.isfinite(seen.x).sum(axis=0),
        family=("normal" if known else "",),
        parameters=parameters if known else np.full((4, 1), np.nan),
        p_value=np.array([np.nan]),
        tried=((),),
        alpha=ALPHA,
        rivals=((),),
        note=("",),
    )


def as_indices_use_it(shapes: Shapes, mean: float, sd: float) -> Shapes:
    """Return a named shape; a normal one with the mean and whole spread of the indices."""
    if shapes.family != ("normal",):
        return shapes
    return replace(shapes, parameters=np.array([[mean], [sd], [np.nan], [np.nan]]))
