"""Whether a required index is shown: judged on a confidence bound, never on the figure itself.

A lower bound at or above the requirement shows it; an upper bound below it shows that it is missed;
between the two the data cannot decide, and the number of pieces or batches that would is given.
Where the question itself is wrong (a point that holds the alignment, no tolerance, a process that
is not stable) the answer is a refusal with its reason.

The bounds are exact for independent normal pieces; over batches the lower one holds its level, the
upper one 90 to 96 % of nominal 95 % (`spc.capability.batch_bounds`).

The rule that capability is for a stable process and performance for any other is ISO 22514-2's,
from memory of the standard. The least number of pieces is common practice, no published source.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.indices import Capability
from spc.capability.needed import batches_needed, pieces_needed
from spc.capability.notes import FEWEST_FOR_INDEX
from spc.capability.verdict_words import CANNOT_BE_SHOWN, REFUSED, Case, judged
from spc.errors import DataError
from spc.interval import Estimate, Interval

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What may be said of one point against the required index.

    Parameters
    ----------
    outcome
        ``shown``, ``not shown`` (the index is below the requirement), ``cannot be shown`` (these
        pieces do not decide) or ``refused`` (the question does not fit the point).
    index
        Name of the index judged, ``Cpk`` or ``Ppk``.
    observed
        Its value and two-sided interval; NaN and None where none may be given.
    bound, upper_bound
        One-sided lower and upper bound that the verdict rests on; NaN where there are none.
    required
        Required index.
    pieces_needed
        Pieces that would show it if the observed index stayed; None where that is no answer. With
        batches, pieces in `batches_needed` batches.
    batches_needed
        Batches of the present mean size that would show it; None without batches.
    flattering
        Factor by which an index at this point would flatter because the fit pulls the point to
        zero; 1 at a point not in the fit.
    reason
        The verdict in plain words; no lengths, so that it holds in any unit.
    """

    outcome: str
    index: str
    observed: Estimate
    bound: float
    upper_bound: float
    required: float
    pieces_needed: int | None
    batches_needed: int | None
    flattering: float
    reason: str


def flattering_factor(leverage: ArrayLike) -> FloatArray:
    """Compute by how much an index at a fit point flatters: 1 / sqrt(1 - leverage).

    A fit leaves a point of leverage h only sqrt(1 - h) of its deviation (Baarda 1968), and the
    index divides by that. NaN leverage is a point not in the fit, factor 1; leverage 1 leaves
    nothing, factor infinity.

    Parameters
    ----------
    leverage
        Diagonal of the fit's projection at each point, 0 to 1; NaN at a point not in the fit.

    Raises
    ------
    DataError
        If a leverage lies outside 0 to 1.
    """
    h = np.asarray(leverage, dtype=np.float64)
    wrong = h[(h < 0.0) | (h > 1.0 + 1e-9)]
    if wrong.size:
        raise DataError(f"leverage must lie between 0 and 1, not {wrong.flat[0]:g}")
    left = np.clip(1.0 - np.where(np.isnan(h), 0.0, h), 0.0, None)
    with np.errstate(divide="ignore"):  # leverage 1 flatters without limit
        return np.asarray(1.0 / np.sqrt(left), dtype=np.float64)


def verdicts(
    found: Capability,
    required: ArrayLike = 1.33,
    *,
    short_term: bool = False,
    stable: ArrayLike | None = None,
    leverage: ArrayLike | None = None,
) -> tuple[Verdict, ...]:
    """Judge every point against the required index.

    Parameters
    ----------
    found
        Indices with their intervals.
    required
        Required index, one number or shape (points,).
    short_term
        True to judge Cpk, False to judge Ppk.
    stable
        Whether the point's chart is stable, one truth value or shape (points,); None where that
        was not looked at, which the words then say.
    leverage
        Leverage of each point in the alignment fit; NaN at a point not in the fit.

    Returns
    -------
    tuple of Verdict
        One a point.

    Raises
    ------
    DataError
        If a required index is not above zero, a shape does not fit, or a leverage is impossible.
    """
    points = found.n.size
    wanted = _a_point(required, points, "required")
    if not (wanted > 0.0).all():
        raise DataError(f"required index must be above 0, not {wanted.min():g}")
    held = _a_point(np.nan if leverage is None else leverage, points, "leverage")
    steady = None if stable is None else _a_point(stable, points, "stable") > 0.0
    as_short = np.full(points, short_term) if steady is None else short_term & steady
    cases = _cases(found, wanted, as_short, steady, held)
    return tuple(_verdict(case) for case in cases)


def _a_point(value: ArrayLike, points: int, name: str) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.shape[0] not in (1, points)):
        raise DataError(f"{name} needs one value a point ({points}), not shape {array.shape}")
    return np.broadcast_to(array, (points,))


def _cases(
    found: Capability,
    wanted: FloatArray,
    short: BoolArray,
    steady: BoolArray | None,
    held: FloatArray,
) -> list[Case]:
    """Take each point apart; `short` says where Cpk is judged, not Ppk."""
    ends = ("", "_low", "_high", "_bound", "_upper_bound")
    value, low, high, bound, upper_bound = (
        np.where(short, getattr(found, f"cpk{end}"), getattr(found, f"ppk{end}")) for end in ends
    )
    pieces, more_batches = _needed(found, value, wanted, short)
    flattering = flattering_factor(held)
    return [
        Case(
            n=int(found.n[i]),
            batches=int(found.batches[i]),
            index="Cpk" if short[i] else "Ppk",
            value=float(value[i]),
            low=float(low[i]),
            high=float(high[i]),
            bound=float(bound[i]),
            upper_bound=float(upper_bound[i]),
            level=found.level,
            required=float(wanted[i]),
            pieces=int(pieces[i]),
            more_batches=int(more_batches[i]),
            toleranced=bool(np.isfinite(found.lower[i]) or np.isfinite(found.upper[i])),
            spread=bool(found.sd_overall[i] > 0.0),
            stable=None if steady is None else bool(steady[i]),
            leverage=float(held[i]),
            flattering=float(flattering[i]),
        )
        for i in range(found.n.size)
    ]


def _needed(
    found: Capability, value: FloatArray, wanted: FloatArray, short: BoolArray
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find the pieces, and the batches where there are several, that would do; 0 is none."""
    dof = np.where(short, found.within_dof, found.overall_dof)
    each = dof / np.maximum(found.n - 1.0, 1.0)
    pieces = pieces_needed(
        value, wanted, level=found.level, dof_per_piece=each, fewest=FEWEST_FOR_INDEX
    )
    several = found.batches > 1
    if found.components is None or not several.any():
        return pieces, np.zeros_like(pieces)
    sd = np.where(short, found.sd_within, found.sd_overall)
    reach = 3.0 * sd * value
    more = batches_needed(found.components, reach, wanted, level=found.level)
    if short.any():
        of_cpk = batches_needed(
            found.components,
            reach,
            wanted,
            level=found.level,
            short_term=(found.sd_within, found.within_dof / np.maximum(found.n, 1)),
        )
        more = np.where(short, of_cpk, more)
    size = np.maximum(np.round(found.n / np.maximum(found.batches, 1)), 1).astype(np.int64)
    more = np.where(several, more, 0)
    return np.where(several, more * size, pieces), more


def _verdict(case: Case) -> Verdict:
    outcome, reason = judged(case)
    withheld = outcome == REFUSED and case.stable is not False
    few = case.n < FEWEST_FOR_INDEX
    known = not (withheld or few or np.isnan(case.value))
    method = "generalized, over batches" if case.batches > 1 else "normal approximation"
    interval = Interval(low=case.low, high=case.high, level=case.level, method=method)
    return Verdict(
        outcome=outcome,
        index=case.index,
        observed=Estimate(
            value=case.value if known else float("nan"),
            interval=interval if known and not np.isnan(case.low) else None,
            n=case.n,
            note="" if known else reason,
        ),
        bound=float("nan") if withheld else case.bound,
        upper_bound=float("nan") if withheld else case.upper_bound,
        required=case.required,
        pieces_needed=case.pieces or None if outcome == CANNOT_BE_SHOWN else None,
        batches_needed=case.more_batches or None if outcome == CANNOT_BE_SHOWN else None,
        flattering=case.flattering,
        reason=reason,
    )
