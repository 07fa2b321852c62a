"""What to improve first: the largest part of the gauge's noise, and whether it surely is."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isnan, sqrt

from spc.gauge.band import Band
from spc.gauge.separation import SPOKEN

#: What helps against each part (common practice, no published source).
_HELP = {
    "hit": "more hits a patch, a steadier way of probing, a smaller tip or a smoother spot",
    "reprobe": "mark where to probe, and probe from the same posture",
    "setup": "seating, supports and clamping order, and more or better spread fit points",
    "station": "fewer moves of the arm, and wider spread seats for each move",
    "operator": "one written way of working, trained and watched",
    "operator_piece": "supports and probing force: operators treat some pieces differently",
    "day": "arm check, temperature and age of the piece at the start of the day",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Improve:
    """The largest part of a gauge's noise at one point.

    Parameters
    ----------
    name
        The part; empty where the study separates none or sees no noise.
    share
        Its share of the gauge's variance; NaN without one.
    shares
        Share of every part that the study separates.
    rivals
        Other parts that may be larger, since their intervals reach into its own.
    sentence
        All that in words.
    """

    name: str
    share: float
    shares: Mapping[str, float]
    rivals: tuple[str, ...]
    sentence: str


def improve_first(parts: Mapping[str, Band], point: int, hits: int) -> Improve:
    """Return the largest part of the gauge's noise at a point.

    Parameters
    ----------
    parts
        Standard deviation of each part of the gauge.
    point
        Which point.
    hits
        Hits that a reported value is the mean of: they divide the hits' variance.
    """
    scale = {name: sqrt(hits) if name == "hit" else 1.0 for name in parts}
    seen = {n: float(b.value[point]) / scale[n] for n, b in parts.items()}
    seen = {n: v for n, v in seen.items() if not isnan(v)}
    total = sum(v**2 for v in seen.values())
    if total <= 0:
        nothing = "no noise of the gauge was seen" if seen else "no part could be separated"
        return Improve(name="", share=float("nan"), shares={}, rivals=(), sentence=nothing)
    shares = {n: v**2 / total for n, v in seen.items()}
    name = max(shares, key=lambda n: shares[n])
    low = float(parts[name].low[point]) / scale[name]
    rivals = tuple(n for n in seen if n != name and float(parts[n].high[point]) / scale[n] > low)
    return Improve(
        name=name,
        share=shares[name],
        shares=shares,
        rivals=rivals,
        sentence=_sentence(name, rivals, alone=len(seen) == 1),
    )


def _sentence(name: str, rivals: tuple[str, ...], *, alone: bool) -> str:
    said = f"the largest part of the noise is '{SPOKEN.get(name, name)}'"
    if alone:
        said = f"the only part of the noise that this study separates is '{SPOKEN.get(name, name)}'"
    if name in _HELP:
        said += f"; it yields to {_HELP[name]}"
    if rivals:
        others = ", ".join(f"'{SPOKEN.get(n, n)}'" for n in rivals)
        said += f"; this study cannot tell whether {others} is larger"
    return said
