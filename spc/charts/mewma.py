"""The multivariate exponentially weighted moving average: slow change of several values at once.

References
----------
.. [1] Lowry, C. A., Woodall, W. H., Champ, C. W. and Rigdon, S. E. (1992). A multivariate
       exponentially weighted moving average control chart. Technometrics 34, 46-53.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints
from spc.charts.multivariate import Reference, t_squared


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mewma:
    """A multivariate average of the newest pieces and how far it stands off.

    Parameters
    ----------
    z
        The averages less the reference mean, ``(runs, p)``. A piece with a missing value leaves
        them.
    t2
        T² of the averages with their exact covariance so far, ``(runs,)``; NaN before the first
        piece.
    limit
        Upper limit ``h`` of ``t2``.
    beyond
        True where ``t2`` is beyond the limit; never at a piece with a missing value, ``(runs,)``.
    n
        Complete pieces of the span so far, ``(runs,)``.
    lam
        Weight of the newest piece.
    note
        What to beware of; empty where nothing.
    """

    z: Floats
    t2: Floats
    limit: float
    beyond: Bools
    n: Ints
    lam: float
    note: str


def mewma(
    x: ArrayLike, ref: Reference, *, h: float, lam: float = 0.1, spans: ArrayLike | None = None
) -> Mewma:
    """Average the newest pieces and judge the average, exact from the first piece [1]_.

    Parameters
    ----------
    x
        Values, ``(runs, points)``.
    ref
        See `spc.charts.multivariate.reference`.
    h
        Limit, see `spc.charts.runlength_mewma.mewma_limit` for one that gives a wanted run length.
    lam
        Weight of the newest piece, above 0 and at most 1.
    spans
        Label of each run; the average starts again from the mean at a change of label.
    """
    arrays.require(0 < lam <= 1, "lam", lam, "above 0 and at most 1")
    arrays.require(h > 0, "h", h, "above 0")
    off = ref.off(x)
    whole: Bools = np.asarray(~np.isnan(off).any(axis=1))
    ages = arrays.span_ages(spans, len(off))
    z = np.where(whole[:, None], off, 0.0) * lam
    n = np.zeros(len(off), dtype=np.int64)
    last, seen = np.zeros(ref.p), 0
    for i, (row, new, full) in enumerate(zip(z, ages == 0, whole.tolist(), strict=True)):
        if new:
            last, seen = np.zeros(ref.p), 0
        row += (1 - lam) * last if full else last
        seen += full
        last, n[i] = row, seen
    with np.errstate(divide="ignore"):  # lam = 1 forgets at once: log of 0
        grown = lam / (2 - lam) * -np.expm1(2 * n * np.log1p(-lam)) if lam < 1 else np.ones(len(n))
    with np.errstate(invalid="ignore", divide="ignore"):  # before the first piece: 0/0 is NaN
        t2 = np.where(n > 0, t_squared(z, ref.inverse) / grown, np.nan)
    note = ref.note and f"{ref.note}; the limit takes mean and covariance as known"
    return Mewma(z=z, t2=t2, limit=h, beyond=(t2 > h) & whole, n=n, lam=lam, note=note)
