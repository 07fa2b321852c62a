"""Intervals of a counted share of pieces: exact, and for pieces that came in batches.

References
----------
.. [1] Clopper & Pearson (1934), The use of confidence or fiducial limits illustrated in the case of
   the binomial, Biometrika 26, 404-413.
.. [2] Korn & Graubard (1998), Confidence intervals for proportions with small expected number of
   positive counts estimated from survey data, Survey Methodology 24, 193-201 (the effective number,
   corrected for the few degrees of freedom that batches give).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.capability.bounds import check_level, positive
from spc.errors import DataError

FloatArray = NDArray[np.float64]


def proportion_interval(
    count: ArrayLike, pieces: ArrayLike, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Compute the Clopper-Pearson interval of a share [1]_.

    Parameters
    ----------
    count, pieces
        Pieces that have the property, and pieces in all; both may be fractional, as effective
        numbers are.
    level
        Confidence level, a fraction.

    Returns
    -------
    low, high
        Ends between 0 and 1; NaN without pieces.

    Raises
    ------
    DataError
        If a count is below zero or above its number of pieces.

    Examples
    --------
    None of 30 outside still leaves room for one in nine:

    >>> low, high = proportion_interval(0, 30)
    >>> print(f"{low:.3f} {high:.3f}")
    0.000 0.116
    """
    k, n = np.broadcast_arrays(np.asarray(count, np.float64), np.asarray(pieces, np.float64))
    if ((k < 0) | (k > n)).any():
        raise DataError("a count must lie between 0 and the number of pieces")
    tail = 0.5 * (1.0 - check_level(level))
    some = k > 0.0
    low = np.where(some, special.betaincinv(np.where(some, k, 1.0), n - k + 1.0, tail), 0.0)
    rest = n - k
    short = rest > 0.0
    high = special.betaincinv(k + 1.0, np.where(short, rest, 1.0), 1.0 - tail)
    high = np.where(short, high, 1.0)
    known = n > 0.0
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def batched_proportion_interval(
    count: ArrayLike,
    pieces: ArrayLike,
    effective: ArrayLike,
    batches: ArrayLike,
    level: float = 0.95,
) -> tuple[FloatArray, FloatArray]:
    """Compute the interval of a share of pieces in batches [2]_.

    Parameters
    ----------
    count, pieces
        As in `proportion_interval`.
    effective
        Independent pieces that the pieces are worth (see `spc.capability.batches`). Taken from the
        readings, not from in and out, it errs on the safe side: a reading cut into two classes is
        less alike within a batch than the reading itself.
    batches
        Number of batches.
    level
        Confidence level, a fraction.

    Returns
    -------
    low, high
        Ends between 0 and 1; NaN below two batches.
    """
    check_level(level)
    n, b = positive(pieces), np.asarray(batches, dtype=np.float64)
    n_eff = np.minimum(positive(effective), n)
    tail = 0.5 * (1.0 - level)
    by_pieces = special.stdtrit(np.maximum(n - 1.0, 1.0), 1.0 - tail)
    by_batches = special.stdtrit(np.maximum(b - 1.0, 1.0), 1.0 - tail)
    worth = np.where(b > 1.0, n_eff * (by_pieces / by_batches) ** 2, np.nan)
    share = np.where(n > 0.0, np.asarray(count, dtype=np.float64) / n, np.nan)
    known = np.isfinite(worth * share)
    low, high = proportion_interval(
        np.where(known, share * worth, 0.0), np.where(known, worth, 0.0), level
    )
    return np.where(known, low, np.nan), np.where(known, high, np.nan)
