"""One run reviewed: is the fit usual, which point is it, and what to do."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spc.alignment.hits import average_hits
from spc.alignment.modes import mode_scores
from spc.alignment.naming import wrong_of_two
from spc.capability.conformity import CONFORMS, DOES_NOT_CONFORM, NOT_PROVEN, conformity
from spc.errors import NotFoundError
from spc.ingest.checked import DEVIATIONS
from spc.store import read
from spc.store.connection import Store
from spc.studies.advice import Advice, advise
from spc.studies.arrays import Array, hit_array
from spc.studies.closer_look import CloserLook, closer_look
from spc.studies.evidence import Omission, omissions_tried
from spc.studies.examined import Examined, examined
from spc.studies.fit_noise import NoiseAsked
from spc.studies.gauge_in_force import Gauges
from spc.studies.history import History
from spc.studies.hit_check import SuspectHit, suspect_hits
from spc.studies.reference import like_the_others, off_limit, off_usual
from spc.studies.reviewed import CheckedPoint, OtherFit, Review, ReviewedMode, ReviewedPoint
from spc.studies.runs import find_run
from spc.studies.statuses import reported_statuses

#: Chance of a false alarm of each verdict where nothing is wrong.
ALPHA = 0.0027
#: Largest residual that is held where the plan sets none, mm: usual for blow- and rotationally
#: moulded tanks (0.050 in; common practice, no published source).
USUAL_LIMIT = 1.27


def review(
    store: Store, name: str, part: str | None = None, *, asked: NoiseAsked | None = None
) -> Review:
    """Review a run named by label, serial or identity, with what the gauge can prove of it.

    Parameters
    ----------
    store
        An open store.
    name, part
        Which run.
    asked
        What the caller says about the measuring noise.

    Raises
    ------
    NotFoundError
        Where there is no such run, or it could not be aligned.
    """
    return reviewed(store, find_run(store, name, part), asked=asked, zones=True)


def reviewed(
    store: Store, row: Any, past: History | None = None, *, gauges: Gauges | None = None,
    asked: NoiseAsked | None = None, zones: bool = False,
) -> Review:  # fmt: skip
    """Review the run that the store has in ``row``.

    Parameters
    ----------
    store
        An open store.
    row
        The run.
    past
        The production history of its part, where it is already read.
    gauges
        Gauge studies of its part, where they are already read.
    asked
        What the caller says about the measuring noise.
    zones
        Whether to say what the gauge can prove at each check point, which takes the whole study.

    Raises
    ------
    NotFoundError
        Where the run could not be aligned.
    """
    looked = _looked(store, row, past, gauges, asked)
    return _assembled(store, looked, zones)


def advised(store: Store, row: Any, past: History | None, gauges: Gauges) -> Advice:
    """Return what `reviewed` advises, without the rest of it."""
    return _advice(_looked(store, row, past, gauges, None))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Looked:
    """A run as far as its verdict needs it."""

    seen: Examined
    suspects: tuple[SuspectHit, ...]
    tried: tuple[Omission, ...]
    closer: CloserLook
    points: tuple[ReviewedPoint, ...]
    modes: tuple[ReviewedMode, ...]


def _looked(
    store: Store, row: Any, past: History | None, gauges: Gauges | None, asked: NoiseAsked | None
) -> _Looked:
    if not isinstance(row["fit_id"], str):
        raise NotFoundError(
            f"run '{row['run']}' of piece '{row['serial']}' could not be aligned: too few fit "
            "points; measure it again"
        )
    seen = examined(store, row, past, gauges=gauges, asked=asked)
    suspects = suspect_hits(store, seen.history)
    tried: tuple[Omission, ...] = ()
    closer = CloserLook()
    if row["depth"] != DEVIATIONS:
        hits = read.hits(store, [str(row["run_id"])])
        tried = _tried(hits, seen)
        closer = closer_look(
            seen.history.plan, seen.history.geometry, hits, seen.weights, seen.known,
            float(row["part_temp_c"]),
        )  # fmt: skip
    return _Looked(seen=seen, suspects=suspects, tried=tried, closer=closer, points=_points(seen),
                   modes=_modes(seen))  # fmt: skip


def _tried(hits: pd.DataFrame, seen: Examined) -> tuple[Omission, ...]:
    names = seen.history.geometry.names
    laid = hit_array(hits, pd.Series([0] * len(hits)), 1, names)
    means, _ = average_hits(laid)
    return omissions_tried(means, seen.history.geometry, seen.weights, seen.known)


def _limit(seen: Examined) -> float:
    limit = seen.history.plan.residual_limit
    return USUAL_LIMIT if limit is None else limit


def _advice(looked: _Looked) -> Advice:
    seen, row = looked.seen, looked.seen.row
    return advise(
        limit=_limit(seen), worst=float(row["worst_residual"]),
        worst_point=str(row["worst_point"]), p_usual=_usual(seen)[1],
        usual_known=seen.known is not None, points=looked.points, modes=looked.modes,
        omissions=looked.tried,
        suspects=[s for s in looked.suspects if s.point not in str(row["omitted"]).split(",")],
        dof=int(row["dof"]), alpha=ALPHA,
        off_limit=np.nan if seen.known is None else off_limit(seen.known, ALPHA), off=_off(seen),
        lately=seen.lately, unit=seen.history.plan.unit, mistakes=looked.closer.mistakes,
    )  # fmt: skip


def _assembled(store: Store, looked: _Looked, zones: bool) -> Review:
    seen = looked.seen
    row, plan = seen.row, seen.history.plan
    t2, p_usual = _usual(seen)
    source = (
        "usual for moulded tanks: common practice, no published source"
        if plan.residual_limit is None
        else "set by the plan"
    )
    return Review(
        plan=plan, **{k: str(row[k]) for k in _ROW_TEXT},
        measured_at=None if pd.isna(row["measured_at"]) else row["measured_at"].to_pydatetime(),
        superseded=bool(row["superseded"]), advice=_advice(looked),
        n_points=int(row["n_points"]), dof=int(row["dof"]),
        omitted=tuple(p for p in str(row["omitted"]).split(",") if p),
        noise=float(row["noise"]), worst_point=str(row["worst_point"]),
        worst_residual=float(row["worst_residual"]), limit=_limit(seen), limit_source=source,
        probing=seen.noise.probing, probing_dof=seen.noise.probing_dof, measured=seen.noise,
        p_probing=seen.noise.p_probing(float(row["ssr"]), int(row["dof"])),
        p_again=seen.noise.p_again(float(row["ssr"]), int(row["dof"])), t2=t2,
        p_usual=p_usual, usual=seen.why_unknown if seen.known is None else seen.known.words,
        history_noise=seen.sigma, hit_sd=float(row["hit_sd"]), hit_dof=int(row["hit_dof"]),
        points=looked.points, modes=looked.modes, checks=_checks(seen, zones),
        omissions=looked.tried, suspects=looked.suspects, closer=looked.closer,
        others=_others(store, row), statuses=reported_statuses(store, [str(row["run_id"])]),
    )  # fmt: skip


_ROW_TEXT = ("run_id", "run", "serial", "mould", "batch", "operator", "device", "study")


def _usual(seen: Examined) -> tuple[float, float]:
    if seen.known is None or not seen.known.scores.size:
        return np.nan, np.nan
    return like_the_others(mode_scores(seen.modes, seen.history.deviations)[0], seen.known)


def _off(seen: Examined) -> float:
    if seen.known is None:
        return np.nan
    check = ~seen.history.geometry.is_fit
    return float(off_usual(seen.history.deviations[0], seen.known.mean, seen.known.sd, check))


def _modes(seen: Examined) -> tuple[ReviewedMode, ...]:
    scores = mode_scores(seen.modes, seen.history.deviations)[0]
    known = seen.known.scores if seen.known is not None else np.empty((0, len(scores)))
    usual = known.mean(axis=0) if len(known) else np.full(len(scores), np.nan)
    sd = known.std(axis=0, ddof=1) if len(known) > 1 else np.full(len(scores), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):  # a mode that never varied has no z
        z = (scores - usual) / sd
    return tuple(
        ReviewedMode(name=name, description=words, score=float(scores[k]), usual=float(usual[k]),
                     sd=float(sd[k]), z=float(z[k]))
        for k, (name, words) in enumerate(
            zip(seen.modes.names, seen.modes.descriptions, strict=True))
    )  # fmt: skip


def _points(seen: Examined) -> tuple[ReviewedPoint, ...]:
    fit = np.flatnonzero(seen.history.geometry.is_fit)
    return tuple(_point(seen, int(at)) for at in fit)


def _point(seen: Examined, at: int) -> ReviewedPoint:
    tests, trust, known = seen.tests, seen.trust, seen.known
    names = seen.history.geometry.names
    check = ~seen.history.geometry.is_fit
    used = bool(seen.weights[at] > 0)
    harm = np.where(check, np.abs(trust.hidden_shift[:, at]), -1.0) * seen.sigma
    # Rounded, so that equal places do not change order with the machine; infinity stays infinity.
    harmed = int(np.argmax(np.round(np.where(np.isnan(harm), -1.0, harm), 9)))
    sizes = tests.standardised if known is not None else tests.internal
    family = tests.p_standardised_family if known is not None else tests.p_studentised_family
    group = next((g for g in trust.groups if at in g), ())
    return ReviewedPoint(
        point=names[at],
        group=seen.history.plan.points[at].group,
        used=used,
        residual=float(seen.history.deviations[0, at]),
        usual=np.nan if known is None else float(known.mean[at]),
        leverage=float(trust.leverage[at]),
        redundancy=float(trust.redundancy[at]),
        standardised=float(sizes[0, at]),
        p=float(family[0, at]),
        studentised=float(tests.external[0, at]),
        detectable=float(trust.detectable[at] * seen.sigma),
        harm=float(harm[harmed]) if used and check.any() else np.nan,
        harmed=names[harmed] if used and check.any() else "",
        moves={
            names[k]: float(trust.hidden_shift[k, at] * seen.sigma) for k in np.flatnonzero(check)
        }
        if used
        else {},
        tied=tuple(names[k] for k in group if k != at),
        near=_near(seen, at, group),
        mistaken=_mistaken(seen, at, float(sizes[0, at]), group),
        hit_sd=float(seen.history.hit_sd[0, at]),
    )


def _near(seen: Examined, at: int, tied: tuple[int, ...]) -> tuple[str, ...]:
    pairs = [(t.first, t.second) for t in seen.trust.near_ties]
    rivals = {b if a == at else a for a, b in pairs if at in (a, b)} - set(tied)
    return tuple(seen.history.geometry.names[k] for k in sorted(rivals))


def _mistaken(seen: Examined, at: int, size: float, tied: tuple[int, ...]) -> float:
    """Return the chance that the nearest rival outside its tied group is the wrong one."""
    rivals = np.abs(seen.trust.correlation[at]).copy()
    rivals[[at, *tied]] = np.nan
    if not np.isfinite(rivals).any() or not np.isfinite(size):
        return np.nan
    return float(wrong_of_two(np.nanmax(rivals), abs(size)))


#: Zones of a reading in words.
_ZONES = {CONFORMS: "conforms", NOT_PROVEN: "not proven", DOES_NOT_CONFORM: "does not conform"}


def _measuring(seen: Examined, zones: bool) -> tuple[Array, list[str]]:
    """Return the gauge's noise at every point of the plan, and the zone of the run's reading."""
    geometry = seen.history.geometry
    sd = np.full(len(geometry.names), np.nan)
    if zones and seen.noise.study:
        sd, _ = seen.gauges.spread(seen.noise.study).of(geometry.names)
    found = conformity(seen.history.deviations[:1], geometry.lower, geometry.upper, sd)
    return sd, [_ZONES.get(int(zone), "") for zone in found.zone[0]]


def _checks(seen: Examined, zones: bool) -> tuple[CheckedPoint, ...]:
    history, known = seen.history, seen.known
    measuring, zone = _measuring(seen, zones)
    geometry, d = history.geometry, history.deviations[0]
    usual = np.full(len(d), np.nan) if known is None else known.mean
    sd = np.full(len(d), np.nan) if known is None else known.sd
    with np.errstate(divide="ignore", invalid="ignore"):  # a point that never varied has no z
        z = (d - usual) / sd
    return tuple(
        CheckedPoint(
            point=geometry.names[at], group=history.plan.points[at].group, deviation=float(d[at]),
            lower=float(geometry.lower[at]), upper=float(geometry.upper[at]),
            usual=float(usual[at]), z=float(z[at]),
            from_alignment=float(seen.trust.alignment_sigma[at] * seen.noise.probing),
            measuring=float(measuring[at]), zone=zone[at],
            hit_sd=float(history.hit_sd[0, at]),
        )
        for at in np.flatnonzero(~geometry.is_fit)
    )  # fmt: skip


def _others(store: Store, row: Any) -> tuple[OtherFit, ...]:
    fits = read.fits(store, str(row["run_id"]))
    rest = fits[fits["fit_id"] != row["fit_id"]]
    return tuple(
        OtherFit(
            result_set=str(r["result_set"]), omitted=str(r["omitted"]),
            fitted_at=r["fitted_at"].to_pydatetime(), noise=float(r["noise"]),
            worst_point=str(r["worst_point"]), worst_residual=float(r["worst_residual"]),
        )
        for r in rest.to_dict("records")
    )  # fmt: skip
