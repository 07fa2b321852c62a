"""Several values of a piece judged together: Hotelling's T².

Take values that can move independently: scores of named modes, not raw residuals of a fit, whose
covariance is singular. A singular reference is refused in words unless a basis is given to
project on.

References
----------
.. [1] Hotelling, H. (1947). Multivariate quality control, in Techniques of Statistical Analysis.
.. [2] Tracy, N. D., Young, J. C. and Mason, R. L. (1992). Multivariate control charts for
       individual observations. Journal of Quality Technology 24, 88-95.
.. [3] Sullivan, J. H. and Woodall, W. H. (1996). A comparison of multivariate control charts for
       individual observations. Journal of Quality Technology 28, 398-408.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats
from spc.charts.tails import beta_isf, chi2_isf, f_isf
from spc.errors import DataError

POOLED = "pooled"
SUCCESSIVE = "successive differences"
SINGULAR = 1e-9
"""Smallest eigenvalue of the correlations, relative to the largest, that still counts as a way to
move."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """What pieces like these do when nothing is wrong.

    Parameters
    ----------
    mean
        Mean of the values (of the scores, where there is a basis), ``(p,)``.
    cov
        Their covariance, ``(p, p)``.
    inverse
        Its inverse, ``(p, p)``.
    m
        Complete reference pieces; 0 where mean and covariance are known from elsewhere.
    df
        Degrees of freedom of the covariance; infinite where it is known.
    basis
        Columns on which values are projected, ``(points, p)``; None where they are taken as they
        are.
    method
        How the covariance was estimated.
    note
        What to beware of; empty where nothing.
    """

    mean: Floats
    cov: Floats
    inverse: Floats
    m: int
    df: float
    basis: Floats | None
    method: str
    note: str

    @property
    def p(self) -> int:
        """Number of values judged together."""
        return len(self.mean)

    def off(self, x: ArrayLike) -> Floats:
        """Return values less the mean, projected where there is a basis, ``(runs, p)``."""
        return _project(arrays.matrix(x), self.basis) - self.mean


def reference(
    x: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    basis: ArrayLike | None = None,
    method: str = POOLED,
    spans: ArrayLike | None = None,
) -> Reference:
    """Learn mean and covariance from reference pieces.

    Parameters
    ----------
    x
        Values, ``(runs, points)``; a piece with a missing value is left out.
    baseline
        True for the reference pieces, ``(runs,)``; None takes all.
    basis
        Columns to project on, ``(points, p)``, for values that cannot all move independently.
    method
        ``pooled`` (about the mean) or ``successive differences``, which a slow drift or a step in
        the reference does not blow up [3]_; the latter has about 2(m−1)²/(3m−4) degrees of freedom.
    spans
        Label of each run; no difference is taken across a change of label, nor across a piece
        left out.

    Raises
    ------
    DataError
        Where the values have fewer ways to move than there are values, or there are too few pieces.
    """
    a = _project(arrays.matrix(x), None if basis is None else np.asarray(basis, dtype=np.float64))
    arrays.require(method in (POOLED, SUCCESSIVE), "method", repr(method),
                   f"{POOLED!r} or {SUCCESSIVE!r}")  # fmt: skip
    mask = arrays.baseline_mask(baseline, (a.shape[0], 1))[:, 0]
    complete = mask & ~np.isnan(a).any(axis=1)
    kept = a[complete]
    m, p = kept.shape
    if m < p + 2:
        raise DataError(
            f"{m} complete reference piece{'s' * (m != 1)} for {p} values; at least {p + 2} are "
            f"needed, {10 * p} or more to be trusted"
        )
    mean = kept.mean(axis=0)
    cov, df = _covariance(a, kept, complete, method, spans)
    inverse = _inverse(cov)
    note = f"{m} reference pieces for {p} values judged together: {10 * p} or more can be trusted"
    return Reference(mean=mean, cov=cov, inverse=inverse, m=m, df=df,
                     basis=None if basis is None else np.asarray(basis, dtype=np.float64),
                     method=method, note=note if m < 10 * p else "")  # fmt: skip


def known_reference(
    mean: ArrayLike, cov: ArrayLike, *, basis: ArrayLike | None = None
) -> Reference:
    """Take mean ``(p,)`` and covariance ``(p, p)`` as known, for example from a gauge study."""
    middle, c = np.asarray(mean, dtype=np.float64), np.asarray(cov, dtype=np.float64)
    fits = c.shape == (len(middle), len(middle)) and np.allclose(c, c.T)
    arrays.require(fits, "cov", f"of shape {c.shape}", f"symmetric, {len(middle)} by {len(middle)}")
    return Reference(mean=middle, cov=c, inverse=_inverse(c), m=0, df=np.inf,
                     basis=None if basis is None else np.asarray(basis, dtype=np.float64),
                     method="known", note="")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class T2Chart:
    """Hotelling's T² of each piece.

    Parameters
    ----------
    t2
        T², ``(runs,)``; NaN where a value is missing.
    limit
        Upper limit (there is no lower one).
    beyond
        True where T² is beyond the limit, ``(runs,)``.
    alpha
        False-alarm probability of a piece.
    new
        True where the limit is for new pieces, false where for the reference pieces themselves.
    p, m
        Values judged together, and reference pieces.
    note
        What to beware of; empty where nothing.
    """

    t2: Floats
    limit: float
    beyond: Bools
    alpha: float
    new: bool
    p: int
    m: int
    note: str


def t2_chart(x: ArrayLike, ref: Reference, *, alpha: float = 0.0027, new: bool = True) -> T2Chart:
    """Judge pieces against a reference.

    Parameters
    ----------
    x
        Values, ``(runs, points)``.
    ref
        See `reference`.
    alpha
        False-alarm probability of a piece.
    new
        True for pieces not in the reference (limit from F), false to look back over the reference
        pieces themselves (limit from the beta distribution) [2]_.
    """
    t2 = t_squared(ref.off(x), ref.inverse)
    limit = t2_limit(ref.p, ref.m, alpha, df=ref.df, new=new)
    return T2Chart(t2=t2, limit=limit, beyond=t2 > limit, alpha=alpha, new=new, p=ref.p, m=ref.m,
                   note=ref.note)  # fmt: skip


def t_squared(off: Floats, inverse: Floats) -> Floats:
    """Return ``off · inverse · off`` of each row, ``(runs,)``."""
    return np.asarray(np.einsum("ij,jk,ik->i", off, inverse, off, optimize=True))


def t2_limit(p: int, m: int, alpha: float, *, df: float | None = None, new: bool = True) -> float:
    """Limit of T² for ``p`` values from ``m`` reference pieces [2]_.

    Parameters
    ----------
    p, m
        Values judged together; reference pieces, 0 where mean and covariance are known (χ² limit).
    alpha
        False-alarm probability of a piece.
    df
        Degrees of freedom of the covariance; None means m − 1. For fewer (successive differences)
        both limits are approximate.
    new
        True for new pieces: ``(1 + 1/m) p f/(f−p+1) F(p, f−p+1)``; false for the reference pieces:
        ``(m−1)²/m · Beta(p/2, (f−p)/2)``.

    Examples
    --------
    >>> [round(t2_limit(3, m, 0.0027), 1) for m in (25, 50, 100)]
    [21.9, 17.4, 15.6]
    """
    arrays.require(0 < alpha < 1, "alpha", alpha, "between 0 and 1")
    f = (m - 1.0) if df is None else df
    if m == 0:
        return float(chi2_isf(alpha, p))
    arrays.require(f > p, "reference pieces", m, f"more than {p + 1} for {p} values")
    if new:
        return float((1 + 1 / m) * p * f / (f - p + 1) * f_isf(alpha, p, f - p + 1))
    return float((m - 1) ** 2 / m * beta_isf(alpha, p / 2, (f - p) / 2))


def t2_limit_of_means(p: int, m: int, n: int, alpha: float, *, new: bool = True) -> float:
    """Limit of T² of means of ``n`` pieces, covariance pooled within ``m`` subgroups [1]_.

    Examples
    --------
    Tensile strength and diameter, 20 subgroups of 10, alpha 0.001 (Montgomery, phase one): 13.72.

    >>> round(t2_limit_of_means(2, 20, 10, 0.001, new=False), 2)
    13.72
    """
    arrays.require(0 < alpha < 1, "alpha", alpha, "between 0 and 1")
    f = m * n - m - p + 1
    arrays.require(f > 0, "reference subgroups", f"{m} of {n}", f"enough for {p} values")
    turns = m + 1 if new else m - 1
    return float(p * turns * (n - 1) / f * f_isf(alpha, p, f))


def _project(a: Floats, basis: Floats | None) -> Floats:
    if basis is None:
        return a
    fits = basis.ndim == 2 and basis.shape[0] == a.shape[1]
    arrays.require(fits, "basis", f"of shape {basis.shape}", f"({a.shape[1]}, p)")
    arrays.require(bool(np.linalg.matrix_rank(basis) == basis.shape[1]), "basis",
                   "of columns that depend on each other", "of independent columns")  # fmt: skip
    return a @ basis


def _covariance(
    a: Floats, kept: Floats, complete: Bools, method: str, spans: ArrayLike | None
) -> tuple[Floats, float]:
    m = len(kept)
    if method == POOLED:
        return np.atleast_2d(np.cov(kept, rowvar=False)), m - 1.0
    follows = complete[1:] & complete[:-1] & (arrays.span_ages(spans, len(a))[1:] > 0)
    steps = np.diff(a, axis=0)[follows]
    pairs = len(steps)
    if pairs < a.shape[1] + 1:
        raise DataError(
            f"only {pairs} reference pieces follow another without a gap; take 'pooled'"
        )
    # degrees of freedom of a chain of m pieces [3]_; gaps cut it into shorter ones, which lose less
    return steps.T @ steps / (2 * pairs), 2 * pairs**2 / (3 * pairs - 1.0)


def _inverse(cov: Floats) -> Floats:
    scale = np.sqrt(np.diag(cov))
    still = np.flatnonzero(~(scale > 0))
    if still.size:
        raise DataError(f"value {still[0] + 1} does not vary: leave it out")
    correlation = cov / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(correlation)
    rank = int((values > SINGULAR * values[-1]).sum())
    if rank < len(values):
        raise DataError(
            f"the {len(values)} values have only {rank} independent ways to move (their covariance"
            f" is singular): chart {rank} modes instead, or give a basis of {rank} columns"
        )
    return np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))
