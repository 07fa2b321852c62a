"""Pieces that came in batches: what of the variation is within, what is between, what n is worth.

The model is one-way random: a piece is the process mean, plus its batch's shift, plus its own.
Batches may be unequal. The estimates are those of unweighted batch means, which equal the usual
analysis of variance when batches are of one size and stay close to chi-square when they are not.

References
----------
.. [1] Thomas & Hultquist (1978), Interval estimation for the unbalanced case of the one-way random
   effects model, Annals of Statistics 6, 582-587 (unweighted means, harmonic mean size).
.. [2] Satterthwaite (1946), An approximate distribution of estimates of variance components,
   Biometrics Bulletin 2, 110-114.
.. [3] Kish (1965), Survey Sampling, Wiley (design effect, from which the effective number).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.errors import DataError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
UNKNOWN = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Components:
    """Variation within and between batches; every field is an array of shape (points,).

    Parameters
    ----------
    pieces, batches
        Pieces read at the point, and batches that they came from.
    mean
        Mean of all pieces, mm.
    var_within
        Variance within a batch, mm²; NaN where no batch has two pieces.
    within_dof
        Its degrees of freedom.
    var_of_means
        Variance of the unweighted batch means, mm².
    harmonic_size, seen_size
        Pieces a batch by harmonic mean, and as a piece sees it (sum of squares over sum).
    var_between
        Variance of batch shifts, mm², never below zero; NaN with fewer than two batches.
    var_total
        Variance of one piece of a batch not yet seen, mm²: within plus between before any cut at
        zero, so that it stays unbiased.
    total_dof
        Its degrees of freedom by Satterthwaite's rule.
    var_mean
        Variance of ``mean``, mm².
    share
        Intraclass correlation: share of the variance that whole batches have in common, 0 to 1; NaN
        where every batch has one piece, for then the two cannot be told apart.
    effective
        Number of independent pieces that would know the mean as well: n / (1 + (m - 1) share),
        where m is the batch size as a piece sees it.
    """

    pieces: IntArray
    batches: IntArray
    mean: FloatArray
    var_within: FloatArray
    within_dof: FloatArray
    var_of_means: FloatArray
    harmonic_size: FloatArray
    seen_size: FloatArray
    var_between: FloatArray
    var_total: FloatArray
    total_dof: FloatArray
    var_mean: FloatArray
    share: FloatArray
    effective: FloatArray


def batch_codes(batch: Sequence[object] | NDArray[np.generic], pieces: int) -> IntArray:
    """Give each batch a number from 0, and -1 to None, empty, NaN and numbers below 0."""
    labels = list(batch)
    if len(labels) != pieces:
        raise DataError(f"batch has {len(labels)} labels for {pieces} pieces; give one a piece")
    seen: dict[object, int] = {}
    return np.array(
        [UNKNOWN if _unknown(b) else seen.setdefault(b, len(seen)) for b in labels], dtype=np.int64
    )


def _unknown(label: object) -> bool:
    if isinstance(label, (int, float, np.integer, np.floating)):
        return not label >= 0  # NaN as well
    return label is None or label == ""


def effective_pieces(sizes: Sequence[int] | NDArray[np.integer], share: float) -> float:
    """Compute what pieces in batches are worth in independent pieces, for their mean [3]_.

    Parameters
    ----------
    sizes
        Pieces of each batch.
    share
        Intraclass correlation, 0 to 1.

    Raises
    ------
    DataError
        If a size is not positive, or ``share`` is no fraction.

    Examples
    --------
    >>> print(f"{effective_pieces([20] * 5, 0.5):.1f} {effective_pieces([3] * 10, 0.5):.1f}")
    9.5 15.0
    """
    size = np.asarray(sizes, dtype=np.float64)
    if size.size == 0 or not (size > 0).all():
        raise DataError(f"batch sizes must be above 0, not {size.tolist()}")
    if not 0.0 <= share <= 1.0:
        raise DataError(f"share between batches must lie between 0 and 1, not {share}")
    n = float(size.sum())
    return n / (1.0 + (float((size**2).sum()) / n - 1.0) * share)


def batch_components(
    x: NDArray[np.float64], batch: Sequence[object] | NDArray[np.generic]
) -> Components:
    """Split the variation at each point into within and between batches [1]_.

    Parameters
    ----------
    x
        Readings, shape (pieces, points), mm; NaN is missing.
    batch
        One label a piece. Pieces of no known batch are left out.

    Returns
    -------
    Components

    Raises
    ------
    DataError
        If ``batch`` has not one label a piece.
    """
    x = np.asarray(x, dtype=np.float64)
    codes = batch_codes(batch, x.shape[0])
    counts, means, ss_within, centre = _by_batch(x, codes)
    return _components(counts, means, ss_within, centre)


def _by_batch(
    x: FloatArray, codes: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Sum up by batch: counts and means (batches, points), squares within and centre (points,).

    Readings are centred first, so that a small spread on a large value keeps its digits.
    """
    order = np.argsort(codes, kind="stable")
    order = order[codes[order] != UNKNOWN]
    codes, x = codes[order], x[order]
    starts = np.flatnonzero(np.diff(codes, prepend=-1))
    seen = np.isfinite(x)
    total = np.maximum(seen.sum(axis=0), 1)
    centre = np.where(seen, x, 0.0).sum(axis=0) / total
    z = np.where(seen, x - centre, 0.0)
    if not starts.size:
        empty = np.zeros((0, x.shape[1]))
        return empty, empty, np.zeros(x.shape[1]), centre
    counts = np.add.reduceat(seen, starts, axis=0, dtype=np.float64)
    means = np.add.reduceat(z, starts, axis=0) / np.maximum(counts, 1.0)
    rest = np.where(seen, z - means[codes], 0.0)
    return counts, means, np.einsum("ij,ij->j", rest, rest), centre


def _effective(
    pieces: FloatArray, seen_size: FloatArray, share: FloatArray, *, alone: NDArray[np.bool_]
) -> FloatArray:
    return np.where(alone, pieces, pieces / (1.0 + (seen_size - 1.0) * share))


def _components(
    counts: FloatArray, means: FloatArray, ss_within: FloatArray, centre: FloatArray
) -> Components:
    present = counts > 0.0
    pieces, batches = counts.sum(axis=0), present.sum(axis=0).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # 0/0 is NaN: too little to say
        size = batches / np.where(present, 1.0 / counts, 0.0).sum(axis=0)
        within_dof = pieces - batches
        within = np.where(within_dof > 0, ss_within / within_dof, np.nan)
        middle = np.where(present, means, 0.0).sum(axis=0) / batches
        squares = np.where(present, (means - middle) ** 2, 0.0).sum(axis=0)
        of_means = np.where(batches > 1, squares / (batches - 1.0), np.nan)
        shift = (counts * means).sum(axis=0) / pieces
        seen_size = (counts**2).sum(axis=0) / pieces
        # Batches of one piece each carry no spread within, and the total does not need it.
        rest = np.where(size > 1.0, (1.0 - 1.0 / size) * within, 0.0)
        total = of_means + rest
        rest_dof = np.where(rest > 0.0, rest**2 / within_dof, 0.0)
        total_dof = total**2 / (of_means**2 / (batches - 1.0) + rest_dof)
        of_batch = np.where(size > 1.0, within / size, 0.0)
        between = np.maximum(of_means - of_batch, 0.0)
        share = np.where((total > 0.0) & (size > 1.0), np.minimum(between / total, 1.0), np.nan)
        effective = _effective(pieces, seen_size, share, alone=size == 1.0)
        var_mean = total / effective
    return Components(
        pieces=pieces.astype(np.int64),
        batches=batches.astype(np.int64),
        mean=np.where(pieces > 0, centre + shift, np.nan),
        var_within=within,
        within_dof=within_dof,
        var_of_means=of_means,
        harmonic_size=size,
        seen_size=seen_size,
        var_between=between,
        var_total=total,
        total_dof=total_dof,
        var_mean=var_mean,
        share=share,
        effective=effective,
    )
