"""The same pieces before and after a change of the gauge: offset and spread, with intervals.

References
----------
.. [1] E. J. G. Pitman, A note on normal correlation, Biometrika 31 (1939) 9-12.
.. [2] W. A. Morgan, A test for the significance of the difference between the two variances in a
   sample from a normal bivariate population, Biometrika 31 (1939) 13-19.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, IntArray, level_of, measurements
from spc.gauge.band import Band
from spc.gauge.bias import bias, moments


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bridging:
    """What a change of arm, fixture, probe or plan did to each point.

    Parameters
    ----------
    offset
        Mean of after less before with its paired t interval, mm.
    offset_p
        Two-sided probability of so large an offset by chance, (points,).
    before_sd, after_sd
        Spread of the pieces before and after, (points,), mm.
    ratio
        after_sd over before_sd with its interval for paired values (Pitman and Morgan).
    ratio_p
        Two-sided probability of so unequal spreads by chance, (points,).
    correlation
        Correlation of before and after over pieces, (points,).
    n
        Pieces with both values, (points,).
    note
        What the reader must know.
    """

    offset: Band
    offset_p: FloatArray
    before_sd: FloatArray
    after_sd: FloatArray
    ratio: Band
    ratio_p: FloatArray
    correlation: FloatArray
    n: IntArray
    note: str


def bridging_study(before: ArrayLike, after: ArrayLike, *, level: float = 0.95) -> Bridging:
    """Return offset and ratio of spreads of paired values.

    Parameters
    ----------
    before, after
        The same pieces in the same order, (pieces, points) or (pieces,), mm; NaN where missing. A
        piece counts at a point where it has both.
    level
        Confidence level as a fraction.

    Returns
    -------
    Bridging
        NaN for the offset with fewer than 2 pieces and for the ratio with fewer than 3, or where a
        side does not vary.
    """
    x, y = measurements(before, name="before"), measurements(after, name="after")
    if x.shape != y.shape:
        raise DataError(f"after must have the shape of before, {x.shape}, not {y.shape}")
    level = level_of(level)
    both = ~(np.isnan(x) | np.isnan(y))
    x, y = np.where(both, x, np.nan), np.where(both, y, np.nan)
    off = bias(y - x, level=level)
    n, mean_x, var_x = moments(x)
    _, mean_y, var_y = moments(y)
    product = np.where(both, (x - mean_x) * (y - mean_y), 0.0).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # a side that does not vary
        r = np.clip(product / (n - 1.0) / np.sqrt(var_x * var_y), -1.0, 1.0)
    ratio, p = _ratio(var_x, var_y, r, n, level)
    few = f"{n.min()} pieces: say nothing of spreads before 10 or so" if n.min() < 10 else ""
    return Bridging(
        offset=off.bias,
        offset_p=off.p,
        before_sd=np.sqrt(var_x),
        after_sd=np.sqrt(var_y),
        ratio=ratio,
        ratio_p=p,
        correlation=r,
        n=n,
        note=few,
    )


def _ratio(
    var_x: FloatArray, var_y: FloatArray, r: FloatArray, n: IntArray, level: float
) -> tuple[Band, FloatArray]:
    """Return after over before: the spreads differ where sum and difference correlate [1]_ [2]_.

    The ratios λ that the test does not reject are W (K ± √(K² - 1)), W the observed ratio of
    variances, K = 1 + 2 (1 - r²) t² / (n - 2).
    """
    good = (n > 2) & (var_x > 0) & (var_y > 0)
    dof = np.where(good, n - 2.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # masked by ``good``
        w = np.where(good, var_y / var_x, np.nan)
        spread = np.maximum(1.0 - r**2, 0.0)
        t = (w - 1.0) * np.sqrt(dof) / (2.0 * np.sqrt(w * spread))
        t = np.where(w == 1.0, 0.0, t)
    quantile = special.stdtrit(dof, (1.0 + level) / 2.0)
    k = 1.0 + 2.0 * spread * quantile**2 / dof
    reach = k + np.sqrt(np.maximum(k**2 - 1.0, 0.0))
    p = np.where(np.isinf(t), 0.0, 2.0 * special.stdtr(dof, -np.abs(t)))
    note = "" if good.all() else "fewer than three pieces, or a side that does not vary"
    band = Band(
        value=np.sqrt(w),
        low=np.sqrt(w / reach),
        high=np.sqrt(w * reach),
        level=level,
        method="Pitman and Morgan, paired",
        note=note,
    )
    return band, np.asarray(np.where(good, p, np.nan), dtype=np.float64)
