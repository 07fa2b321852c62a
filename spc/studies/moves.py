"""What moving the arm costs: each point's budget after each move, from the seats' residuals."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from spc.alignment.reliability import reliability
from spc.errors import DataError, InputError
from spc.gauge.leapfrog import MoveError, move_error, seat_noise
from spc.ingest.checked import DEVIATIONS
from spc.interval import Estimate
from spc.plan import FIT, Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array, PlanArrays, plan_arrays
from spc.studies.gauge_in_force import gauge_for
from spc.studies.plan_check import stated_sigma
from spc.studies.runs import find_run
from spc.studies.station_join import seated_moves

LEVEL = 0.95
#: Numbers of seats that are compared, since a small residual on few of them proves little.
SEATS = (3, 4, 6, 8)


@dataclass(frozen=True, slots=True, kw_only=True)
class MovesAsked:
    """What is known of the moves of the arm; lengths in mm.

    Parameters
    ----------
    seats
        Positions of the seats in the part's frame; empty where a run's own are to be used.
    residual
        Root mean square of what they were off after the arm was joined again; None for a run's.
    moves
        Moves one after the other.
    after
        Points probed after the move; empty for all check points.
    sigma
        Noise of one reading without a move; None for the gauge study's or the plan's.
    """

    seats: tuple[tuple[float, float, float], ...] = ()
    residual: float | None = None
    moves: int = 3
    after: tuple[str, ...] = ()
    sigma: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedPoint:
    """One point after moves of the arm; standard deviations of its deviation, mm.

    Parameters
    ----------
    point, role
        The point.
    probed_after
        True where it was probed after the move; another changes only as the fit moves.
    alone
        Without a move.
    one, one_low, one_high
        What one move adds, with its interval from that of the seats' noise.
    total
        With one move, two, and so on.
    share
        Share of the moves in the variance after the last one.
    """

    point: str
    role: str
    probed_after: bool
    alone: float
    one: float
    one_low: float
    one_high: float
    total: tuple[float, ...]
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatsTell:
    """What a residual proves on a number of seats.

    Parameters
    ----------
    seats, dof
        How many, and the degrees of freedom of their residuals.
    shown
        Share of the seats' noise that the residual shows.
    noise, high
        The noise of a seat that this residual stands for, and the upper end of its interval, mm.
    """

    seats: int
    dof: int
    shown: float
    noise: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatedJoin:
    """One move of the arm as the seats show it; lengths in mm.

    Parameters
    ----------
    station
        Station that was moved to; empty where the seats were given.
    seats, residual
        How many seats, and their root mean square residual.
    noise, noise_low, noise_high
        Root mean square error of one seat in space, with its interval.
    worst, worst_at
        Largest standard deviation that the move adds to a point, and which.
    note
        What limits it; empty where nothing does.
    """

    station: str
    seats: int
    residual: float
    noise: float
    noise_low: float
    noise_high: float
    worst: float
    worst_at: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """The budget of moves of the arm; lengths in mm.

    Parameters
    ----------
    plan, run
        The plan; the run whose seats are used, empty where they were given.
    level
        Confidence level of the intervals.
    moves
        Moves that the totals reach to.
    alone_from
        Where the noise without moves comes from.
    joins
        The moves that were seen, or the one that was given.
    tell
        What such a residual proves on three seats, four and more.
    points
        The budget, check points first.
    notes
        What the reader must know.
    """

    plan: Plan
    run: str
    level: float
    moves: int
    alone_from: str
    joins: tuple[SeatedJoin, ...]
    tell: tuple[SeatsTell, ...]
    points: tuple[MovedPoint, ...]
    notes: tuple[str, ...]


def moves_of(
    store: Store, run: str | None, asked: MovesAsked, part: str | None = None,
    revision: str | None = None,
) -> Moves:  # fmt: skip
    """Budget the moves of the arm within a run [1]_.

    All that is probed after a move shares its error. Where fit points are among it, the fit takes
    part of the error up, and where all of it is, the whole.

    Parameters
    ----------
    store
        An open store.
    run
        A run probed from several stations, some points from two; None where seats are given.
    asked
        Seats and residual, moves, points, noise.
    part, revision
        The part.

    Raises
    ------
    InputError
        Where neither a run nor seats say what a move costs, or what is said makes no sense.

    References
    ----------
    .. [1] J. M. Fitzpatrick, J. B. West, C. R. Maurer, Predicting error in rigid-body point-based
       registration, IEEE Trans. Med. Imaging 17 (1998) 694-702.
    """
    if run is not None:
        return _of_run(store, run, asked, part)
    plan = read.plan(store, part, revision)
    geometry = plan_arrays(plan)
    if asked.residual is None or len(asked.seats) < 3:
        raise InputError(
            "no seats to judge a move by",
            do="name a run probed from several stations, or give --residual and three or more "
            "--seat X,Y,Z",
        )
    if not 1 <= asked.moves <= 20:
        raise InputError(f"{asked.moves} moves", do="use 1 to 20")
    after = _after(geometry, asked.after)
    noise = seat_noise([asked.residual] * len(asked.seats), level=LEVEL)
    error = _error(np.array(asked.seats, dtype=np.float64), geometry, noise)
    return _assembled(store, plan, geometry, "", asked, [("", asked.residual, error, after)], ())


def _of_run(store: Store, name: str, asked: MovesAsked, part: str | None) -> Moves:
    if asked.seats or asked.residual is not None or asked.after:
        raise InputError("a run brings its own seats and points",
                         do="leave out --seat, --residual and --after, or the run")  # fmt: skip
    row = find_run(store, name, part)
    if row["depth"] == DEVIATIONS or not isinstance(row["fit_id"], str):
        raise InputError(f"run '{name}' has no aligned positions", do="name a run with positions")
    plan = read.plan_by_id(store, str(row["plan_id"]))
    geometry = plan_arrays(plan)
    hits = read.hits(store, [str(row["run_id"])])
    moved = read.transforms(store, [str(row["run_id"])])
    rotation = np.array(json.loads(str(moved["rotation"].iloc[0])), dtype=np.float64)
    found = seated_moves(hits, geometry, rotation.reshape(3, 3))
    if not found:
        stations = sorted(set(hits["station"].fillna("")))
        raise InputError(
            f"run '{name}' was probed from {len(stations)} station{'s' * (len(stations) != 1)} "
            "and no three points from two of them",
            do="probe three seats or more from both places, or give --seat and --residual",
        )
    seen = [(m.station, m.residual, _error(m.seats, geometry, m.noise), m.only) for m in found]
    device, when = str(row["device"]), row["measured_at"]
    notes = tuple(dict.fromkeys(m.note for m in found if m.note))
    return _assembled(store, plan, geometry, str(row["run"]), asked, seen, notes,
                      device=device, when=None if pd.isna(when) else when)  # fmt: skip


#: A move: its station, the seats' residual, the error that it makes, and the points after it.
_Seen = tuple[str, float, MoveError, npt.NDArray[np.bool_]]


def _error(seats: Array, geometry: PlanArrays, noise: Estimate) -> MoveError:
    try:
        return move_error(seats, geometry.nominals, noise, normals=geometry.normals)
    except DataError as error:
        raise InputError(str(error), do="spread the seats over the stand") from error


def _after(geometry: PlanArrays, names: Sequence[str]) -> npt.NDArray[np.bool_]:
    for name in names:
        if name not in geometry.names:
            raise InputError(f"no point '{name}' in the plan", do="see 'spc plan show'")
    return np.isin(geometry.names, names) if names else ~geometry.is_fit


def _assembled(
    store: Store, plan: Plan, geometry: PlanArrays, run: str, asked: MovesAsked,
    seen: list[_Seen], notes: tuple[str, ...], *, device: str = "",
    when: pd.Timestamp | None = None,
) -> Moves:  # fmt: skip
    added = np.zeros((len(seen), len(geometry.names)))
    for k, (_, _, error, after) in enumerate(seen):
        added[k] = added_sd(error, geometry, after)
    alone, alone_from = _alone(store, plan, geometry, asked.sigma, device, when)
    last = asked.moves if not run else len(seen)
    probed = np.asarray(np.array([after for *_, after in seen]).any(axis=0))
    one = np.sqrt((added**2).sum(axis=0))
    ends = _ends(seen, added)
    # Given seats: each further move is like the first. A run: the moves that it had, and no more.
    steps = np.arange(1, last + 1) if not run else np.array([1])
    order = sorted(range(len(geometry.names)), key=lambda at: plan.points[at].role == FIT)
    return Moves(
        plan=plan, run=run, level=LEVEL, moves=last, alone_from=alone_from,
        joins=tuple(_join(s, a, geometry) for s, a in zip(seen, added, strict=True)),
        tell=_tell(seen[0][1]),
        points=tuple(
            MovedPoint(
                point=geometry.names[at], role=plan.points[at].role, probed_after=bool(probed[at]),
                alone=float(alone[at]), one=float(one[at]), one_low=float(ends[0][at]),
                one_high=float(ends[1][at]),
                total=tuple(np.sqrt(alone[at] ** 2 + steps * one[at] ** 2).tolist()),
                share=_share(float(alone[at]), float(steps[-1]) * float(one[at]) ** 2),
            )
            for at in order
        ),
        notes=notes,
    )  # fmt: skip


def added_sd(error: MoveError, geometry: PlanArrays, after: npt.NDArray[np.bool_]) -> Array:
    """Return what a move adds to each deviation, (points,), mm, the fit's own answer counted."""
    trust = reliability(geometry.nominals, geometry.normals, geometry.weights)
    brought = trust.response[:, after]
    covariance = error.shared[np.ix_(after, after)]
    squares = np.einsum("pa,ab,pb->p", brought, covariance, brought)
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)))


def _ends(seen: list[_Seen], added: Array) -> tuple[Array, Array]:
    """Return the interval of what the moves add together, by Satterthwaite over the moves."""
    v, dof = added**2, np.array([3.0 * _count(s[2]) - 6.0 for s in seen])[:, None]
    total = v.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # points that no move touches
        effective = np.where(total > 0, total**2 / (v**2 / dof).sum(axis=0), 1.0)
    tail = (1.0 - LEVEL) / 2.0
    low = total * effective / special.chdtri(effective, tail)
    high = total * effective / special.chdtri(effective, 1.0 - tail)
    return np.sqrt(low), np.sqrt(high)


def _count(error: MoveError) -> int:
    return error.seat_noise.n


def _alone(
    store: Store, plan: Plan, geometry: PlanArrays, sigma: float | None, device: str,
    when: pd.Timestamp | None,
) -> tuple[Array, str]:  # fmt: skip
    """Return the noise of each point's deviation without a move, and where it comes from."""
    trust = reliability(geometry.nominals, geometry.normals, geometry.weights)
    noise, source = stated_sigma(plan, sigma)
    held = np.where(geometry.weights > 0, np.sqrt(np.maximum(trust.redundancy, 0.0)),
                    trust.inflation)  # fmt: skip
    alone = noise * np.nan_to_num(held, nan=1.0)
    if sigma is not None:
        return alone, f"{source}, through the fit"
    studied = gauge_for(store, plan, None, moment=when, device=device)
    known, _ = studied.of(geometry.names)
    if not np.isfinite(known).any():
        return alone, f"{source}, through the fit"
    rest = "" if np.isfinite(known[~geometry.is_fit]).all() else " where it has the point"
    return (
        np.where(np.isfinite(known), known, alone),
        f"gauge study {studied.study} at check points{rest}; else {source}",
    )


def _join(seen: _Seen, added: Array, geometry: PlanArrays) -> SeatedJoin:
    station, residual, error, _ = seen
    noise, worst = error.seat_noise, int(np.argmax(added))
    within = noise.interval
    return SeatedJoin(
        station=station, seats=noise.n, residual=residual, noise=noise.value,
        noise_low=np.nan if within is None else within.low,
        noise_high=np.nan if within is None else within.high,
        worst=float(added[worst]), worst_at=geometry.names[worst], note=noise.note,
    )  # fmt: skip


def _tell(residual: float) -> tuple[SeatsTell, ...]:
    told = []
    for n in SEATS:
        noise = seat_noise([residual] * n, level=LEVEL)
        told.append(SeatsTell(
            seats=n, dof=3 * n - 6, shown=float(np.sqrt(1.0 - 2.0 / n)), noise=noise.value,
            high=np.nan if noise.interval is None else noise.interval.high,
        ))  # fmt: skip
    return tuple(told)


def _share(alone: float, moved: float) -> float:
    total = alone**2 + moved
    return moved / total if total > 0 else np.nan
