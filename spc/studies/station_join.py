"""A run probed from several stations of the arm: what the points probed from both say of the join.

The positions of all stations are taken as the file has them, in one frame. Points of the plan that
were probed from two stations are held against each other.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.alignment.hits import average_hits
from spc.alignment.rotation import vector_from_rotation
from spc.alignment.stations import join_stations, target_error
from spc.gauge.leapfrog import seat_noise
from spc.interval import Estimate
from spc.studies.arrays import Array, PlanArrays, hit_array

#: The probe misses the same spot of a plain patch by far more than the arm's noise where what the
#: join leaves is this many times what the readings differ by along the normals.
MISSED = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """A point probed from two stations; mm.

    Parameters
    ----------
    point
        Its name.
    apart
        Distance between the two probings as the file has them.
    along
        The second less the first along the nominal normal.
    left
        Distance left after the best rigid motion; NaN where none can be found.
    """

    point: str
    apart: float
    along: float
    left: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """Two stations held against each other; lengths in mm.

    Parameters
    ----------
    first, second
        Their names; the first in the file comes first.
    seats
        Points probed from both.
    apart
        Root mean square distance of the two probings.
    along
        Root mean square difference along the nominal normals.
    turn, shift
        Rigid motion that carries the second's seats onto the first's: degrees, and mm at their
        middle; nought where the stations are joined perfectly. NaN where none can be found.
    left
        Root mean square distance that it leaves.
    seat_noise
        Standard deviation of the difference of two probings along one axis.
    carried
        Number of points probed from the second station only.
    added, added_at
        Largest standard deviation, along one axis, that such a join brings to one of these points,
        and which; common to all that was probed after the move.
    note
        What limits it; empty where nothing does.
    """

    first: str
    second: str
    seats: tuple[Seat, ...]
    apart: float
    along: float
    turn: float
    shift: float
    left: float
    seat_noise: float
    carried: int
    added: float
    added_at: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stations:
    """The stations of one run.

    Parameters
    ----------
    names, points
        The stations in the order of the file, and how many points were probed from each.
    joins
        Each later station against the first, where points were probed from both.
    words
        What there is to say, in a sentence.
    """

    names: tuple[str, ...]
    points: tuple[int, ...]
    joins: tuple[Joined, ...]
    words: str


def stations_of(hits: pd.DataFrame, geometry: PlanArrays, rotation: Array) -> Stations | None:
    """Hold the stations of one run against each other, or return None where there is one.

    Parameters
    ----------
    hits
        The run's hits: point, hit, x, y, z, station.
    geometry
        The plan.
    rotation
        (3, 3), of the working fit.
    """
    names = tuple(dict.fromkeys(str(s) for s in hits["station"].fillna("")))
    if len(names) < 2:
        return None
    means = [_means(hits[hits["station"].fillna("") == name], geometry) for name in names]
    there = [np.isfinite(m).all(axis=1) for m in means]
    joins = tuple(
        _joined(names[0], names[k], means[0], means[k], geometry, rotation)
        for k in range(1, len(names))
        if (there[0] & there[k]).any()
    )
    counts = tuple(int(t.sum()) for t in there)
    return Stations(names=names, points=counts, joins=joins, words=_words(names, counts, joins))


def _words(names: tuple[str, ...], counts: tuple[int, ...], joins: tuple[Joined, ...]) -> str:
    each = ", ".join(f"{n or 'not said'}: {c} points" for n, c in zip(names, counts, strict=True))
    text = f"probed from {len(names)} stations ({each}), taken in one frame as the file has them"
    alone = len(names) - 1 - len(joins)
    if alone == len(names) - 1:
        return f"{text}; no point was probed from two of them, so their join cannot be judged here"
    if alone:
        return f"{text}; {alone} of them share no point with the first"
    return text


def _means(hits: pd.DataFrame, geometry: PlanArrays) -> Array:
    rows = pd.Series([0] * len(hits))
    return np.asarray(average_hits(hit_array(hits, rows, 1, geometry.names))[0][0])


def _joined(
    first: str, second: str, a: Array, b: Array, geometry: PlanArrays, rotation: Array
) -> Joined:
    both = np.flatnonzero(np.isfinite(a + b).all(axis=1))
    gap = b[both] - a[both]
    along = ((gap @ rotation.T) * geometry.normals[both]).sum(axis=1)
    apart = np.linalg.norm(gap, axis=1)
    found = join_stations(a[None, both], b[None, both])
    only = np.flatnonzero(np.isfinite(b).all(axis=1) & ~np.isfinite(a).all(axis=1))
    noise = float(found.seat_noise[0])
    added = target_error(b[both], b[only], np.sqrt(3.0) * noise) / np.sqrt(3.0)
    known = bool(len(only)) and bool(np.isfinite(added).any())
    most = int(np.nanargmax(added)) if known else -1
    return Joined(
        first=first, second=second,
        seats=tuple(
            Seat(point=geometry.names[k], apart=float(apart[i]), along=float(along[i]),
                 left=float(found.residuals[0, i]))
            for i, k in enumerate(both)
        ),
        apart=_rms(apart), along=_rms(along), turn=_turn(found.rotation[0]),
        shift=_shift(found.rotation[0], found.translation[0], b[both].mean(axis=0)),
        left=float(found.rms[0]), seat_noise=noise, carried=len(only),
        added=float(added[most]) if known else np.nan,
        added_at=geometry.names[int(only[most])] if known else "",
        note=_note(found.note[0], float(found.rms[0]), _rms(along)),
    )  # fmt: skip


def _note(limited: str, left: float, along: float) -> str:
    if limited:
        return limited
    if left > MISSED * along:
        return (
            "along the normals the probings agree far better than in space: they were not at the "
            "same spots of their patches, so turn, shift and what is added are upper bounds; cones "
            "or balls as reference seats would tell more"
        )
    return ""


def _rms(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))


def _turn(rotation: Array) -> float:
    if not np.isfinite(rotation).all():
        return np.nan
    return float(np.degrees(np.linalg.norm(vector_from_rotation(rotation[None])[0])))


def _shift(rotation: Array, translation: Array, middle: Array) -> float:
    return float(np.linalg.norm(rotation @ middle + translation - middle))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatedMove:
    """A move of the arm that its seats can say something of; lengths in mm.

    Parameters
    ----------
    station
        Station that was moved to.
    seats
        (seats, 3), nominal positions of the points probed from both.
    residual
        Root mean square distance that the best rigid motion leaves at them.
    noise
        Root mean square error of a seat, from `spc.gauge.leapfrog.seat_noise`.
    only
        (points,), True for the points probed from that station and not from the first.
    note
        What limits it; empty where nothing does.
    """

    station: str
    seats: Array
    residual: float
    noise: Estimate
    only: npt.NDArray[np.bool_]
    note: str


def seated_moves(
    hits: pd.DataFrame, geometry: PlanArrays, rotation: Array
) -> tuple[SeatedMove, ...]:
    """Return the later stations of a run that share three points or more with the first.

    Parameters
    ----------
    hits
        The run's hits: point, hit, x, y, z, station.
    geometry
        The plan.
    rotation
        (3, 3), of the working fit.
    """
    names = tuple(dict.fromkeys(str(s) for s in hits["station"].fillna("")))
    means = [_means(hits[hits["station"].fillna("") == name], geometry) for name in names]
    found = []
    for name, later in zip(names[1:], means[1:], strict=True):
        first = np.isfinite(means[0]).all(axis=1)
        there = np.isfinite(later).all(axis=1)
        both = first & there
        join = join_stations(means[0][None, both], later[None, both])
        if not np.isfinite(join.rms[0]):
            continue
        apart = (later - means[0])[both]
        along = ((apart @ rotation.T) * geometry.normals[both]).sum(axis=1)
        noise = seat_noise(join.residuals[0])
        found.append(SeatedMove(
            station=name, seats=geometry.nominals[both], residual=float(join.rms[0]), noise=noise,
            only=np.asarray(there & ~first),
            note=_note(join.note[0], float(join.rms[0]), _rms(along)),
        ))  # fmt: skip
    return tuple(found)
