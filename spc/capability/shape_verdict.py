"""Whether a required index is shown where the readings are not normal.

The bounds of `spc.capability.verdict` stand on normal readings. Where these are not, the verdict
goes by the interval of the percentile index, both ends at the two-sided level, or, where there is
none, by the pieces seen outside: a Ppk of 1 or more leaves no more than 0.135 % beyond either
limit, whatever the shape.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from spc.capability.verdict import Verdict
from spc.capability.verdict_words import CANNOT_BE_SHOWN, NOT_SHOWN, SHOWN, beside
from spc.interval import Estimate, Interval

#: Largest share outside, both sides together, that an index of 1 leaves.
MOST_OUTSIDE = 2.0 * float(special.ndtr(-3.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeCase:
    """One point's figures as plain numbers, NaN where there is none.

    Parameters
    ----------
    n, batches
        Pieces and batches; no batches given is 0.
    shape
        Where the percentiles come from, in words; empty where there are none.
    value, low, high
        Percentile Ppk and its two-sided interval.
    level
        Its confidence level.
    required
        Required index.
    seen_low
        Lower end of the share of pieces outside, from those seen.
    why
        Why it goes by percentiles, one sentence.
    note
        What limits the percentiles, or why there are none.
    """

    n: int
    batches: int
    shape: str
    value: float
    low: float
    high: float
    level: float
    required: float
    seen_low: float
    why: str
    note: str


def shape_verdict(case: ShapeCase) -> Verdict:
    """Judge a point by its percentiles."""
    outcome, reason = _judged(case)
    known = not np.isnan(case.value)
    interval = None
    if known and not np.isnan(case.low + case.high):
        interval = Interval(
            low=case.low, high=case.high, level=case.level, method="resampled, percentiles"
        )
    return Verdict(
        outcome=outcome,
        index="Ppk",
        observed=Estimate(
            value=case.value, interval=interval, n=case.n, note="" if known else reason
        ),
        bound=case.low,
        upper_bound=case.high,
        required=case.required,
        pieces_needed=None,
        batches_needed=None,
        flattering=1.0,
        reason=reason,
    )


def _judged(case: ShapeCase) -> tuple[str, str]:
    wanted = f"{case.required:g}"
    interval = f"its {100.0 * case.level:g} % interval"
    rest = f"({_basis(case)}; percentiles of {case.shape})"
    if case.low >= case.required and case.batches != 1:
        end = beside(case.low, case.required)
        shown = f"Ppk of at least {wanted} is shown: {interval} begins at {end} {rest}."
        return SHOWN, f"{shown} {case.why} {case.note}".strip()
    if case.high < case.required:
        end = beside(case.high, case.required)
        return NOT_SHOWN, f"Ppk is below {wanted}: {interval} ends at {end} {rest}. {case.why}"
    if case.required >= 1.0 and case.seen_low > MOST_OUTSIDE:
        return NOT_SHOWN, (
            f"Ppk is below {wanted} whatever the shape: more than {100.0 * case.seen_low:.2g} % of "
            f"the pieces lie outside, and a Ppk of 1 leaves {100.0 * MOST_OUTSIDE:.2g} % "
            f"({_basis(case)}). {case.why}"
        )
    said = f"Ppk of at least {wanted} cannot be shown with {_basis(case)}"
    if np.isnan(case.low):
        return CANNOT_BE_SHOWN, f"{said}: {_lowered(case.note)} {case.why}".strip()
    if case.batches == 1:
        return CANNOT_BE_SHOWN, f"{said}: they show that batch, not the process. {case.why}"
    ends = f"{beside(case.low, case.required)} to {beside(case.high, case.required)}"
    return CANNOT_BE_SHOWN, (
        f"{said}: {interval} by percentiles of {case.shape} holds it, {ends}. {case.why}"
    )


def _lowered(sentence: str) -> str:
    """Begin a sentence in the middle of another."""
    return sentence[:1].lower() + sentence[1:]


def _basis(case: ShapeCase) -> str:
    pieces = f"{case.n} piece" if case.n == 1 else f"{case.n} pieces"
    if case.batches == 0:
        return pieces
    return f"{pieces} from {case.batches} batch{'' if case.batches == 1 else 'es'}"
