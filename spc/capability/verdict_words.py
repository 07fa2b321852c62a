"""The words of a verdict: one point's figures in, an outcome and a plain sentence out.

No lengths are written, so that a sentence holds in any unit.
"""

from dataclasses import dataclass

import numpy as np

from spc.capability.needed import MOST_BATCHES, MOST_PIECES
from spc.capability.notes import FEWEST_FOR_INDEX

SHOWN = "shown"
NOT_SHOWN = "not shown"
CANNOT_BE_SHOWN = "cannot be shown"
REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One point's figures as plain numbers, NaN where there is none.

    Parameters
    ----------
    n, batches
        Pieces, and batches that they came from (0 where none were given).
    index
        ``Cpk`` or ``Ppk``.
    value, low, high
        The index and its two-sided interval.
    bound, upper_bound
        Its one-sided bounds.
    level
        Their confidence level.
    required
        Required index.
    pieces, more_batches
        Pieces and batches that would do; 0 where no number would.
    toleranced, spread
        Whether the point has a limit, and its readings a spread.
    stable
        Whether the process is stable; None where not looked at.
    leverage, flattering
        Leverage in the fit, NaN at a point not in it, and the factor that comes of it.
    """

    n: int
    batches: int
    index: str
    value: float
    low: float
    high: float
    bound: float
    upper_bound: float
    level: float
    required: float
    pieces: int
    more_batches: int
    toleranced: bool
    spread: bool
    stable: bool | None
    leverage: float
    flattering: float


def judged(case: Case) -> tuple[str, str]:
    """Return the outcome of a case and its reason."""
    refusal = _refusal(case)
    if refusal:
        return REFUSED, refusal
    sure = f"with {100.0 * case.level:g} % confidence it is"
    unseen = "" if case.stable else " Whether the process is stable was not looked at."
    wanted = f"{case.required:g}"
    if case.upper_bound < case.required:
        bound = beside(case.upper_bound, case.required)
        return (
            NOT_SHOWN,
            f"{case.index} is below {wanted}: {sure} {bound} or less ({_basis(case)}).",
        )
    if case.bound >= case.required and case.n >= FEWEST_FOR_INDEX and case.batches != 1:
        bound = beside(case.bound, case.required)
        shown = f"{case.index} of at least {wanted} is shown: {sure} {bound} or more"
        return SHOWN, f"{shown} ({_basis(case)}).{unseen}"
    return CANNOT_BE_SHOWN, _undecided(case, f"{case.index} of at least {wanted}")


def _refusal(case: Case) -> str:
    """Say why the question does not fit the point; empty where it does."""
    if not np.isnan(case.leverage):
        limit = np.isinf(case.flattering)
        by = "without limit" if limit else f"by a factor of {case.flattering:.2f}"
        return (
            "This point holds the alignment: the fit pulls its deviation towards zero, so an index "
            f"here would flatter {by}. Judge points that are not in the fit."
        )
    if not case.toleranced:
        return "No tolerance: there is nothing to judge the spread against."
    if case.n > 1 and not case.spread:
        return f"All {case.n} pieces read alike: there is no spread to judge."
    if case.stable is False:
        figure = "" if case.n < FEWEST_FOR_INDEX else f": Ppk {case.value:.2f}"
        return (
            "The process is not stable, so no capability can be stated. Performance of these "
            f"{_basis(case)} only, not of those to come{figure}."
        )
    return ""


def _undecided(case: Case, claim: str) -> str:
    said = f"{claim} cannot be shown with {_basis(case)}"
    if case.batches == 1:
        return f"{said}: they show that batch, not the process."
    if case.n < 2:
        return f"{said}: an index needs a spread, and at least {FEWEST_FOR_INDEX} pieces."
    if np.isnan(case.bound):
        return f"{said}: the spread came without what an interval needs."
    if case.value <= case.required:
        return (
            f"{said}: the index observed is not above it, and more pieces alone would not show it."
        )
    if not case.pieces:
        most = f"{MOST_BATCHES} batches" if case.batches else f"{MOST_PIECES} pieces"
        return f"{said}: so close to it, more than {most} would be needed."
    if case.batches:
        size = case.pieces // case.more_batches
        each = f" of {size}" if size > 1 else ""
        return f"{said}; {case.more_batches} batches{each} would do if index and batches stay so."
    return f"{said}; {case.pieces} would do if the index stays as observed."


def _basis(case: Case) -> str:
    pieces = f"{case.n} piece" if case.n == 1 else f"{case.n} pieces"
    if case.batches == 0:
        return pieces
    return f"{pieces} from {case.batches} batch{'' if case.batches == 1 else 'es'}"


def beside(value: float, threshold: float) -> str:
    """Write a figure with two decimals or as many as keep it on its side of the threshold."""
    for decimals in range(2, 9):
        text = f"{value:.{decimals}f}"
        if (float(text) < threshold) == (value < threshold):
            return text
    return repr(value)
