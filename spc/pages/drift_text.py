"""Drift by kind, for the terminal."""

from math import isfinite

import numpy as np

from spc.pages.adjusted_text import adjusted_lines
from spc.pages.display import NONE, count, length, number, probability, share
from spc.pages.text import table
from spc.studies.covariates import CAVITY, Covariate
from spc.studies.drift import Drift, ShapeDrift
from spc.studies.drift_words import chance_words

#: Unconditioned pieces named one by one; the others are counted.
NAMED = 5


def drift_text(found: Drift) -> str:
    """Return the drift in sentences, then each shape, then what cannot be seen."""
    unit = found.plan.unit
    lines = [
        f"{found.plan.part} {found.plan.revision}: {count(found.pieces, 'piece')} of "
        f"{count(found.batches, 'batch', 'batches')}, baseline {found.baseline}; sizes in %, "
        f"twist and bow in {unit} over the part",
        *(f"note: {text}" for text in found.notes),
        f"of the deviations, {share(found.rigid, 0)} is rigid misfit that the fit points left; of "
        f"the rest the shapes explain {share(found.explained, 0)}",
        "",
        *found.sentences,
        *([f"({words})"] if (words := chance_words(found.chance)) else []),
        "",
        _shapes(found, unit),
        "",
        *adjusted_lines(found.adjusted),
        "",
        _covariates(found, unit),
        *([""] if found.hidden or found.combined else []),
        *(f"seen only together: {text}" for text in found.combined),
        *(f"not seen: {text}" for text in found.hidden),
        *_unconditioned(found),
    ]
    return "\n".join(lines)


def figure(value: float, shape_unit: str, unit: str, *, signed: bool = True) -> str:
    """Return an amplitude in its own unit: a length in the plan's, others with three decimals."""
    if shape_unit == "mm":
        return length(value, unit, signed=signed)
    return f"{value:+.3f}" if signed and isfinite(value) else number(value, 3)


def _shapes(found: Drift, unit: str) -> str:
    second = bool(np.isfinite(found.adjusted.change).any())
    rows = []
    for shape in found.shapes:
        for mould in shape.moulds:
            slope = (
                NONE
                if not isfinite(mould.slope)
                else f"{figure(mould.slope, shape.unit, unit)} "
                f"({figure(mould.slope_low, shape.unit, unit)} to "
                f"{figure(mould.slope_high, shape.unit, unit)})"
            )
            mine = [c for c in shape.changes if c.mould == mould.mould]
            means = [
                (figure(raw, shape.unit, unit), figure(beside, shape.unit, unit))
                for raw, beside in ((mould.baseline, mould.baseline_adjusted),
                                    (mould.latest, mould.latest_adjusted))
            ]  # fmt: skip
            rows.append((
                shape.shape, _unit(shape, unit), mould.mould or NONE, str(mould.batches),
                *(text for pair in means for text in (pair if second else pair[:1])),
                slope, "moved" if mine else "",
            ))  # fmt: skip
    named = ("baseline", "adjusted", "newest", "adjusted") if second else ("baseline", "newest")
    head = ("shape", "unit", "mould", "batches", *named, "a month", "")
    return table(head, rows, "   r" + "r" * (len(named) + 1))


def _unit(shape: ShapeDrift, unit: str) -> str:
    return unit if shape.unit == "mm" else shape.unit


def _covariates(found: Drift, unit: str) -> str:
    rows, causes = [], causes_of(found)
    for shape in found.shapes:
        if not shape.covariates:
            continue
        by_name = {c.name: c for c in shape.covariates}
        rows.append((
            shape.shape,
            *(_share(by_name.get(name)) for name in causes),
            _slope(by_name.get("temperature"), shape, unit),
            _slope(by_name.get("age"), shape, unit),
            "change left" if shape.left_changes else "quiet",
        ))  # fmt: skip
    if not rows:
        return f"Covariates: {found.shapes[0].covariates_note}"
    head = ("explained by", *causes, "per K", "per tenfold age", "what is left")
    return table(head, rows, " " + "r" * (len(causes) + 2))


def causes_of(found: Drift) -> tuple[str, ...]:
    """Return what shapes are explained by: cavities only where a mould has several."""
    cavities = any(c.name == CAVITY for shape in found.shapes for c in shape.covariates)
    return ("temperature", "age", "mould", *([CAVITY] if cavities else []), "resin lot")


def _share(found: Covariate | None) -> str:
    if found is None:
        return NONE
    return f"{share(found.share, 0)} (p {probability(found.p)})"


def _slope(found: Covariate | None, shape: ShapeDrift, unit: str) -> str:
    if found is None or not isfinite(found.slope):
        return NONE
    ends = [figure(v, shape.unit, unit) for v in (found.slope_low, found.slope_high)]
    return f"{figure(found.slope, shape.unit, unit)} ({ends[0]} to {ends[1]})"


def _unconditioned(found: Drift) -> list[str]:
    if not found.unconditioned:
        return []
    lines = ["", f"{count(len(found.unconditioned), 'piece')} measured too young or away from room "
             "temperature:"]  # fmt: skip
    for piece in found.unconditioned[:NAMED]:
        word = "come back" if piece.come_back else "come back when"
        batch = f" ({piece.batch})" if piece.batch else ""
        lines.append(f"  {piece.serial}{batch}: {piece.why}; {word} {piece.until}")
    more = len(found.unconditioned) - NAMED
    return [*lines, *([f"  and {more} more"] if more > 0 else [])]
