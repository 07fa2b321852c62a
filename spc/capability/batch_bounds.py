"""Intervals of the indices when pieces came in batches, as quantiles of generalized pivots [1]_.

Simulated over eight layouts of 24 to 100 pieces in 2 to 20 batches and shares between batches of
0 to 0.8, bounds of nominal 95 % held: Ppk's lower bound 94 to 99.8 %, its upper bound 90 to 96 %
(the low end where batches go from one piece to thirty), Ppk's interval 89 to 95 %, Pp's 94 to 97,
Cpm's 94 to 99.8 %. Degrees of freedom by Satterthwaite's rule instead hold 72 to 98 % for Ppk's
lower bound, and taking the pieces as independent 40 to 98 %.

References
----------
.. [1] Mathew, Sebastian & Kurian (2007), Generalized confidence intervals for process capability
   indices, Quality and Reliability Engineering International 23, 471-481.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.capability.batch_pivots import draws, slices, sobol, spread_draws
from spc.capability.batches import Components
from spc.capability.bounds import positive

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BatchBounds:
    """Quantiles of the pivots, each of shape (probabilities, points); NaN below two batches.

    Parameters
    ----------
    spread
        Of the whole standard deviation, mm.
    about_target
        Of the whole spread about the target, mm; a spread that a draw cannot tell from none is 0.
    ppk, cpk
        Of the two indices.
    """

    spread: FloatArray
    about_target: FloatArray
    ppk: FloatArray
    cpk: FloatArray


def batched_bounds(
    found: Components,
    reach: FloatArray,
    away: FloatArray,
    short_term: tuple[FloatArray, FloatArray],
    probabilities: tuple[float, ...],
) -> BatchBounds:
    """Compute quantiles of the pivots of the whole spread, about the mean and target, Ppk and Cpk.

    Parameters
    ----------
    found
        Variation within and between batches.
    reach
        Distance from the mean to the nearer limit, shape (points,), mm; negative beyond it.
    away
        Distance of the mean from the target, shape (points,), mm.
    short_term
        Standard deviation for Cpk, mm, and its degrees of freedom, each of shape (points,).
    probabilities
        Of the quantiles; 0.05 is a lower bound at 95 %.
    """
    parts = [
        np.quantile(_draws(found, reach, away, short_term, at), probabilities, axis=1)
        for at in slices(found.pieces.size)
    ]
    ends = np.concatenate(parts, axis=2)
    return BatchBounds(spread=ends[:, 0], about_target=ends[:, 1], ppk=ends[:, 2], cpk=ends[:, 3])


def _draws(
    found: Components,
    reach: FloatArray,
    away: FloatArray,
    short_term: tuple[FloatArray, FloatArray],
    at: slice,
) -> FloatArray:
    """Draw the four pivots at some of the points; shape (4, draws, points)."""
    drawn = draws(found, at)
    # The mean's square overstates the true distance's by the mean's variance: taken off.
    square = drawn.total - drawn.of_mean + away[at] ** 2 + 2.0 * away[at] * drawn.noise
    short = spread_draws(short_term[0][at] ** 2, short_term[1][at], sobol()[:, 2])
    ahead = (reach[at] + drawn.noise) / 3.0
    return np.stack(
        [
            np.sqrt(drawn.total),
            np.sqrt(np.maximum(square, 0.0)),
            ahead / np.sqrt(positive(drawn.total)),
            ahead / np.sqrt(positive(short)),
        ]
    )
