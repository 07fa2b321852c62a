"""What lies behind a signal of several values judged together.

References
----------
.. [1] Mason, R. L., Tracy, N. D. and Young, J. C. (1995). Decomposition of T² for multivariate
       control chart interpretation. Journal of Quality Technology 27, 99-108.
.. [2] Westerhuis, J. A., Gurden, S. P. and Smilde, A. K. (2000). Generalized contribution plots in
       multivariate statistical process monitoring. Chemometrics and Intelligent Laboratory
       Systems 51, 95-114 (the D-statistic of scores, split into the variables behind them).
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.arrays import Floats
from spc.charts.multivariate import Reference, t2_limit, t_squared
from spc.charts.tails import chi2_isf, f_isf
from spc.errors import DataError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contributions:
    """What each value adds to T², two ways [1]_.

    Parameters
    ----------
    alone
        T² of the value by itself: is it far out for a value of its kind? ``(runs, p)``.
    given_others
        T² of the value given all others: does it fit with the rest? ``(runs, p)``.
    alone_limit
        Limit of ``alone`` at ``alpha`` for one value of one piece.
    given_limit
        Limit of ``given_others``, ``(runs, p)``: it grows where the other values themselves lie
        far out, because what is expected of this one is then less certain.
    alpha
        False-alarm probability of one term.
    """

    alone: Floats
    given_others: Floats
    alone_limit: float
    given_limit: Floats
    alpha: float


def contributions(x: ArrayLike, ref: Reference, *, alpha: float = 0.0027) -> Contributions:
    """Split T² of each new piece into its values' unconditional and fully conditional terms [1]_.

    Notes
    -----
    The conditional term is the squared error of predicting the value from the others. With f
    degrees of freedom of the covariance and k = p − 1 others its limit is exactly
    ``(1 + 1/m + T²_others/f) f/(f−k) F(1, f−k)``; the formula of [1]_ leaves out ``T²_others/f``
    and so raises more false alarms than it promises where the reference is small.
    """
    off = ref.off(x)
    alone = off**2 / np.diag(ref.cov)
    given = (off @ ref.inverse) ** 2 / np.diag(ref.inverse)
    others = t_squared(off, ref.inverse)[:, None] - given
    given_limit = _term_limit(ref, ref.p - 1, alpha, others)
    alone_limit = float(_term_limit(ref, 0, alpha, np.zeros(1))[0])
    return Contributions(alone=alone, given_others=given, alone_limit=alone_limit,
                         given_limit=given_limit, alpha=alpha)  # fmt: skip


def parts_of_t2(x: ArrayLike, shapes: ArrayLike, ref: Reference) -> Floats:
    """Split T² of scores into the values that the scores were made of [2]_.

    Parameters
    ----------
    x
        Values less the mean of the reference pieces, ``(runs, points)``.
    shapes
        What makes scores of them, ``(points, p)``.
    ref
        The reference of the scores.

    Returns
    -------
    ndarray
        ``(runs, points)``: ``x_j (P S⁻¹ Pᵀ x)_j``, which add up to T². One below 0 is a value
        that speaks against the signal.
    """
    off, p = np.asarray(x, dtype=np.float64), np.asarray(shapes, dtype=np.float64)
    return np.asarray(off * (off @ p @ ref.inverse @ p.T))


def smallest_explanations(
    x: ArrayLike, ref: Reference, *, alpha: float = 0.0027, largest: int = 3
) -> tuple[tuple[int, ...], ...]:
    """Find the smallest sets of values without which one piece would raise no signal.

    Parameters
    ----------
    x
        Values of one piece, ``(points,)``.
    ref
        The reference.
    alpha
        False-alarm probability of the T² of the values that are left.
    largest
        Largest set tried.

    Returns
    -------
    tuple
        Every set of the smallest size that will do, by index; ``((),)`` where the piece raises no
        signal, ``()`` where no set up to ``largest`` explains it. Several sets mean that the
        piece cannot tell which of them it is.
    """
    off = ref.off(np.asarray(x, dtype=np.float64)[None, :])[0]
    if np.isnan(off).any():
        raise DataError("a value of the piece is missing; its signal cannot be split")
    for size in range(min(largest, ref.p) + 1):
        found = tuple(s for s in combinations(range(ref.p), size) if _quiet(off, ref, s, alpha))
        if found:
            return found
    return ()


def _quiet(off: Floats, ref: Reference, without: tuple[int, ...], alpha: float) -> bool:
    left = np.setdiff1d(np.arange(ref.p), without)
    if not left.size:
        return True
    d = off[left]
    t2 = float(d @ np.linalg.solve(ref.cov[np.ix_(left, left)], d))
    return t2 <= t2_limit(len(left), ref.m, alpha, df=ref.df)


def _term_limit(ref: Reference, given: int, alpha: float, others: Floats) -> Floats:
    if ref.m == 0:
        return np.full(others.shape, float(chi2_isf(alpha, 1)))
    f = ref.df - given
    return (1 + 1 / ref.m + others / ref.df) * (ref.df / f * f_isf(alpha, 1, f))
