"""How many pieces, or batches, would show a required index if the observed one stayed as it is."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.batch_bounds import batched_bounds
from spc.capability.batches import Components
from spc.capability.bounds import FloatArray, check_level, one_sided_bound, positive

IntArray = NDArray[np.int64]

#: Beyond this number the answer is that the index itself must rise.
MOST_PIECES = 10_000
MOST_BATCHES = 1_000


def pieces_needed(
    index: ArrayLike,
    required: ArrayLike,
    *,
    level: float = 0.95,
    dof_per_piece: ArrayLike = 1.0,
    fewest: int = 2,
) -> IntArray:
    """Solve for the pieces whose lower bound reaches the required index.

    Parameters
    ----------
    index
        Observed Cpk or Ppk.
    required
        Index to be shown.
    level
        Confidence level of the one-sided bound (noncentral t, see `spc.capability.bounds`).
    dof_per_piece
        Degrees of freedom of the standard deviation that each piece brings; 1 means n - 1 in all.
    fewest
        Smallest answer.

    Returns
    -------
    ndarray of int
        Pieces needed; 0 where no number up to `MOST_PIECES` would do.

    Examples
    --------
    >>> int(pieces_needed(1.61, 1.33))
    51
    """
    check_level(level)
    index, required, each = np.broadcast_arrays(
        np.asarray(index, dtype=np.float64), np.asarray(required, dtype=np.float64), dof_per_piece
    )

    def reached(n: FloatArray) -> NDArray[np.bool_]:
        bound = one_sided_bound(index, n, np.maximum(each * (n - 1.0), 1e-6), level)
        return np.asarray(bound >= required, dtype=np.bool_)

    return _smallest(reached, index.shape, max(fewest, 2), MOST_PIECES)


def batches_needed(
    found: Components,
    reach: FloatArray,
    required: ArrayLike,
    *,
    level: float = 0.95,
    short_term: tuple[FloatArray, FloatArray] | None = None,
) -> IntArray:
    """Solve for the batches, each of the present mean size, whose lower bound reaches the index.

    Parameters
    ----------
    found
        Variation within and between the present batches.
    reach
        Distance from the mean to the nearer limit, shape (points,), mm.
    required
        Index to be shown.
    level
        Confidence level of the one-sided bound (`spc.capability.batch_bounds`).
    short_term
        For Cpk, the short-term standard deviation, mm, and the degrees of freedom that each piece
        brings to it; without it the index is Ppk.

    Returns
    -------
    ndarray of int
        Batches needed, shape (points,); 0 where no number up to `MOST_BATCHES` would do.
    """
    check_level(level)
    wanted = np.broadcast_to(np.asarray(required, dtype=np.float64), reach.shape)
    # A point that no batch has read has no size; one will do, since its reach is missing too.
    size = np.fmax(np.round(found.pieces / positive(found.batches)), 1.0)
    nothing = np.full_like(reach, np.nan)
    sd, each = (nothing, nothing) if short_term is None else short_term

    def reached(batches: FloatArray) -> NDArray[np.bool_]:
        planned = replace(
            found,
            pieces=(batches * size).astype(np.int64),
            batches=batches.astype(np.int64),
            within_dof=batches * (size - 1.0),
            harmonic_size=size,
            seen_size=size,
        )
        short = (sd, each * batches * size)
        ends = batched_bounds(planned, reach, nothing, short, (1.0 - level,))
        index = ends.ppk if short_term is None else ends.cpk
        return np.asarray(index[0] >= wanted, dtype=np.bool_)

    return _smallest(reached, reach.shape, 2, MOST_BATCHES)


def _smallest(
    reached: Callable[[FloatArray], NDArray[np.bool_]],
    shape: tuple[int, ...],
    fewest: int,
    most: int,
) -> IntArray:
    """Bisect for the smallest whole number that does, at every point together; 0 for none."""
    low, high = np.full(shape, fewest - 1.0), np.full(shape, float(most))
    possible = reached(high)
    while np.any(high - low > 1.0):
        middle = np.ceil(0.5 * (low + high))
        enough = reached(np.maximum(middle, fewest))
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(possible, high, 0.0).astype(np.int64)
