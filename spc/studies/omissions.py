"""Leaving a fit point out of a run, and taking it back: recorded, never destructive."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.identity import content_hash
from spc.ingest.checked import DEVIATIONS
from spc.plan import Plan
from spc.store import read, write
from spc.store.connection import Store, now
from spc.studies.arrays import hit_array
from spc.studies.evidence import SELF_CHECKED
from spc.studies.fitting import fit_hits, fit_rows
from spc.studies.review import review
from spc.studies.reviewed import Review

OMIT, RESTORE = "omit", "restore"
#: Why a point may be left out.
REASONS = {
    "slip": "the probe slipped or the arm was bumped",
    "flash": "flash, dirt or a burr under the probe",
    "wrong-place": "probed at the wrong place or on the wrong face",
    "moved": "the piece moved or was pushed",
    "damage": "the piece is damaged there",
    "other": "something else, said in --why",
}
#: A single point is taken as supported for omission where its residual is as rare as this.
SUPPORTED = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """What became of an omission or a restoration; lengths in mm.

    Parameters
    ----------
    run, serial, point
        What it concerns.
    action
        ``omit`` or ``restore``.
    forced
        True where it was recorded against the advice.
    omitted
        Points now left out.
    noise_before, noise
        Noise estimate before and after.
    worst_point, worst_residual
        Largest residual after.
    dof
        Degrees of freedom after.
    warnings
        What the fit no longer checks.
    """

    run: str
    serial: str
    point: str
    action: str
    forced: bool
    omitted: tuple[str, ...]
    noise_before: float
    noise: float
    worst_point: str
    worst_residual: float
    dof: int
    warnings: tuple[str, ...]


def omit(
    store: Store, run: str, point: str, *, why: str, reason: str, force: bool, who: str,
    part: str | None = None,
) -> Decided:  # fmt: skip
    """Leave a fit point out of a run's fit.

    Raises
    ------
    InputError
        Where the others would not hold six degrees of freedom, or (unless forced) the data do not
        support leaving this point out.
    """
    found = review(store, run, part)
    _refuse_impossible(store, found, point)
    support = _support(found, point)
    if not support and not force:
        raise InputError(
            f"the data do not speak against '{point}': its hits agree, its residual is usual, and "
            "the check points do not fall into place without it",
            do="measure the run again, or record the omission all the same with --force",
        )
    left_out = tuple(dict.fromkeys([*found.omitted, point]))
    return _decide(
        store, found, point, OMIT, left_out, why=why, reason=reason, forced=not support, who=who
    )


def restore(
    store: Store, run: str, point: str | None, *, why: str, who: str, part: str | None = None
) -> tuple[Decided, ...]:
    """Take an omitted point back into a run's fit, or all of them."""
    found = review(store, run, part)
    if not found.omitted:
        raise InputError(
            f"run '{found.run}' has no omitted point", do="there is nothing to restore"
        )
    if point is not None and point not in found.omitted:
        raise InputError(
            f"'{point}' is not omitted in run '{found.run}'",
            do=f"omitted are {', '.join(found.omitted)}",
        )
    decided = []
    for name in (point,) if point is not None else found.omitted:
        latest = review(store, found.run_id)
        left_out = tuple(p for p in latest.omitted if p != name)
        decided.append(
            _decide(store, latest, name, RESTORE, left_out, why=why, reason="", forced=False,
                    who=who)
        )  # fmt: skip
    return tuple(decided)


def _refuse_impossible(store: Store, found: Review, point: str) -> None:
    planned = found.plan.point(point)
    if planned is None or planned.role != "fit":
        raise InputError(
            f"'{point}' is no fit point of {found.plan.part} {found.plan.revision}",
            do="only fit points can be left out of a fit; they are "
            + ", ".join(p.id for p in found.plan.fit_points),
        )
    if point in found.omitted:
        raise InputError(f"'{point}' is left out of run '{found.run}' already", do="see 'run show'")
    if read.runs(store)[lambda r: r["run_id"] == found.run_id]["depth"].iloc[0] == DEVIATIONS:
        raise InputError(
            f"run '{found.run}' was fitted elsewhere and has no positions to fit again",
            do="take the hits or points of the run in",
        )
    tried = next((o for o in found.omissions if o.point == point), None)
    if tried is None:
        raise InputError(f"'{point}' was not measured in run '{found.run}'", do="nothing to omit")
    if not tried.possible:
        raise InputError(
            f"without '{point}' the other fit points do not hold six degrees of freedom",
            do="measure the point again instead",
        )


def _support(found: Review, point: str) -> bool:
    """Tell whether hits, residual or check points speak against a point."""
    reviewed = next(p for p in found.points if p.point == point)
    return (
        any(s.point == point for s in found.suspects)
        or reviewed.p < SUPPORTED
        or point in found.advice.points
    )


def _decide(
    store: Store, found: Review, point: str, action: str, left_out: tuple[str, ...], *, why: str,
    reason: str, forced: bool, who: str,
) -> Decided:  # fmt: skip
    at = pd.Timestamp(now())
    fit, deviation, unchecked = _refitted(store, found, left_out, at)
    row = {
        "run_id": found.run_id, "point": point, "action": action, "reason": reason, "why": why,
        "forced": forced, "decided_at": at, "who": who,
    }  # fmt: skip
    row["omission_id"] = omission_identity(row)
    write.append(
        store, {"omission": pd.DataFrame([row]), "fit": fit, "deviation": deviation},
        action=f"point {action}ted" if action == OMIT else "point restored",
        subject=f"{found.run} {point}", who=who, run_id=found.run_id, reason=reason, why=why,
        forced=forced,
    )  # fmt: skip
    after: Any = fit.iloc[0]
    return Decided(
        run=found.run, serial=found.serial, point=point, action=action, forced=forced,
        omitted=left_out, noise_before=found.noise, noise=float(after["noise"]),
        worst_point=str(after["worst_point"]), worst_residual=float(after["worst_residual"]),
        dof=int(after["dof"]), warnings=_warnings(int(after["n_points"]), unchecked),
    )  # fmt: skip


def _refitted(
    store: Store, found: Review, left_out: tuple[str, ...], at: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame, tuple[str, ...]]:
    from spc.alignment.reliability import reliability

    plan: Plan = found.plan
    names = tuple(p.id for p in plan.points)
    hits = read.hits(store, [found.run_id])
    laid = hit_array(hits, pd.Series([0] * len(hits)), 1, names)
    out = np.isin(names, left_out)[None]
    fitted = fit_hits(plan, laid, out)
    fit, deviation = fit_rows(fitted, [found.run_id], at, omitted=[",".join(left_out)])
    fit_id = decided_identity(fit["fit_id"].iloc[0], at)
    trust = reliability(
        np.array([p.nominal for p in plan.points]), np.array([p.normal for p in plan.points]),
        fitted.weights[0],
    )  # fmt: skip
    unchecked = tuple(names[k] for k in trust.unchecked)
    return fit.assign(fit_id=fit_id), deviation.assign(fit_id=fit_id), unchecked


def omission_identity(row: Mapping[Any, Any]) -> str:
    """Return the content hash of a decision about a point."""
    words = [row[key] for key in ("run_id", "point", "action")]
    return content_hash("omission", *words, str(row["decided_at"]), row["who"])


def decided_identity(fit_id: str, at: pd.Timestamp) -> str:
    """Return the identity of a fit that was decided on; the same may be decided twice over time."""
    return content_hash("fit", fit_id, str(at))


def _warnings(left: int, unchecked: tuple[str, ...]) -> tuple[str, ...]:
    said = []
    if left < SELF_CHECKED:
        said.append(
            f"{left} fit points are left: the fit is no longer self-checked, since no residual "
            "can be told from another"
        )
    if unchecked:
        said.append(f"nothing checks {', '.join(unchecked)} now: the residual there is always zero")
    return tuple(said)
