"""What the indices of a point cannot say, in words."""

import numpy as np
from numpy.typing import NDArray

from spc.capability.spread import Spread

FloatArray = NDArray[np.float64]

#: Below this number of pieces the range is shown, no index: common practice, no published source.
FEWEST_FOR_INDEX = 25
#: Below this number of batches the spread between them is hardly known: 4 degrees of freedom leave
#: a factor of 0.6 to 2.9 on it at 95 %.
FEWEST_BATCHES = 5


def index_notes(
    spread: Spread,
    within: FloatArray,
    within_dof: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    *,
    left_out: int = 0,
) -> tuple[str, ...]:
    """Say of every point what its indices rest on, or why there are none.

    Parameters
    ----------
    spread
        Mean and spread of every point.
    within, within_dof
        Short-term standard deviation and its degrees of freedom, shape (points,).
    lower, upper
        Limits, shape (points,), NaN for none.
    left_out
        Pieces left out because their batch is not known.
    """
    return tuple(
        " ".join(
            _about_pieces(int(spread.n[i]), float(spread.var[i]))
            + _about_tolerance(float(lower[i]), float(upper[i]))
            + _about_within(
                int(spread.n[i]), int(spread.batches[i]), float(within[i]), float(within_dof[i])
            )
            + _about_batches(int(spread.batches[i]), left_out)
        )
        for i in range(spread.n.size)
    )


def _about_pieces(n: int, var: float) -> list[str]:
    if n == 0:
        return ["No piece read at this point."]
    if n == 1:
        return ["One piece: it has no spread, so there is no index."]
    said = []
    if var == 0.0:
        said.append(f"All {n} pieces read alike: no spread to divide by; check their resolution.")
    if n < FEWEST_FOR_INDEX:
        said.append(f"{n} pieces, fewer than {FEWEST_FOR_INDEX}: show their range, not an index.")
    return said


def _about_tolerance(lower: float, upper: float) -> list[str]:
    without = int(np.isnan(lower)) + int(np.isnan(upper))
    if without == 2:
        return ["No tolerance: nothing to set the spread against."]
    if without == 1:
        return ["One limit: only the index of that side exists."]
    return []


def _about_within(n: int, batches: int, within: float, dof: float) -> list[str]:
    if n < 2:
        return []
    if np.isnan(within):
        why = "every batch has one piece, or its pieces read alike" if batches else "none was given"
        return [f"No short-term spread ({why}): Cp and Cpk left out."]
    if np.isnan(dof):
        return ["Short-term spread of unknown degrees of freedom: no interval for Cp and Cpk."]
    return []


def _about_batches(batches: int, left_out: int) -> list[str]:
    said = []
    if batches == 1:
        said.append("All pieces from one batch: the figures describe that batch, not the process.")
    elif 1 < batches < FEWEST_BATCHES:
        said.append(
            f"Only {batches} batches: how batches differ is hardly known, the intervals are rough."
        )
    if left_out:
        said.append(f"{left_out} pieces of no known batch left out.")
    return said
