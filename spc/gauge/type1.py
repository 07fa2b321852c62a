"""Type-1 study: one reference piece, one operator, before a full study is worth its time.

References
----------
.. [1] ISO 22514-7 and house rules that share the idea: Cg and Cgk compare a share of the tolerance
   with the spread of repeats; the factors vary and are settable here. From memory of the
   standard: check the edition before quoting its limits as a requirement.
.. [2] R. E. Odeh, D. B. Owen, Tables for Normal Tolerance Limits, 1980: non-central t for
   one-sided indices.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import BoolArray, FloatArray, level_of, measurements
from spc.gauge.band import Band
from spc.gauge.bias import Bias, bias

#: To be printed beside the indices of an aligned patch (from the abstract of ISO 22514-7:2021).
PATCH_SCOPE = (
    "ISO 22514-7 is meant for simple one-dimensional measurements and not for positions that rely "
    "on several measured points: for a patch after alignment this is an internal index only"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Type1Study:
    """Spread and bias of repeats on one reference against the tolerance, at each point.

    Parameters
    ----------
    cg
        Share of tolerance over spread of repeats.
    cgk
        The same with the bias taken off.
    bias
        Bias with its interval and test.
    uncertainty
        Standard uncertainty of the measuring system, (points,), mm: reference, bias over √3, and
        the larger of repeats and resolution over √12, in squares [1]_.
    uncertainty_share
        Q_MS, two expanded ones (k = 2) over the tolerance, (points,); 0.15 at most is usual [1]_.
    resolution_share
        Resolution over tolerance, (points,); NaN where no resolution was given.
    least
        The value that both indices are held against.
    rule
        The formulas with their factors, for printing.
    note
        What the reader must know.
    """

    cg: Band
    cgk: Band
    bias: Bias
    uncertainty: FloatArray
    uncertainty_share: FloatArray
    resolution_share: FloatArray
    least: float
    rule: str
    note: str


def type1_study(
    y: ArrayLike,
    reference: ArrayLike,
    tolerance: ArrayLike,
    *,
    share: float = 0.2,
    spread: float = 6.0,
    least: float = 1.33,
    resolution: float | None = None,
    reference_u: float = 0.0,
    level: float = 0.95,
) -> Type1Study:
    """Return Cg = share T / (spread s) and Cgk = (share/2 T - |bias|) / (spread/2 s) [1]_.

    Parameters
    ----------
    y
        25 to 50 repeats in mm, (repeats, points) or (repeats,); NaN where missing.
    reference
        Reference value, one number or (points,), mm.
    tolerance
        Width of the tolerance, one number or (points,), mm.
    share, spread
        Factors of the house rule: 0.2 and 6, or 0.2 and 4, or 0.15 and 6.
    least
        Value that the indices are held against.
    resolution
        Resolution of the gauge, mm.
    reference_u
        Standard uncertainty of the reference, mm, taken as known: it widens the intervals of the
        bias and of Cgk, as so many fewer repeats would.
    level
        Confidence level of the intervals.

    Returns
    -------
    Type1Study
        Indices are NaN at points whose repeats do not differ at all.
    """
    array, level = measurements(y), level_of(level)
    width = np.broadcast_to(np.asarray(tolerance, dtype=np.float64), (array.shape[1],))
    if (width <= 0).any() or share <= 0 or spread <= 0:
        raise DataError("tolerance, share and spread must be above zero")
    off = bias(array, reference, reference_u=reference_u, level=level)
    flat = ~(off.sd > 0)
    s = np.where(flat, 1.0, off.sd)
    note = "repeats do not differ at all: read with more digits" if flat.any() else ""
    few = f"{off.n.min()} repeats: 25 or more are usual" if off.n.min() < 25 else ""
    dof, tail = np.maximum(off.n - 1.0, 1.0), (1.0 - level) / 2.0
    cg = share * width / (spread * s)
    low = cg * np.sqrt(special.chdtri(dof, 1.0 - tail) / dof)
    high = cg * np.sqrt(special.chdtri(dof, tail) / dof)
    half = spread / 2.0
    room = share / 2.0 * width - np.abs(off.bias.value)
    repeats = s**2 / (s**2 / np.maximum(off.n, 1) + reference_u**2)
    ends = _cgk_bounds(share / 2.0 * width, off, s, half, tail, repeats)
    read = 0.0 if resolution is None else resolution / np.sqrt(12.0)
    u = np.sqrt(reference_u**2 + off.bias.value**2 / 3.0 + np.maximum(off.sd, read) ** 2)
    return Type1Study(
        cg=_band(cg, low, high, level, "chi-square", flat, note),
        cgk=_band(room / (half * s), *ends, level, "non-central t", flat, note),
        bias=off,
        uncertainty=u,
        uncertainty_share=4.0 * u / width,
        resolution_share=np.full(width.size, np.nan) if resolution is None else resolution / width,
        least=least,
        rule=(
            f"Cg = {share:g} T / ({spread:g} s), "
            f"Cgk = ({share / 2:g} T - |bias|) / ({half:g} s), held against {least:g}"
        ),
        note="; ".join(n for n in (note, few) if n),
    )


def noncentrality(t: FloatArray, dof: FloatArray, p: float) -> FloatArray:
    """Return the non-centrality at which non-central t has probability ``p`` below ``t``.

    By halving on scipy's distribution function, all points at once.
    """
    t = np.asarray(t, dtype=np.float64)
    low = t - 12.0 * np.sqrt(1.0 + t**2 / (2.0 * dof))
    high = t + 12.0 * np.sqrt(1.0 + t**2 / (2.0 * dof))
    for _ in range(60):
        middle = (low + high) / 2.0
        above = special.nctdtr(dof, middle, t) > p
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return (low + high) / 2.0


def _cgk_bounds(
    room: FloatArray, off: Bias, s: FloatArray, half: float, tail: float, repeats: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of the lesser of the two one-sided indices.

    Each side alone has the exact non-central t interval [2]_; the lesser index is below neither
    lower bound's minimum more often than one side is. ``repeats`` is how many would leave the mean
    as uncertain as it is with the reference's own uncertainty.
    """
    root = np.sqrt(repeats)
    dof = np.maximum(off.n - 1.0, 1.0)
    lows, highs = [], []
    for sign in (1.0, -1.0):
        t = (room + sign * off.bias.value) * root / s
        t = np.where(np.isnan(t), 0.0, t)
        lows.append(noncentrality(t, dof, 1.0 - tail) / (half * root))
        highs.append(noncentrality(t, dof, tail) / (half * root))
    return np.minimum(*lows), np.minimum(*highs)


def _band(
    value: FloatArray,
    low: FloatArray,
    high: FloatArray,
    level: float,
    method: str,
    flat: BoolArray,
    note: str,
) -> Band:
    value, low, high = (np.where(flat, np.nan, a) for a in (value, low, high))
    return Band(value=value, low=low, high=high, level=level, method=method, note=note)
