"""Sizes and deviations as they would be a day after moulding at 20 °C, beside what was measured.

After-mould shrink goes with the logarithm of the hours since moulding and warmth with the
temperature; both change the size of the whole part. Their slopes are fitted to the size of one
part's pieces, beside mould and resin lot, and carried to each point by the plan's geometry: what a
change of size leaves at a point after the fit. Nothing is adjusted by a slope that the pieces do
not show, and the adjusted value never takes the place of the raw one.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.alignment.geometry import holds
from spc.charts.tails import t_isf
from spc.studies.arrays import Array, PlanArrays
from spc.studies.covariates import DAY_HOURS, REFERENCE_C, slopes
from spc.studies.history import History
from spc.studies.shape_series import SIZE, Shapes
from spc.studies.warmth import SPREAD

#: Fewest batches behind a slope (common practice, no published source).
FEWEST = 8
FITTED, STATED, NONE = "fitted", "plan", ""
_LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What age or temperature does to the size of the part.

    Parameters
    ----------
    slope, low, high
        Change of size in %, for a tenfold age or for one kelvin, with a 95 % interval; NaN where
        it cannot be fitted.
    pieces, batches
        What it stands on; 0 where it stands on the plan's expansion.
    source
        ``fitted`` to these pieces, ``plan``: the expansion that the plan states; empty where
        nothing is adjusted by it.
    note
        Why nothing is adjusted by it, or what it stands on, in words.
    """

    slope: float
    low: float
    high: float
    pieces: int
    batches: int
    source: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjusted:
    """The runs of a history brought to 24 h after moulding and 20 °C.

    Parameters
    ----------
    age, warmth
        The two effects.
    hours, temperature_c
        What is adjusted to; NaN where there is no adjustment for it.
    change
        (runs,), to be added to a size in %; NaN where the run's age or temperature is unknown, or
        nothing can be adjusted.
    sd
        (runs,), standard deviation of that, from that of the slopes.
    response
        (points,), mm at each point after the fit for one per cent of size.
    """

    age: Effect
    warmth: Effect
    hours: float
    temperature_c: float
    change: Array
    sd: Array
    response: Array


def adjusted(past: History, events: pd.DataFrame, shapes: Shapes) -> Adjusted:
    """Fit both effects to the size, and bring every run to 24 h and 20 °C by those that show."""
    values = size_of(shapes)
    found = slopes(past, events, values)
    hours = past.runs["hours_since_moulding"].to_numpy(dtype=np.float64)
    kelvin = past.runs["part_temp_c"].to_numpy(dtype=np.float64) - REFERENCE_C
    with np.errstate(divide="ignore", invalid="ignore"):  # an age of zero or none is unknown
        decades = np.where(hours > 0, np.log10(hours / DAY_HOURS), np.nan)
    half = float(t_isf((1 - _LEVEL) / 2, np.array(max(found.batches - 1, 1))))
    spread = np.sqrt(np.diag(found.covariance))
    seen = bool(np.isfinite(values).any())
    age = _effect(found.age, half * spread[0], decades, seen, _AGE, found.pieces, found.batches)
    warmth = _effect(found.temperature, half * spread[1], kelvin, seen, _WARMTH, found.pieces,
                     found.batches)  # fmt: skip
    alpha = past.plan.material.expansion if past.plan.material else None
    if warmth.source != FITTED and alpha is not None:
        warmth = _stated(alpha, warmth)
    change, variance = _change(age, warmth, decades, kelvin, found.covariance)
    return Adjusted(
        age=age, warmth=warmth, hours=DAY_HOURS if age.source else np.nan,
        temperature_c=REFERENCE_C if warmth.source else np.nan, change=change,
        sd=np.sqrt(variance), response=size_response(past.geometry),
    )  # fmt: skip


def size_of(shapes: Shapes) -> Array:
    """Return the uniform size of every run, %; NaN where the plan cannot see it."""
    names = shapes.series.names
    at = names.index(SIZE) if SIZE in names else -1
    return shapes.series.values[:, at] if at >= 0 else np.full(len(shapes.fit.ssr), np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """How an effect is spoken of: what was to be recorded, and the sign that it can have."""

    recorded: str
    for_one: str
    sign: float
    opposite: str


_AGE = _Kind(
    recorded="hours since moulding", for_one="for each tenfold of the hours", sign=-1.0,
    opposite="the parts seem to grow as they age, which after-mould shrink does not do: something "
    "else goes with the hours",
)  # fmt: skip
_WARMTH = _Kind(
    recorded="part temperature", for_one="per kelvin", sign=1.0,
    opposite="the parts seem to shrink as they get warmer: something else goes with the "
    "temperature",
)  # fmt: skip


def _effect(
    slope: float, half: float, recorded: Array, seen: bool, kind: _Kind, pieces: int, batches: int
) -> Effect:
    """Judge a slope: nothing is adjusted by one that cannot be fitted or does not show."""
    why = _no_fit(slope, half, recorded, seen, kind, batches)
    if why:
        return Effect(slope=np.nan, low=np.nan, high=np.nan, pieces=pieces, batches=batches,
                      source=NONE, note=why)  # fmt: skip
    low, high = slope - half, slope + half
    note, source = "", FITTED
    if low <= 0.0 <= high:
        source, note = NONE, f"these pieces show no change of size {kind.for_one}: the interval "
        note += "holds zero, so nothing is adjusted by it"
    elif np.sign(slope) != kind.sign:
        source, note = NONE, f"{kind.opposite}; nothing is adjusted by it"
    return Effect(slope=slope, low=low, high=high, pieces=pieces, batches=batches, source=source,
                  note=note)  # fmt: skip


def _no_fit(
    slope: float, half: float, recorded: Array, seen: bool, kind: _Kind, batches: int
) -> str:
    there = recorded[np.isfinite(recorded)]
    if not seen:
        return "size cannot be seen with this plan, so nothing can be fitted to it"
    if not len(there):
        return f"no {kind.recorded} recorded"
    if 2 * len(there) < len(recorded):
        return f"{kind.recorded} known of {len(there)} of {len(recorded)} pieces only: no fit"
    if np.ptp(there) == 0.0:
        return f"{kind.recorded} the same for every piece: no fit"
    if batches < FEWEST:
        many = "1 batch is" if batches == 1 else f"{batches} batches are"
        return f"{many} too few to fit it; {FEWEST} are needed"
    if not (np.isfinite(slope) and np.isfinite(half)) or half > 1e3 * max(abs(slope), 1e-9):
        return f"{kind.recorded} cannot be told from mould or resin lot here: no fit"
    return ""


def _stated(alpha: float, fitted: Effect) -> Effect:
    """Return the effect of the expansion that the plan states, where these pieces give none."""
    slope, half = 100.0 * alpha, 100.0 * alpha * SPREAD * 1.96
    why = f"; from these pieces: {fitted.note}" if fitted.note else ""
    return Effect(slope=slope, low=slope - half, high=slope + half, pieces=0, batches=0,
                  source=STATED, note=f"the expansion that the plan states, uncertain by "
                  f"{100 * SPREAD:g} %{why}")  # fmt: skip


def _change(
    age: Effect, warmth: Effect, decades: Array, kelvin: Array, covariance: Array
) -> tuple[Array, Array]:
    """Return what is to be added to each run's size, and the variance of that."""
    if not (age.source or warmth.source):
        return np.full(len(decades), np.nan), np.full(len(decades), np.nan)
    x = np.stack([
        decades if age.source else np.zeros_like(decades),
        kelvin if warmth.source else np.zeros_like(kelvin),
    ], axis=1)  # fmt: skip
    slope = np.array([age.slope if age.source else 0.0, warmth.slope if warmth.source else 0.0])
    known = np.where(np.isfinite(covariance), covariance, 0.0)
    if warmth.source == STATED:
        known = np.diag([known[0, 0], (SPREAD * warmth.slope) ** 2])
    return -x @ slope, np.einsum("ij,jk,ik->i", x, known, x)


def size_response(geometry: PlanArrays) -> Array:
    """Return the deviation of each point after the fit for one per cent of size, (points,), mm.

    The fit takes up of a change of size what a rigid motion can, by the fit points alone; NaN
    where they do not hold the part.
    """
    column = 0.01 * (geometry.normals * geometry.nominals).sum(axis=1)
    held = holds(geometry.nominals, geometry.normals, geometry.weights[None])
    if held.rank[0] != 6:
        return np.full(len(column), np.nan)
    lever = np.hstack([geometry.normals, np.cross(geometry.nominals, geometry.normals) / 100.0])
    root = np.sqrt(geometry.weights)
    pose = np.linalg.lstsq(root[:, None] * lever, root * column, rcond=None)[0]
    return np.asarray(column - lever @ pose)
