"""The gauge study: ten pieces, three operators, three placings each, in random order."""

from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from spc.demo.hood import Hood
from spc.demo.layers import Array, Layers
from spc.demo.pieces import Pieces, hours_between
from spc.demo.probing import placed, poses, probe
from spc.demo.production import true_deviation
from spc.demo.schedule import Batch, local, place, zoned
from spc.demo.settings import Settings
from spc.demo.sheets import RunInfo, Sheet

NAME, PIECES, PLACINGS, DAYS = "G1", 10, 3, 4
VISIT = timedelta(minutes=20)


def chosen(pieces: Pieces, batches: int) -> NDArray[np.intp]:
    """Return the ten pieces of the study, spread over the batches of the first weeks."""
    pool = np.flatnonzero(pieces.batch < max(place(7, batches), 2))
    return pool[np.linspace(0, pool.size - 1, min(PIECES, pool.size)).round().astype(np.intp)]


def study(
    hood: Hood,
    s: Settings,
    layers: Layers,
    batches: tuple[Batch, ...],
    pieces: Pieces,
    pairing: Array,
    rng: dict[str, np.random.Generator],
) -> Sheet:
    """Return the study's result file."""
    ten = chosen(pieces, len(batches))
    plan = _order(ten, len(s.hands), rng["study"])
    infos = _infos(s, batches, pieces, plan, rng["study"])
    piece = np.array([p for p, _, _ in plan])
    hands = np.array([o for _, o, _ in plan])
    flex = layers.setup.draw(rng["study"], len(plan))
    deviation = true_deviation(hood, s, infos, pieces.form[piece], flex) + pairing[hands, piece]
    hits = probe(hood, s, rng["study"], deviation)
    where = poses(rng["study"], np.zeros(len(plan), dtype=np.intp), np.zeros(len(plan)))
    path = f"gauge/{infos[0].measured_at:%Y-%m}_{NAME}.csv"
    return Sheet(
        path=path, unit="mm", runs=tuple(infos), hits=placed(hits, where), deviation=deviation
    )


def _order(
    ten: NDArray[np.intp], operators: int, rng: np.random.Generator
) -> list[tuple[int, int, int]]:
    """Return (piece, operator, placing from 1) in random order; placings count in that order."""
    cells = [(int(p), o) for p in ten for o in range(operators) for _ in range(PLACINGS)]
    seen: dict[tuple[int, int], int] = {}
    out = []
    for k in rng.permutation(len(cells)):
        cell = cells[int(k)]
        seen[cell] = seen.get(cell, 0) + 1
        out.append((*cell, seen[cell]))
    return out


def _infos(
    s: Settings,
    batches: tuple[Batch, ...],
    pieces: Pieces,
    plan: list[tuple[int, int, int]],
    rng: np.random.Generator,
) -> list[RunInfo]:
    names = tuple(s.hands)
    times = _times(pieces.moulded[max(p for p, _, _ in plan)], len(plan))
    out = []
    for k, (piece, operator, placing) in enumerate(plan):
        warmth = rng.normal(s.study_c, s.study_sd_c)
        batch = batches[pieces.batch[piece]]
        out.append(
            RunInfo(
                run=f"{NAME}-{k + 1:03d}",
                serial=pieces.serial[piece],
                mould=batch.mould,
                batch=batch.id,
                measured_at=zoned(times[k]),
                operator=names[operator],
                device="arm-1",
                part_temp_c=round(float(warmth), 1),
                hours_since_moulding=hours_between(pieces.moulded[piece], times[k]),
                setup=str(placing),
                study=NAME,
            )
        )
    return out


def _times(last: datetime, count: int) -> list[datetime]:
    """Return the starts (UTC): four days from a Monday, when the last piece has long settled."""
    day = last.date() + timedelta(days=25)
    day += timedelta(days=-day.weekday() % 7)
    a_day = -(-count // DAYS)
    days = [(k // a_day, k % a_day) for k in range(count)]
    return [local(day + timedelta(days=d), 7.5) + n * VISIT for d, n in days]
