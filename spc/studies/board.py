"""The board beside the arm: the last piece, what to do with it, and the twenty before it."""

from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd

from spc import __version__
from spc.capability.conformity import CONFORMS, conformity
from spc.errors import NotFoundError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.advice import ACCEPT, HIT, HOLD, MISTAKE, NOTHING, PIECE, REMEASURE, TOUCH
from spc.studies.arm_trust import ArmTrust, arm_trust
from spc.studies.arrays import Array
from spc.studies.board_again import same_as_before
from spc.studies.conditioned import Unconditioned, unconditioned
from spc.studies.gauge_in_force import Gauges
from spc.studies.history import History, production
from spc.studies.review import reviewed
from spc.studies.reviewed import CheckedPoint, Review
from spc.studies.trust import OLDEST_DAYS

#: Pieces in the strip, and how many more are looked through for the last good one.
PIECES, FARTHER = 20, 40
#: Where the evidence points, in the order in which it is looked for.
ARM, SETUP, PART, PROCESS, NOWHERE = "arm", "set-up", "part", "process", "nothing"
#: Why a point is named.
OUTSIDE, NEAR, BAD_HIT, WRONG_TOUCH, RESIDUAL, UNUSUAL, CLOSEST = (
    "outside tolerance", "too near its tolerance", "bad hit", "wrong touch", "beyond the limit",
    "unusual", "nearest to its tolerance",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardPiece:
    """One piece of the strip.

    Parameters
    ----------
    serial, run, mould, batch
        The piece and its run in force.
    measured_at
        UTC; None where unknown.
    word
        ``accept``, ``re-measure`` or ``hold``.
    """

    serial: str
    run: str
    mould: str
    batch: str
    measured_at: datetime | None
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """The point that matters most on the piece; lengths in mm, positive outwards.

    Parameters
    ----------
    point
        Its name.
    why
        ``outside tolerance``, ``too near its tolerance`` (nearer than the measuring can tell),
        ``bad hit``, ``wrong touch``, ``beyond the limit``, ``unusual``, or
        ``nearest to its tolerance`` where nothing is wrong.
    off
        What is shown: the deviation; of a bad hit its distance from the others of its point.
    beyond
        How far the deviation lies beyond the tolerance; NaN where it does not.
    lower, upper
        Tolerance; NaN where none.
    others
        Further points of the same kind.
    before
        Serial of the piece of the same mould measured before; empty where there is none.
    change
        Deviation less that of the piece before; NaN where unknown.
    """

    point: str
    why: str
    off: float
    beyond: float
    lower: float
    upper: float
    others: int
    before: str
    change: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """The last piece measured, and what to do.

    Parameters
    ----------
    plan
        The plan of its part.
    piece
        The piece and the word for it.
    source
        Where the evidence points: ``arm``, ``set-up``, ``part``, ``process``, or ``nothing``.
    review
        The run reviewed; None where it could not be aligned.
    spot
        The point that matters most; None where there is none.
    stays
        True where the run before of the same piece shows the same fault at the same points: probing
        again has changed nothing, so it is on the piece.
    again
        Labels of earlier runs of the same piece, the oldest first.
    last_good
        The newest piece of the same mould before this one whose word is ``accept``; empty where
        there is none among the last sixty, and where this piece's own word is.
    unready
        Too young or not at room temperature; None where it is ready or nothing is known.
    arm
        Whether the arm may be believed.
    gauge
        Gauge study whose spread says how near to a tolerance is too near; empty where none.
    pieces
        The last pieces of the part, the newest last.
    version
        Version of the program.
    """

    plan: Plan
    piece: BoardPiece
    source: str
    review: Review | None
    spot: Spot | None
    stays: bool
    again: tuple[str, ...]
    last_good: str
    unready: Unconditioned | None
    arm: ArmTrust
    gauge: str
    pieces: tuple[BoardPiece, ...]
    version: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judge:
    """What pieces are judged with."""

    store: Store
    past: History | None
    gauges: Gauges
    noise: dict[str, float]

    def near(self, check: CheckedPoint) -> bool:
        """Tell whether a reading is inside its tolerance, but by less than the measuring knows."""
        noise = self.noise.get(check.point, np.nan)
        if not np.isfinite(noise) or np.isnan([check.lower, check.upper]).all():
            return False
        zone = conformity([[check.deviation]], [check.lower], [check.upper], [noise]).zone[0, 0]
        return bool(zone != CONFORMS and not np.isnan(check.deviation) and not outside(check))

    def word(self, found: Review) -> str:
        """Return the word for a piece: a good measurement of a bad piece is no acceptance."""
        if found.advice.verdict != ACCEPT:
            return found.advice.verdict
        return HOLD if any(outside(c) or self.near(c) for c in found.checks) else ACCEPT


def outside(check: CheckedPoint) -> bool:
    """Tell whether a reading lies outside its tolerance."""
    return bool(check.deviation < check.lower or check.deviation > check.upper)


def board(
    store: Store, part: str | None = None, revision: str | None = None, *,
    check_days: float = OLDEST_DAYS,
) -> Board:  # fmt: skip
    """Look at the piece measured last.

    Parameters
    ----------
    store
        An open store.
    part, revision
        The part; without them the part of the piece measured last, whichever it is.
    check_days
        Days after which an arm check is too long ago.

    Raises
    ------
    NotFoundError
        Where no production run is in the store.
    """
    runs = _in_order(store, part, revision)
    last = runs.iloc[-1]
    plan = read.plan(store, str(last["part"]), str(last["revision"]))
    runs = runs[(runs["part"] == last["part"]) & (runs["revision"] == last["revision"])]
    past = _past(store, plan)
    gauges = Gauges(store, plan)
    study = gauges.in_force(last["when"], str(last["device"])).study
    noise = gauges.spread(study).sd if study else {}
    judge = _Judge(store=store, past=past, gauges=gauges, noise=noise)
    return _assembled(judge, plan, runs, study if noise else "", check_days)


def _in_order(store: Store, part: str | None, revision: str | None) -> pd.DataFrame:
    """Return production runs by the time they were measured, or taken where that is unknown."""
    runs = read.runs(store, part, revision)
    runs = runs[runs["study"] == ""]
    if runs.empty:
        if part is not None or len(read.plans(store)) < 1:
            read.plan(store, part, revision)
        raise NotFoundError(
            "no production run in the store yet; take results in with 'spc ingest FILES'"
        )
    when = runs["measured_at"].fillna(runs["taken_at"])
    return runs.assign(when=when).sort_values(["when", "taken_at", "run"], kind="stable")


def _past(store: Store, plan: Plan) -> History | None:
    try:
        return production(store, plan)
    except NotFoundError:
        # The first piece may be one that could not be aligned; the board tells of it all the same.
        return None


def _assembled(
    judge: _Judge, plan: Plan, runs: pd.DataFrame, gauge: str, check_days: float
) -> Board:
    in_force = runs[~runs["superseded"].astype(bool)]
    row = in_force.iloc[-1]
    looked = [_looked(judge, one, runs) for _, one in in_force.tail(PIECES).iterrows()]
    strip, found, same = [one.piece for one in looked], looked[-1].review, looked[-1].stays
    mine = runs[(runs["piece_id"] == row["piece_id"]) & (runs["run_id"] != row["run_id"])]
    return Board(
        plan=plan, piece=strip[-1], source=_source(found, strip[-1].word, same),
        review=found, stays=same,
        spot=None if found is None else _spot(judge, found, row), again=tuple(mine["run"]),
        last_good=_last_good(judge, in_force, strip, runs), unready=_unready(judge.past, row),
        arm=arm_trust(
            judge.store, row, row["when"], judge.past,
            without_slip=found.suspects[0].usual if found and found.suspects else np.nan,
            check_days=check_days,
        ),
        gauge=gauge, pieces=tuple(strip), version=__version__,
    )  # fmt: skip


def _last_good(
    judge: _Judge, in_force: pd.DataFrame, strip: list[BoardPiece], runs: pd.DataFrame
) -> str:
    """Return the last good piece of the mould before a bad one; it may lie before the strip."""
    newest = strip[-1]
    if newest.word == ACCEPT:
        return ""
    earlier = in_force.iloc[:-PIECES].tail(FARTHER)
    older = (
        _looked(judge, row, runs).piece
        for _, row in earlier[earlier["mould"] == newest.mould][::-1].iterrows()
    )
    mine = (p for p in strip[-2::-1] if p.mould == newest.mould)
    return next((p.serial for p in chain(mine, older) if p.word == ACCEPT), "")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Looked:
    """A run's piece, its review (None where it could not be aligned), and whether faults stay."""

    piece: BoardPiece
    review: Review | None
    stays: bool


def _looked(judge: _Judge, row: Any, runs: pd.DataFrame) -> _Looked:
    found, same = None, False
    if isinstance(row["fit_id"], str):
        found = reviewed(judge.store, row, judge.past, gauges=judge.gauges)
        same = same_as_before(judge.store, found, row, runs, judge.past)
    names = {key: str(row[key]) for key in ("serial", "run", "mould", "batch")}
    when = row["measured_at"]
    piece = BoardPiece(
        **names,
        measured_at=None if pd.isna(when) else when.to_pydatetime(),
        word=REMEASURE if found is None else HOLD if same else judge.word(found),
    )
    return _Looked(piece=piece, review=found, stays=same)


#: Where the advice's causes lie on the way from the arm to the process.
_SOURCES = {HIT: ARM, TOUCH: ARM, MISTAKE: SETUP, PIECE: SETUP}


def _source(found: Review | None, word: str, same: bool) -> str:
    """Return where the evidence points; a sound measurement of a bad piece points to the part."""
    if found is None:
        return SETUP
    if found.advice.cause == NOTHING:
        return NOWHERE if word == ACCEPT else PART
    if same:
        return PART
    return _SOURCES.get(found.advice.cause, PROCESS)


def _unready(past: History | None, row: Any) -> Unconditioned | None:
    if past is None:
        return None
    found = unconditioned(past.where(np.asarray(past.runs["run_id"] == row["run_id"])))
    return found[0] if found else None


def _spot(judge: _Judge, found: Review, row: Any) -> Spot | None:
    """Return the point that the word rests on; where all is well the nearest to its tolerance."""
    why, named = _named(judge, found)
    if not named:
        return None
    point, off = named[0]
    check = next((c for c in found.checks if c.point == point), None)
    lower, upper = (np.nan, np.nan) if check is None else (check.lower, check.upper)
    gap = np.nan if check is None else float(np.nanmax(
        [check.lower - check.deviation, check.deviation - check.upper, -np.inf]
    ))  # fmt: skip
    before, change = _change(judge.past, row, point)
    return Spot(
        point=point, why=why, off=off, beyond=gap if gap > 0 else np.nan, lower=lower,
        upper=upper, others=len(named) - 1, before=before, change=change,
    )  # fmt: skip


def _named(judge: _Judge, found: Review) -> tuple[str, list[tuple[str, float]]]:
    """Return why points are named, and the points with what is shown of them, the first first."""
    cause = found.advice.cause
    if cause == HIT:
        return BAD_HIT, [(s.point, s.off) for s in found.suspects]
    if cause == TOUCH:
        off = {o.point: o.deviation for o in found.omissions}
        return WRONG_TOUCH, [(p, off[p]) for p in found.advice.points]
    if cause == MISTAKE:
        return "", []
    if cause == PIECE and abs(found.worst_residual) > found.limit:
        return RESIDUAL, [(found.worst_point, found.worst_residual)]
    for why, wrong in ((OUTSIDE, outside), (NEAR, judge.near)):
        bad = sorted((c for c in found.checks if wrong(c)), key=used, reverse=True)
        if bad:
            return why, [(c.point, c.deviation) for c in bad]
    return _most(found, UNUSUAL if cause == PIECE else CLOSEST)


def _most(found: Review, why: str) -> tuple[str, list[tuple[str, float]]]:
    """Return the check point that is most unusual, or that uses most of its tolerance."""
    size = (lambda c: abs(np.nan_to_num(c.z))) if why == UNUSUAL else used
    there = [c for c in found.checks if np.isfinite(c.deviation)]
    if not there:
        # Where the fit leaves nothing over, a residual of zero says nothing of its point.
        known = found.worst_point and found.dof > 0
        return why, [(found.worst_point, found.worst_residual)] if known else []
    best = max(there, key=size)
    return why, [(best.point, best.deviation)]


def used(check: CheckedPoint) -> float:
    """Return the share of its tolerance, from the middle, that a reading uses; 0 without one."""
    middle = 0.0 if np.isnan([check.lower, check.upper]).any() else (check.lower + check.upper) / 2
    edge = check.upper if check.deviation >= middle else check.lower
    if np.isnan(edge) or edge == middle or np.isnan(check.deviation):
        return 0.0
    return abs(check.deviation - middle) / abs(edge - middle)


def _change(past: History | None, row: Any, point: str) -> tuple[str, float]:
    """Return the piece of the same mould before, and how far the point moved since."""
    if past is None or pd.isna(row["measured_at"]):
        return "", np.nan
    mine = past.runs["run_id"] == row["run_id"]
    before = np.flatnonzero(
        (past.runs["mould"] == row["mould"])
        & (past.runs["measured_at"] <= row["measured_at"])
        & ~mine
    )
    if not before.size or not mine.any():
        return "", np.nan
    column: Array = past.deviations[:, past.geometry.names.index(point)]
    return (
        str(past.runs["serial"].iloc[before[-1]]),
        float(column[np.flatnonzero(mine)[0]] - column[before[-1]]),
    )
