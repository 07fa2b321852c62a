"""The pieces as the moulds made them, and what their age and temperature add when measured."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from spc.demo.hood import Hood
from spc.demo.incidents import Incidents
from spc.demo.layers import Array, Layers, scale_pattern, twist_pattern
from spc.demo.schedule import SHOT, Batch
from spc.demo.settings import Settings

CONDITIONED_HOURS = 24.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Every piece, in the order of moulding.

    Parameters
    ----------
    serial
        Serial number of each.
    batch
        Shape (pieces,), index of its batch.
    moulded
        When its shot came out (UTC).
    form
        Shape (pieces, points): true deviation before alignment, mm, at 24 h and 20 degrees.
    mould_form
        Shape (2, points): the moulds' own fixed offsets, mm.
    """

    serial: tuple[str, ...]
    batch: NDArray[np.intp]
    moulded: tuple[datetime, ...]
    form: Array
    mould_form: Array

    def of(self, batch: int, piece: int) -> int:
        """Return the index of a piece from its batch and its place in it."""
        return int(np.flatnonzero(self.batch == batch)[piece])


def make(
    hood: Hood,
    s: Settings,
    layers: Layers,
    batches: tuple[Batch, ...],
    wrong: Incidents,
    rng: dict[str, np.random.Generator],
) -> Pieces:
    """Mould every piece of the schedule."""
    batch = np.repeat(np.arange(len(batches)), [b.size for b in batches])
    mould_form = layers.mould.draw(rng["mould"], 2)
    from_mould = np.array([b.mould == "K2" for b in batches], dtype=np.intp)
    of_batch = layers.batch.draw(rng["batch"], len(batches)) + mould_form[from_mould]
    of_batch += _troubles(hood, batches, wrong)
    common = s.base_scale * scale_pattern(hood) + layers.base.draw(rng["base"], 1)[0]
    form = common + of_batch[batch] + layers.piece.draw(rng["piece"], batch.size)
    return Pieces(
        serial=tuple(f"H{i + 1:04d}" for i in range(batch.size)),
        batch=batch,
        moulded=tuple(b.moulded + i * SHOT for b in batches for i in range(b.size)),
        form=form,
        mould_form=mould_form,
    )


def _troubles(hood: Hood, batches: tuple[Batch, ...], wrong: Incidents) -> Array:
    """Return what the resin lot and the worn mould add to each batch, (batches, points), mm."""
    warp = np.array(wrong.warp(batches))
    smaller = np.zeros(len(batches))
    if wrong.shift_batch is not None:
        smaller[wrong.shift_batch :] = wrong.shift_percent
    return np.outer(smaller, scale_pattern(hood)) + np.outer(warp, twist_pattern(hood))


def conditions(s: Settings, hours: Array, celsius: Array) -> Array:
    """Return the size in percent that age (hours since moulding) and temperature add."""
    age = np.log10(np.minimum(hours, s.settled_hours) / CONDITIONED_HOURS)
    warmth = 100.0 * s.expansion * (celsius - s.reference_c)
    return np.asarray(warmth - s.after_shrink * age)


def hours_between(moulded: datetime, measured: datetime) -> float:
    """Return the age of a piece, hours with one decimal."""
    return round((measured - moulded) / timedelta(hours=1), 1)


def season(s: Settings, at: datetime) -> float:
    """Return the mean room temperature of the time of year; the warmest day is 24 July."""
    day = at.timetuple().tm_yday
    return s.season_mean_c + s.season_swing_c * float(np.cos(2 * np.pi * (day - 205) / 365))
