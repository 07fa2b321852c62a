"""Average-and-range method, for comparison with older studies; no intervals, no interaction.

References
----------
.. [1] AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter III section B.
.. [2] A. J. Duncan, Quality Control and Industrial Statistics, 5th ed. 1986, table D3 (d2* of the
   mean of g ranges, √(d2² + d3²/g)).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import FloatArray
from spc.gauge.quantities import DISTINCT_FACTOR

#: Half-width, in standard deviations, of the integrals of the range, and their points.
_REACH, _NODES = 9.0, 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AverageRange:
    """Average-and-range answers at each point.

    Parameters
    ----------
    repeatability, reproducibility, gauge, pieces, total
        Standard deviations, (points,), mm (EV, AV, GRR, PV, TV of the manual [1]_).
    of_study
        Gauge over total, a fraction, (points,).
    distinct
        1.41 pieces over gauge, (points,).
    mean_range
        Mean range of the trials, (operators, points), mm.
    operator_mean
        Mean of each operator, (operators, points), mm.
    note
        What the reader must know.
    """

    repeatability: FloatArray
    reproducibility: FloatArray
    gauge: FloatArray
    pieces: FloatArray
    total: FloatArray
    of_study: FloatArray
    distinct: FloatArray
    mean_range: FloatArray
    operator_mean: FloatArray
    note: str


def average_range(y: ArrayLike) -> AverageRange:
    """Return the answers of the average-and-range method.

    Parameters
    ----------
    y
        One value a trial, (pieces, operators, trials) or (pieces, operators, trials, points), mm;
        a trial is a whole repeat: remove, re-seat, re-align.

    Returns
    -------
    AverageRange
        With one operator reproducibility is zero by lack of data, and the note says so.

    Raises
    ------
    DataError
        With fewer than 2 pieces or trials, or a missing value.
    """
    box = np.asarray(y, dtype=np.float64)
    box = box[..., None] if box.ndim == 3 else box
    if box.ndim != 4:
        raise DataError(f"y must have shape (pieces, operators, trials, points), not {box.shape}")
    pieces, operators, trials, _ = box.shape
    if pieces < 2 or trials < 2:
        raise DataError(f"needs 2 pieces and 2 trials or more, not {pieces} and {trials}")
    if not np.isfinite(box).all():
        raise DataError("a value is missing: the average-and-range method needs all of them")
    mean_range = np.ptp(box, axis=2).mean(axis=0)
    operator_mean = box.mean(axis=(0, 2))
    repeat = mean_range.mean(axis=0) / range_factor(trials, pieces * operators)
    differ = np.ptp(operator_mean, axis=0) / range_factor(operators, 1) if operators > 1 else 0.0
    between = np.sqrt(np.maximum(differ**2 - repeat**2 / (pieces * trials), 0.0))
    between = between if operators > 1 else np.zeros_like(repeat)
    part = np.ptp(box.mean(axis=(1, 2)), axis=0) / range_factor(pieces, 1)
    gauge = np.hypot(repeat, between)
    total = np.hypot(gauge, part)
    with np.errstate(divide="ignore", invalid="ignore"):  # nothing varies
        share, distinct = gauge / total, DISTINCT_FACTOR * part / gauge
    note = "ranges use the data less well than analysis of variance and see no interaction"
    if operators == 1:
        note += "; one operator: how far operators differ was not tested"
    return AverageRange(
        repeatability=repeat,
        reproducibility=between,
        gauge=gauge,
        pieces=part,
        total=total,
        of_study=share,
        distinct=distinct,
        mean_range=mean_range,
        operator_mean=operator_mean,
        note=note,
    )


def range_factor(size: int, groups: int) -> float:
    """Return d2*: what the mean of ``groups`` ranges of ``size`` normal values is divided by.

    The root of E[(mean range / σ)²] = d2² + d3²/groups [2]_; for many groups (from 16 on, as the
    tables do) d2 itself.

    Examples
    --------
    The manual's factors for three trials, three operators and ten pieces [1]_ are 0.5908, 0.5231
    and 0.3146.

    >>> print(*(round(1 / range_factor(*of), 4) for of in ((3, 30), (3, 1), (10, 1))))
    0.5908 0.5231 0.3146
    """
    if size < 2 or groups < 1:
        raise DataError(f"a range needs 2 values and 1 group, not {size} and {groups}")
    mean, variance = _range_moments(size)
    return float(mean if groups > 15 else np.sqrt(mean**2 + variance / groups))


def _range_moments(size: int) -> tuple[float, float]:
    """Return mean and variance of the range of standard normal values, by Gauss's rule.

    E W = ∫ 1 - F^n - (1-F)^n dx and E W² = 2 ∬_{x<y} 1 - F(y)^n - (1-F(x))^n + (F(y)-F(x))^n.
    """
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    x, w = node * _REACH, weight * _REACH
    f, g = special.ndtr(x), special.ndtr(-x)
    mean = float(w @ (1.0 - f**size - g**size))
    # y runs from x upwards by its own rule, since the integrand has a kink at y = x.
    half = (_REACH - x[:, None]) / 2.0
    y = x[:, None] + half * (1.0 + node)
    gap = special.ndtr(y) - f[:, None]
    inner = 1.0 - special.ndtr(y) ** size - g[:, None] ** size + gap**size
    return mean, float(2.0 * w @ (inner * half) @ weight) - mean**2
