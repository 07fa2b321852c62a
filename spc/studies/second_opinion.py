"""A second opinion on one run's fit, shown beside it and never instead of it."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.fit import PlaneFit
from spc.alignment.robust import huber_fit, trimmed_fit
from spc.plan import HUBER, Plan
from spc.studies.arrays import Array, PlanArrays
from spc.studies.plan_hold import listed
from spc.studies.reference import Reference

#: A rival set that leaves no more than this many times as much is as good an explanation.
AS_GOOD = 1.5
#: A reading that keeps less than this share of its pull is named.
DOUBTED = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class OpinionPoint:
    """One point under both fits; lengths in mm.

    Parameters
    ----------
    point, role
        Its name, and ``fit`` or ``check`` in this run.
    deviation
        By the plan's own fit.
    second
        By the second opinion.
    pull
        Share of its weight that the second opinion leaves it, 0 to 1; NaN at check points.
    """

    point: str
    role: str
    deviation: float
    second: float
    pull: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOpinion:
    """A robust fit of one run; lengths in mm.

    Parameters
    ----------
    method
        ``huber`` or ``least trimmed``.
    sigma
        Noise of one reading that it rests on; NaN where it needs none.
    words
        What it comes to, in a sentence.
    doubted
        Fit points that it pulls less by, or leaves out.
    rivals
        Points of the next best set to leave out, where that explains the run as well; empty where
        none does.
    largest, largest_at
        Largest change of a check point's deviation (of any point's, without check points), and
        where.
    points
        Every measured point under both fits.
    note
        Why there is no second opinion; empty where there is one.
    """

    method: str
    sigma: float
    words: str
    doubted: tuple[str, ...]
    rivals: tuple[str, ...]
    largest: float
    largest_at: str
    points: tuple[OpinionPoint, ...]
    note: str


def second_opinion_of(
    plan: Plan, geometry: PlanArrays, means: Array, weights: Array, known: Reference | None
) -> SecondOpinion | None:
    """Return the second opinion that a plan asks for, or None where it asks for none.

    Parameters
    ----------
    plan, geometry
        The plan.
    means
        (1, points, 3), mm in the arm's frame.
    weights
        (points,), of the working fit.
    known
        What is usual for the mould; Huber's bound needs its noise.
    """
    if not plan.second_opinion:
        return None
    if plan.second_opinion == HUBER:
        return _huber(geometry, means, weights, _usual_noise(known))
    return _trimmed(geometry, means, weights)


def _usual_noise(known: Reference | None) -> float:
    """Return the noise of a reading about the nominals over the usual runs, form included."""
    if known is None or not known.scores.size:
        return np.nan
    return float(np.sqrt((known.scores**2).mean()))


def _none(method: str, note: str) -> SecondOpinion:
    return SecondOpinion(
        method=method, sigma=np.nan, words="", doubted=(), rivals=(), largest=np.nan,
        largest_at="", points=(), note=note,
    )  # fmt: skip


def _huber(geometry: PlanArrays, means: Array, weights: Array, sigma: float) -> SecondOpinion:
    if not sigma > 0:
        return _none(HUBER, "too few pieces of this mould are known to say which residual is large")
    found = huber_fit(means, geometry.aims, geometry.normals, weights, sigma=sigma)
    if not found.fit.converged[0]:
        return _none(HUBER, "the fit did not come to rest")
    pull = found.factors[0]
    doubted = [n for n, f in zip(geometry.names, pull, strict=True) if f < DOUBTED]
    words = (
        f"pulls less by {listed(doubted)}" if doubted else "doubts no reading: it is the same fit"
    )
    if not found.settled[0]:
        words += "; its weights did not settle, so the data prefer none of them"
    return _opinion(
        HUBER, geometry, means, weights, found.fit, pull, tuple(doubted), (), words, sigma
    )


def _trimmed(geometry: PlanArrays, means: Array, weights: Array) -> SecondOpinion:
    method = "least trimmed"
    found = trimmed_fit(means, geometry.aims, geometry.normals, weights)
    out = int(found.omitted[0, 0])
    if out < 0 or not found.fit.converged[0]:
        return _none(method, "no point can be left out: too few would be left to check the fit")
    rival = int(found.rival[0, 0])
    alike = rival >= 0 and found.rival_ssr[0] <= AS_GOOD * found.ssr[0] + 1e-12
    name = geometry.names[out]
    words = (
        f"leaves out {name}: the sum of squares falls from {found.ssr_full[0]:.4f} to "
        f"{found.ssr[0]:.4f} mm²"
    )
    if alike:
        words += (
            f"; without {geometry.names[rival]} it would be {found.rival_ssr[0]:.4f}, so the data "
            "do not say which"
        )
    pull = np.where(weights > 0, 1.0, np.nan)
    pull[out] = 0.0
    rivals = (geometry.names[rival],) if alike else ()
    return _opinion(
        method, geometry, means, weights, found.fit, pull, (name,), rivals, words, np.nan
    )


def _opinion(
    method: str,
    geometry: PlanArrays,
    means: Array,
    weights: Array,
    second: PlaneFit,
    pull: Array,
    doubted: tuple[str, ...],
    rivals: tuple[str, ...],
    words: str,
    sigma: float,
) -> SecondOpinion:
    from spc.alignment.fit import fit_planes

    own = fit_planes(means, geometry.aims, geometry.normals, weights).deviations[0]
    other = second.deviations[0]
    change = np.nan_to_num(other - own)
    judged = (weights == 0) & np.isfinite(own)
    size = np.where(judged if judged.any() else np.isfinite(own), np.abs(change), -1.0)
    most = int(np.argmax(size))
    return SecondOpinion(
        method=method, sigma=sigma, words=words, doubted=doubted, rivals=rivals,
        largest=float(change[most]), largest_at=geometry.names[most],
        points=tuple(
            OpinionPoint(
                point=geometry.names[k], role="fit" if weights[k] > 0 else "check",
                deviation=float(own[k]), second=float(other[k]), pull=float(pull[k]),
            )
            for k in np.flatnonzero(np.isfinite(own))
        ),
        note="",
    )  # fmt: skip
