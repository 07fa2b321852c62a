"""What a wrong reading at a fit point could hide: how large it may be and go unseen."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.modes import residual_modes
from spc.alignment.reliability import PlanReliability, reliability
from spc.studies.arrays import Array
from spc.studies.examined import DETECT_ALPHA, DETECT_POWER
from spc.studies.history import History
from spc.studies.reference import reference


@dataclass(frozen=True, slots=True, kw_only=True)
class FitCheck:
    """One fit point; lengths in mm.

    Parameters
    ----------
    point
        Its name.
    redundancy
        Share of an error there that shows in its own residual.
    detectable
        Smallest error that a test of its residual finds (Baarda 1968: 0.1 % false alarms, 80 %
        power); infinite where nothing checks it, NaN where the noise is not known.
    harm, harmed
        What such an error moves a check point by, unseen, and which one the most; NaN and empty
        where the plan has none.
    tied
        Points that the fit cannot tell from it.
    """

    point: str
    redundancy: float
    detectable: float
    harm: float
    harmed: str
    tied: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FitChecks:
    """What the plan's fit can and cannot check, at the noise that this part has.

    Parameters
    ----------
    noise
        Standard deviation of one reading about the mould's usual form, mm: the largest over the
        moulds; NaN where too few pieces are known.
    noise_words
        Where it comes from, or why there is none.
    points
        The fit points in the plan's order.
    note
        What limits the plan as a whole; empty where nothing does.
    """

    noise: float
    noise_words: str
    points: tuple[FitCheck, ...]
    note: str


def fit_checks(past: History) -> FitChecks:
    """Return what the plan's fit leaves unseen, at the noise of a history."""
    geometry = past.geometry
    trust = reliability(
        geometry.nominals, geometry.normals, geometry.weights, alpha=DETECT_ALPHA,
        power=DETECT_POWER,
    )  # fmt: skip
    noise, words = _noise(past)
    held = np.flatnonzero(geometry.weights > 0).tolist()
    return FitChecks(
        noise=noise, noise_words=words, note=trust.note,
        points=tuple(_check(past, trust, noise, at) for at in held),
    )  # fmt: skip


def _noise(past: History) -> tuple[float, str]:
    geometry = past.geometry
    modes = residual_modes(geometry.nominals, geometry.normals, geometry.weights, geometry.names)
    found = [
        (known.noise, known.words)
        for mould in sorted(set(past.runs["mould"].astype(str)))
        for known in [reference(past, modes, mould, "")[0]]
        if known is not None and np.isfinite(known.noise) and known.noise > 0
    ]
    if not found:
        return np.nan, "too few pieces of any mould are known to say how far a reading varies"
    return max(found)


def _check(past: History, trust: PlanReliability, noise: float, at: int) -> FitCheck:
    names, check = past.geometry.names, ~past.geometry.is_fit
    moved: Array = np.where(check, np.abs(trust.hidden_shift[:, at]), -1.0) * noise
    # Rounded, so that of points alike the first is named, whatever the last digit is.
    worst = (
        int(np.nanargmax(np.round(moved, 9))) if check.any() and np.isfinite(moved).any() else -1
    )
    tied = next((g for g in trust.groups if at in g), ())
    return FitCheck(
        point=names[at], redundancy=float(trust.redundancy[at]),
        detectable=float(trust.detectable[at] * noise),
        harm=float(moved[worst]) if worst >= 0 else np.nan,
        harmed=names[worst] if worst >= 0 else "",
        tied=tuple(names[k] for k in tied if k != at),
    )  # fmt: skip
