"""The verdict on a point: the maths' own where its process is stable and its readings normal."""

from dataclasses import dataclass, replace

import numpy as np

from spc.capability.percentile_indices import PercentileIndices
from spc.capability.shape_verdict import ShapeCase, shape_verdict
from spc.capability.verdict import Verdict
from spc.capability.verdict_words import CANNOT_BE_SHOWN, REFUSED, SHOWN
from spc.interval import Estimate
from spc.studies.capability_asked import TESTED, Asked
from spc.studies.capability_shape import Shape
from spc.studies.capability_stability import Stability


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a verdict stands on beside its indices.

    Parameters
    ----------
    n, batches
        Pieces and batches.
    seen_low
        Lower end of the share of pieces outside, from those seen.
    level
        Confidence level.
    """

    n: int
    batches: int
    seen_low: float
    level: float


def decided(
    found: Verdict | None, standing: Standing, steady: Stability, shape: Shape, asked: Asked
) -> Verdict:
    """Return the verdict on a point.

    Parameters
    ----------
    found
        The verdict from normal bounds, as if the process were stable; None for a size that is
        never normal.
    standing
        What it stands on.
    steady
        Whether the point's chart is stable.
    shape
        What is known of the shape of its readings.
    asked
        The question.
    """
    if found is not None and found.outcome == REFUSED:
        return found
    plain = float("nan") if found is None else found.observed.value
    if found is None or shape.refuted:
        verdict = _by_shape(standing, shape, asked)
    elif shape.why:
        verdict = replace(found, reason=f"{found.reason} {shape.why} Taken as normal all the same.")
    else:
        verdict = found
    if steady.stable is False:
        return _unsteady(verdict, plain, standing, steady, asked)
    if steady.stable is None:
        return _untold(verdict, steady)
    return verdict


def _by_shape(standing: Standing, shape: Shape, asked: Asked) -> Verdict:
    p = shape.percentiles
    value, low, high = (np.nan,) * 3 if p is None else (p.ppk[0], p.ppk_low[0], p.ppk_high[0])
    return shape_verdict(
        ShapeCase(
            n=standing.n,
            batches=standing.batches,
            shape=_source(p),
            value=float(value),
            low=float(low),
            high=float(high),
            level=standing.level,
            required=asked.required,
            seen_low=standing.seen_low,
            why=shape.why,
            note=_note(p, asked),
        )
    )


def _source(p: PercentileIndices | None) -> str:
    if p is None or not p.method[0]:
        return ""
    method = p.method[0]
    return f"the {method}" if method == "ordered readings" else f"the {method} shape"


def _note(p: PercentileIndices | None, asked: Asked) -> str:
    if p is not None:
        return p.note[0]
    where = "by 'spc capability'" if asked.shape == TESTED else "with --shape auto"
    return f"the bounds of a normal spread do not hold; percentiles are worked out {where}."


def _unsteady(
    found: Verdict, plain: float, standing: Standing, steady: Stability, asked: Asked
) -> Verdict:
    """Refuse the claim; the figures stay where performance is asked for, and are called so."""
    said = f"The process is not stable: {steady.why}. No capability can be stated."
    pieces = f"{standing.n} pieces from {standing.batches} batches"
    if asked.performance:
        figure = _figure(found.observed.value, plain)
        reason = f"{said} Performance of these {pieces} only, not of those to come{figure}."
        return replace(found, outcome=REFUSED, reason=reason, pieces_needed=None,
                       batches_needed=None)  # fmt: skip
    return replace(
        found,
        outcome=REFUSED,
        observed=Estimate(value=float("nan"), n=standing.n, note=said),
        bound=float("nan"),
        upper_bound=float("nan"),
        pieces_needed=None,
        batches_needed=None,
        reason=said,
    )


def _figure(value: float, plain: float) -> str:
    if np.isfinite(value):
        return f": Ppk {value:.2f}"
    if np.isfinite(plain):
        return f": Ppk {plain:.2f} by mean and spread alone, as no shape is known to fit"
    return ""


def _untold(found: Verdict, steady: Stability) -> Verdict:
    why = f"{steady.why[:1].upper()}{steady.why[1:]}."
    if found.outcome != SHOWN:
        return replace(found, reason=f"{found.reason} {why}")
    # Capability is of a stable process; the bound alone does not make it one.
    reached = found.reason.replace(" is shown: ", " would be shown: ", 1)
    return replace(found, outcome=CANNOT_BE_SHOWN, reason=f"{reached} But {steady.why}.")
