"""A closer look at one point: its shape, its tails, its tolerance interval, and the gauge."""

from dataclasses import dataclass

import numpy as np

from spc.capability.conformity import Conformity
from spc.capability.decision_risks import decision_risks
from spc.capability.fractions import fractions_outside
from spc.capability.gauge_noise import NoiseFree
from spc.capability.notes import FEWEST_FOR_INDEX
from spc.capability.shapes import Shapes, Trial, shape_quantile
from spc.capability.tolerance_intervals import (
    BOTH,
    LOWER,
    UPPER,
    ToleranceIntervals,
    ordered_intervals,
    tolerance_intervals,
)
from spc.studies.capability_asked import Asked
from spc.studies.capability_points import PointCapability
from spc.studies.capability_shape import Seen, Shape, as_indices_use_it, held_normal

UNSTEADY = "The process is not stable: what its next pieces will do cannot be told."


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedShape:
    """The shape of a point's readings; lengths in mm.

    Parameters
    ----------
    family
        The shape taken; empty where none fits or was looked for.
    tried
        Shapes tried, in order, each with its p value.
    x_low, x_mid, x_high
        Readings that 0.135 %, half and 99.865 % of all pieces lie below; NaN where not given.
    note
        What limits it, or how it was chosen.
    """

    family: str
    tried: tuple[Trial, ...]
    x_low: float
    x_mid: float
    x_high: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedOutside:
    """Share of pieces that the shape leads to expect outside; NaN where it may not be given.

    Parameters
    ----------
    below, above
        Beyond the lower and the upper limit.
    both, low, high
        Together, and its interval.
    note
        What limits it, or why there is none.
    """

    below: float
    above: float
    both: float
    low: float
    high: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """The tolerance interval: where a stated share of all pieces lies; lengths in mm.

    Parameters
    ----------
    coverage, achieved
        The share, and the confidence reached; NaN without an interval.
    low, high
        Its ends, NaN where the data cannot give one; a side without a limit is open (null).
    side
        ``both``, ``lower`` or ``upper``: the side that is bounded.
    method
        How it was computed.
    note
        What limits it, or why there is none.
    """

    coverage: float
    achieved: float
    low: float
    high: float
    side: str
    method: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WithoutGauge:
    """Spread and indices that a perfect gauge would show, an estimate beside what was seen; mm.

    Parameters
    ----------
    gauge_sd, gauge_dof
        Standard deviation of one reading from the gauge study, and its degrees of freedom.
    gauge_share
        Its share of the observed variance.
    sd, sd_low, sd_high
        The pieces' own spread and its interval.
    pp, pp_low, pp_high, ppk, ppk_low, ppk_high
        Indices without the gauge's noise; an end is null where it has no bound.
    note
        What limits it, or why there is none.
    """

    gauge_sd: float
    gauge_dof: float
    gauge_share: float
    sd: float
    sd_low: float
    sd_high: float
    pp: float
    pp_low: float
    pp_high: float
    ppk: float
    ppk_low: float
    ppk_high: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """Readings by what the gauge can prove of them, with a guard band at each limit; mm.

    Parameters
    ----------
    conforming, not_proven, not_conforming
        Readings in each zone.
    guard
        Guard band at each limit.
    accept_low, accept_high, reject_low, reject_high
        Readings between the first two conform, those beyond the others do not.
    false_accept, false_reject
        Shares of all pieces that are outside and accepted, and inside and not accepted, by this
        rule; NaN where the pieces' own spread is not known or not normal, they are too few, or the
        process is not stable.
    note
        What limits it, or why nothing is judged.
    """

    conforming: int
    not_proven: int
    not_conforming: int
    guard: float
    accept_low: float
    accept_high: float
    reject_low: float
    reject_high: float
    false_accept: float
    false_reject: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PointDetails:
    """A closer look at one check point.

    Parameters
    ----------
    point
        Its name.
    shape
        Its shape.
    expected
        Pieces to be expected outside.
    holding
        Its tolerance interval.
    without_gauge
        Without the gauge's noise.
    acceptance
        What the gauge can prove.
    """

    point: str
    shape: NamedShape
    expected: ExpectedOutside
    holding: Holding
    without_gauge: WithoutGauge
    acceptance: Acceptance


def look(
    seen: Seen, point: PointCapability, shape: Shape, at: int, free: NoiseFree,
    zones: Conformity, asked: Asked,
) -> PointDetails:  # fmt: skip
    """Look closer at one point.

    Parameters
    ----------
    seen
        Its readings.
    point
        Its figures.
    shape
        What is known of its shape.
    at
        Its place in ``free`` and ``zones``.
    free
        All points without the gauge's noise.
    zones
        All readings by zone.
    asked
        The question.
    """
    shapes = _shapes(seen, point, shape)
    return PointDetails(
        point=point.point,
        shape=_named(shape, shapes, point),
        expected=_expected(seen, point, shapes),
        holding=_holding(seen, point, shape, asked),
        without_gauge=_without_gauge(free, at, point, shape),
        acceptance=_acceptance(zones, free, at, point, shape),
    )


def _shapes(seen: Seen, point: PointCapability, shape: Shape) -> Shapes:
    if shape.shapes is None:
        return held_normal(seen, point.mean, point.sd)
    return as_indices_use_it(shape.shapes, point.mean, point.sd)


def _named(shape: Shape, shapes: Shapes, point: PointCapability) -> NamedShape:
    ends = [float("nan")] * 3
    if shape.percentiles is not None:
        p = shape.percentiles
        ends = [float(p.x_low[0]), float(p.x_mid[0]), float(p.x_high[0])]
    elif np.isfinite(point.ppk):
        ends = shape_quantile(shapes, np.array([[-3.0], [0.0], [3.0]]))[:, 0].tolist()
    notes = [shapes.note[0], "" if shape.percentiles is None else shape.percentiles.note[0]]
    if shape.shapes is None and shapes.family[0]:
        notes.append("Taken as normal, as was asked.")
    return NamedShape(
        family=shapes.family[0], tried=shapes.tried[0], x_low=ends[0], x_mid=ends[1],
        x_high=ends[2], note=" ".join(dict.fromkeys(n for n in notes if n)),
    )  # fmt: skip


def _expected(seen: Seen, point: PointCapability, shapes: Shapes) -> ExpectedOutside:
    if point.stable is False and not point.performance:
        nothing = float("nan")
        return ExpectedOutside(below=nothing, above=nothing, both=nothing, low=nothing,
                               high=nothing, note=UNSTEADY)  # fmt: skip
    found = fractions_outside(
        seen.x, seen.lower, seen.upper, shapes, rng=seen.rng(), level=seen.level, batch=seen.lots
    )
    return ExpectedOutside(
        below=float(found.expected_below[0]), above=float(found.expected_above[0]),
        both=float(found.expected[0]), low=float(found.expected_low[0]),
        high=float(found.expected_high[0]), note=found.note[0],
    )  # fmt: skip


def _holding(seen: Seen, point: PointCapability, shape: Shape, asked: Asked) -> Holding:
    side = _side(seen)
    words = {"coverage": asked.coverage, "level": asked.level, "side": side}
    if shape.refuted:
        found = ordered_intervals(seen.x, **words)  # type: ignore[arg-type]
    else:
        found = tolerance_intervals(seen.x, **words, batch=seen.lots)  # type: ignore[arg-type]
    told = np.isfinite(found.low[0]) or np.isfinite(found.high[0])
    note = found.note[0]
    if told and shape.refuted and point.batches > 1:
        note = ("Pieces are taken as independent; those of one batch are not, and the true "
                "confidence is lower.")  # fmt: skip
    if point.stable is False:
        return _no_holding(found, UNSTEADY)
    return Holding(
        coverage=asked.coverage, achieved=float(found.achieved[0]), low=float(found.low[0]),
        high=float(found.high[0]), side=side, method=found.method, note=note,
    )  # fmt: skip


def _no_holding(found: ToleranceIntervals, why: str) -> Holding:
    nothing = float("nan")
    return Holding(coverage=found.coverage, achieved=nothing, low=nothing, high=nothing,
                   side=found.side, method=found.method, note=why)  # fmt: skip


def _side(seen: Seen) -> str:
    """Return the side that has a limit; both where both have, or none."""
    if np.isnan(seen.lower) == np.isnan(seen.upper):
        return BOTH
    return UPPER if np.isnan(seen.lower) else LOWER


def _without_gauge(free: NoiseFree, at: int, point: PointCapability, shape: Shape) -> WithoutGauge:
    spread = {key: float(getattr(free, key)[at]) for key in _SPREAD}
    indices = {key: float(getattr(free, key)[at]) for key in _INDICES}
    note = free.note[at]
    why = ""
    if point.n < FEWEST_FOR_INDEX:
        why = f"{point.n} pieces, fewer than {FEWEST_FOR_INDEX}: no index."
    elif point.stable is False and not point.performance:
        why = "The process is not stable: no index."
    elif shape.refuted:
        why = "The readings are not normal: no index without the gauge's noise."
    if why:
        indices = dict.fromkeys(_INDICES, float("nan"))
    return WithoutGauge(**spread, **indices, note=f"{note} {why}".strip())


_SPREAD = ("gauge_sd", "gauge_dof", "gauge_share", "sd", "sd_low", "sd_high")
_INDICES = ("pp", "pp_low", "pp_high", "ppk", "ppk_low", "ppk_high")


def _acceptance(
    zones: Conformity, free: NoiseFree, at: int, point: PointCapability, shape: Shape
) -> Acceptance:
    foretold = point.stable is not False and not shape.refuted and point.n >= FEWEST_FOR_INDEX
    own = free.sd[at] if foretold else np.nan
    risk = decision_risks(
        point.mean, own, point.lower, point.upper, free.gauge_sd[at], factor=zones.factor
    )
    return Acceptance(
        conforming=int(zones.conforming[at]), not_proven=int(zones.not_proven[at]),
        not_conforming=int(zones.not_conforming[at]),
        **{key: float(getattr(zones, key)[at]) for key in _LIMITS},
        false_accept=float(risk.false_accept), false_reject=float(risk.false_reject),
        note=zones.note[at],
    )  # fmt: skip


_LIMITS = ("guard", "accept_low", "accept_high", "reject_low", "reject_high")
