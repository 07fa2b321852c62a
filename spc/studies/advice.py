"""What to do with a run: the verdict, its reasons, and the points to probe again."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from spc.studies.evidence import Omission
from spc.studies.hit_check import SuspectHit
from spc.studies.mistakes import Mistake
from spc.studies.reference import Neighbours
from spc.units import spoken_length

ACCEPT, REMEASURE, HOLD = "accept", "re-measure", "hold"
#: Where the evidence points, in the order in which it is looked for.
NOTHING, HIT, TOUCH, PIECE, PROCESS = "nothing", "hit", "touch", "piece or set-up", "moulding"
#: Before all of them: names exchanged, another face, a mirror image, another unit.
MISTAKE = "mistake"
#: Leaving a point out speaks for a wrong touch there where the check points come this much nearer
#: to usual by it.
FALL_INTO_PLACE = 0.7


class PointLike(Protocol):
    """What the advice reads of a fit point."""

    @property
    def point(self) -> str:
        """Name."""

    @property
    def p(self) -> float:
        """Chance of its residual at any of the distinct ones."""

    @property
    def standardised(self) -> float:
        """Standardised residual."""

    @property
    def tied(self) -> tuple[str, ...]:
        """Points that cannot be told from it."""

    @property
    def near(self) -> tuple[str, ...]:
        """Points that can hardly be told from it."""

    @property
    def mistaken(self) -> float:
        """Chance that it is taken for its nearest rival."""


class ModeLike(Protocol):
    """What the advice reads of a mode."""

    @property
    def name(self) -> str:
        """Name."""

    @property
    def z(self) -> float:
        """Distance from usual in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to do.

    Parameters
    ----------
    verdict
        ``accept``, ``re-measure`` or ``hold``.
    cause
        Where the evidence points: ``nothing``, ``mistake``, ``hit``, ``touch``,
        ``piece or set-up`` or ``moulding``.
    headline
        What it means, in one sentence to stand beside the verdict.
    reasons
        What it stands on, one sentence each.
    points
        Points to probe again; a set that cannot be told apart stands together.
    usual
        Whether the fit is usual for the mould; None where it cannot be said.
    """

    verdict: str
    cause: str
    headline: str
    reasons: tuple[str, ...]
    points: tuple[str, ...]
    usual: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    limit: float
    worst: float
    worst_point: str
    p_usual: float
    usual_known: bool
    points: Sequence[PointLike]
    modes: Sequence[ModeLike]
    omissions: Sequence[Omission]
    suspects: Sequence[SuspectHit]
    dof: int
    alpha: float
    off: float
    off_limit: float
    lately: Neighbours | None
    unit: str

    def said(self, length: float, *, signed: bool = False) -> str:
        """Return a length in the plan's unit."""
        return spoken_length(length, self.unit, signed=signed)

    @property
    def as_lately(self) -> bool:
        """Whether it is like the pieces before it, however they are."""
        near = self.lately
        return near is not None and near.p >= self.alpha and near.off <= self.off_limit

    @property
    def beyond(self) -> bool:
        return abs(self.worst) > self.limit

    @property
    def unusual(self) -> bool:
        return self.p_usual < self.alpha or (self.off > self.off_limit)

    @property
    def worst_tested(self) -> PointLike | None:
        sized = [p for p in self.points if np.isfinite(p.standardised)]
        return max(sized, key=lambda p: abs(p.standardised), default=None)


def advise(
    *,
    limit: float,
    worst: float,
    worst_point: str,
    p_usual: float,
    usual_known: bool,
    points: Sequence[PointLike],
    modes: Sequence[ModeLike],
    omissions: Sequence[Omission],
    suspects: Sequence[SuspectHit],
    dof: int,
    alpha: float,
    off: float,
    off_limit: float,
    lately: Neighbours | None,
    unit: str = "mm",
    mistakes: Sequence[Mistake] = (),
) -> Advice:
    """Weigh hits, fit, history and check points, in the order arm, set-up, part.

    Parameters
    ----------
    limit, worst, worst_point
        Residual limit, largest residual in mm and where it is.
    p_usual, usual_known
        Chance of such modes on this mould, and whether there is a history at all.
    points, modes
        Fit points and modes as reviewed.
    omissions
        The fit without each point.
    suspects
        Hits that do not belong.
    dof
        Degrees of freedom of the fit.
    alpha
        Chance of a false alarm of each test.
    off, off_limit
        How far the check points lie from usual, and what a usual run passes with chance
        ``alpha``.
    lately
        How the run compares with the pieces of its mould measured before it.
    unit
        Unit that lengths are said in.
    mistakes
        Gross mistakes recognised in the run; they come before all else.
    """
    case = _Case(
        limit=limit, worst=worst, worst_point=worst_point, p_usual=p_usual,
        usual_known=usual_known, points=points, modes=modes, omissions=omissions,
        suspects=suspects, dof=dof, alpha=alpha, off=off,
        off_limit=off_limit, lately=lately, unit=unit,
    )  # fmt: skip
    if mistakes:
        return _mistaken(case, mistakes)
    if case.suspects:
        return _bad_hits(case)
    touch = _wrong_touch(case)
    if touch is not None:
        return _wrong(case, touch)
    if case.unusual and not case.beyond and case.as_lately:
        return _moved_moulding(case)
    if case.beyond or case.unusual or _one_point(case):
        return _whole_shape(case)
    return _good(case)


def _advice(
    case: _Case,
    verdict: str,
    headline: str,
    reasons: Sequence[str],
    points: Sequence[str] = (),
    *,
    cause: str,
) -> Advice:
    usual = not (case.unusual or case.beyond) if case.usual_known else None
    return Advice(
        verdict=verdict, cause=cause, headline=headline, reasons=(*reasons, *_blindness(case)),
        points=tuple(points), usual=usual,
    )  # fmt: skip


def _mistaken(case: _Case, mistakes: Sequence[Mistake]) -> Advice:
    """Advise on a run whose names or places are wrong: its figures say nothing of the part."""
    names = list(dict.fromkeys(point for m in mistakes for point in m.points))
    text = (
        f"Look at {_listed(names)} before all else: {mistakes[0].words}."
        if names
        else f"This is not the part as planned: {mistakes[0].words}"
    )
    reasons = [
        *(m.words for m in mistakes[1:]),
        "nothing was put right here: correct the file and take it in under a new run label, or "
        "measure again",
    ]
    return _advice(case, REMEASURE, text, reasons, names, cause=MISTAKE)


def _bad_hits(case: _Case) -> Advice:
    names = list(dict.fromkeys(s.point for s in case.suspects))
    reasons = [
        f"hit {s.hit} at {s.point} lies {case.said(s.off, signed=True)} off its neighbours, where "
        f"hits of this run differ by {case.said(s.usual)} (one standard deviation): a slip, "
        "dirt or flash, not the shape of the part"
        if s.hit
        else f"the two hits at {s.point} differ by {case.said(s.off)}, where hits of this run "
        f"differ by {case.said(s.usual)}: one of them is wrong"
        for s in case.suspects
    ]
    text = f"Probe {_listed(names)} again: the hits there do not agree."
    return _advice(case, REMEASURE, text, reasons, names, cause=HIT)


def _wrong_touch(case: _Case) -> Omission | None:
    """Return the omission by which the check points fall into place, if one does."""
    if not (case.usual_known and case.off > case.off_limit):
        return None
    helps = [o for o in case.omissions if o.possible and np.isfinite(o.off)]
    best = min(helps, key=lambda o: o.off, default=None)
    if best is None or best.off > case.off_limit or best.off > FALL_INTO_PLACE * case.off:
        return None
    return best


def _wrong(case: _Case, touch: Omission) -> Advice:
    """Advise on a reading that is wrong as a whole: wrong place, wrong face, part pushed."""
    rivals = [
        o.point
        for o in case.omissions
        if o.possible and o.off <= min(case.off_limit, 1.25 * touch.off)
    ]
    reasons = [
        f"without {touch.point} the check points fall back into place: they lie "
        f"{touch.off_before:.1f} standard deviations from usual with it and {touch.off:.1f} "
        "without; a warped part would not be put right so",
        f"{touch.point} itself then lies {case.said(touch.deviation, signed=True)} from the plan",
    ]
    if len(rivals) > 1:
        reasons.append(f"leaving out {_listed(rivals)} helps nearly as much: probe them together")
    text = f"Probe {_listed(rivals or [touch.point])} again: the reading there moved the whole fit."
    return _advice(case, REMEASURE, text, reasons, rivals or [touch.point], cause=TOUCH)


def _one_point(case: _Case) -> bool:
    worst = case.worst_tested
    return worst is not None and worst.p < case.alpha


def _whole_shape(case: _Case) -> Advice:
    reasons = []
    if case.beyond:
        reasons.append(
            f"{case.worst_point} is left {case.said(case.worst, signed=True)} off, beyond the "
            f"limit of {case.said(case.limit)}"
        )
    if not case.usual_known:
        return _without_history(case, reasons)
    mode = max(case.modes, key=lambda m: abs(np.nan_to_num(m.z)), default=None)
    if mode is not None and case.p_usual < case.alpha:
        reasons.append(
            f"what the fit leaves is unusual for this mould, most in {mode.name} "
            f"({mode.z:+.1f} standard deviations)"
        )
    if case.off > case.off_limit:
        reasons.append(
            f"the check points lie {case.off:.1f} standard deviations from usual, and leaving no "
            "single point out puts them right: the part or its set-up, not one touch"
        )
    again = _again(case)
    if again:
        reasons.append(_tie_words(case, again))
    text = "Set the piece up afresh and measure it once more; if it stays so, it is the part."
    return _advice(case, HOLD, text, reasons, again, cause=PIECE)


def _moved_moulding(case: _Case) -> Advice:
    n = case.lately.n if case.lately is not None else 0
    mode = max(case.modes, key=lambda m: abs(np.nan_to_num(m.z)), default=None)
    reasons = [f"it is like the {n} pieces of its mould before it, and they are not as usual"]
    if mode is not None and case.p_usual < case.alpha:
        reasons.append(f"most in {mode.name} ({mode.z:+.1f} standard deviations)")
    if case.off > case.off_limit:
        reasons.append(f"the check points lie {case.off:.1f} standard deviations from usual")
    text = "The measurement is sound: it is the moulding that has moved, not the arm or set-up."
    return _advice(case, ACCEPT, text, reasons, cause=PROCESS)


def _without_history(case: _Case, reasons: list[str]) -> Advice:
    again = _again(case)
    reasons.append("too few pieces of this mould are known to say what is usual")
    if again:
        reasons.append(_tie_words(case, again))
    text = f"Probe {_listed(again)} again." if again else "Measure the piece again."
    return _advice(case, HOLD, text, reasons, again, cause=PIECE)


def _again(case: _Case) -> tuple[str, ...]:
    worst = case.worst_tested
    return () if worst is None else (worst.point, *worst.tied, *worst.near)


def _tie_words(case: _Case, again: tuple[str, ...]) -> str:
    worst = case.worst_tested
    if worst is None:
        return ""
    if len(again) > 1:
        hardly = "can hardly be" if worst.near else "cannot be"
        return (
            f"{_listed(again)} {hardly} told apart by this fit: an error at any of them looks "
            "alike, so probe them together, not the one with the largest residual"
        )
    sure = "" if np.isnan(worst.mistaken) or worst.mistaken < 0.05 else (
        f"; with an error of this size the wrong point is named {worst.mistaken:.0%} of the time"
    )  # fmt: skip
    return f"of single points {worst.point} stands out most{sure}"


def _good(case: _Case) -> Advice:
    if case.dof <= 0:
        text = "Nothing speaks against the fit, but six points cannot: it fits whatever was probed."
        reasons = ["only check points can tell whether this piece was measured right"]
    elif case.usual_known:
        text = "The fit is usual for this mould."
        reasons = [f"largest residual {case.said(case.worst, signed=True)} at {case.worst_point}, "
                   f"limit {case.said(case.limit)}"]  # fmt: skip
    else:
        text = "The fit is within the limit; whether it is usual cannot be said yet."
        reasons = ["too few pieces of this mould are known to say what is usual"]
    return _advice(case, ACCEPT, text, reasons, cause=NOTHING)


def _blindness(case: _Case) -> list[str]:
    """Say how little the fit can check itself, where it can check little."""
    if case.dof <= 0:
        return ["six fit points leave nothing over: the residuals are zero whatever was probed"]
    if case.dof == 1:
        return [
            "seven fit points: every standardised residual has the same size, so the fit is no "
            "longer self-checked"
        ]
    return []


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + f" and {names[-1]}"
