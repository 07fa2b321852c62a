"""Production runs: every piece once, batch by batch, with what went wrong."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from spc.demo.hood import Hood
from spc.demo.incidents import Incidents
from spc.demo.layers import Array, Layers, scale_pattern
from spc.demo.pieces import Pieces, conditions, hours_between, season
from spc.demo.probing import Poses, placed, poses, probe, turned
from spc.demo.schedule import VISIT, Batch, zoned
from spc.demo.settings import Settings
from spc.demo.sheets import RunInfo, Sheet

#: How a knocked piece moves on its stand: millimetres, and degrees about z.
KNOCK_SHIFT, KNOCK_YAW = (6.0, -4.0, 1.0), 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Visits:
    """Which piece is on the stand at each run, and when: every piece once, then one again.

    The last visit is drawn whether a piece was knocked or not, so that the null case shares every
    other draw with the full scenario.

    Parameters
    ----------
    piece, batch
        Shape (runs,), indices.
    at
        When each run began (UTC).
    repeated
        Whether the last visit took place.
    """

    piece: NDArray[np.intp]
    batch: NDArray[np.intp]
    at: tuple[datetime, ...]
    repeated: bool

    def of(self, batch: int) -> NDArray[np.intp]:
        """Return the runs of a batch in order of time."""
        took_place = np.arange(self.piece.size) < self.piece.size - (not self.repeated)
        return np.flatnonzero((self.batch == batch) & took_place)


def visits(pieces: Pieces, batches: tuple[Batch, ...], wrong: Incidents) -> Visits:
    """Return the runs: each piece in its batch's session, a knocked one again at its end."""
    knocked = 0 if wrong.bump is None else pieces.of(wrong.bump.batch, wrong.bump.piece)
    piece = np.append(np.arange(pieces.batch.size), knocked)
    turn = [k for b in batches for k in range(b.size)] + [batches[pieces.batch[knocked]].size]
    batch = pieces.batch[piece]
    at = tuple(batches[i].measured + k * VISIT for i, k in zip(batch, turn, strict=True))
    return Visits(piece=piece, batch=batch, at=at, repeated=wrong.bump is not None)


def measure(
    hood: Hood,
    s: Settings,
    layers: Layers,
    batches: tuple[Batch, ...],
    pieces: Pieces,
    pairing: Array,
    wrong: Incidents,
    rng: dict[str, np.random.Generator],
) -> tuple[Sheet, ...]:
    """Return a result file for each batch; ``pairing`` is (operators, pieces, points) in mm."""
    order = visits(pieces, batches, wrong)
    infos = _infos(s, batches, pieces, order, rng["room"])
    flex = layers.setup.draw(rng["setup"], len(infos))
    deviation = true_deviation(hood, s, infos, pieces.form[order.piece], flex)
    deviation += pairing[_hands(s, infos), order.piece]
    hits = probe(hood, s, rng["probe"], deviation)
    turned_over = np.array([float(b.upside_down) for b in batches])
    where = poses(rng["pose"], order.batch, turned_over[order.batch])
    hits = placed(_spoiled(hood, hits, pieces, wrong), where)
    return tuple(
        _sheet(b, [infos[k] for k in mine], hits[mine], deviation[mine])
        for b, mine in ((b, order.of(i)) for i, b in enumerate(batches))
    )


def true_deviation(
    hood: Hood, s: Settings, infos: list[RunInfo], form: Array, flex: Array
) -> Array:
    """Return what stands on the stand: form, age and warmth, the operator's push, the flex."""
    hours = np.array([i.hours_since_moulding for i in infos])
    celsius = np.array([i.part_temp_c for i in infos])
    push = np.array([s.hands[i.operator] for i in infos])
    size = np.outer(conditions(s, hours, celsius), scale_pattern(hood))
    return np.asarray(form + size - np.outer(push, hood.give) + flex)


def _hands(s: Settings, infos: list[RunInfo]) -> NDArray[np.intp]:
    names = list(s.hands)
    return np.array([names.index(i.operator) for i in infos])


def _infos(
    s: Settings,
    batches: tuple[Batch, ...],
    pieces: Pieces,
    order: Visits,
    rng: np.random.Generator,
) -> list[RunInfo]:
    room = rng.normal(0, s.room_sd_c, len(batches))
    own = rng.normal(0, s.part_sd_c, len(order.at))
    late = rng.integers(0, 6, len(order.at))
    out = []
    for k, (piece, i) in enumerate(zip(order.piece, order.batch, strict=True)):
        again = k == pieces.batch.size
        at = order.at[k] + timedelta(minutes=int(late[k]))
        warmth = season(s, at) + room[i] + own[k]
        out.append(
            RunInfo(
                run=f"{pieces.serial[piece]}-{2 if again else 1}",
                serial=pieces.serial[piece],
                mould=batches[i].mould,
                batch=batches[i].id,
                measured_at=zoned(at),
                operator=batches[i].operator,
                device=batches[i].device,
                part_temp_c=round(float(np.clip(warmth, s.coldest_c, s.hottest_c)), 1),
                hours_since_moulding=hours_between(pieces.moulded[piece], at),
            )
        )
    return out


def _spoiled(hood: Hood, hits: Array, pieces: Pieces, wrong: Incidents) -> Array:
    """Return the hits with the readings that went wrong; run and piece share their index."""
    out = hits.copy()
    for slip in (wrong.bad_hit, wrong.missing_patch, wrong.missing_hit):
        if slip is None:
            continue
        run, point = pieces.of(slip.batch, slip.piece), hood.index(slip.point)
        which = slice(None) if slip.hit == 0 else slice(slip.hit - 1, slip.hit)
        out[run, point, which] += slip.size * hood.normal[point] if slip.size else np.nan
    if wrong.bump is not None:
        run, after = pieces.of(wrong.bump.batch, wrong.bump.piece), hood.index(wrong.bump.point)
        out[run, after:] = placed(out[run : run + 1, after:], _knock())[0]
    return out


def _knock() -> Poses:
    zero = np.zeros(1)
    yaw = np.full(1, np.radians(KNOCK_YAW))
    return Poses(rotation=turned(yaw, zero, zero), shift=np.array([KNOCK_SHIFT]))


def _sheet(batch: Batch, runs: list[RunInfo], hits: Array, deviation: Array) -> Sheet:
    day = runs[0].measured_at
    path = f"runs/{day:%Y-%m}/{day:%Y-%m-%d}_{batch.id}_{batch.mould}.csv"
    return Sheet(path=path, unit=batch.unit, runs=tuple(runs), hits=hits, deviation=deviation)
