"""Pieces measured too young, or too far from room temperature, and when to come back to them."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from spc.studies.history import History

#: A piece younger than this has not done most of its shrinking (ISO 294-4 reads after 16 to 24 h;
#: from memory), and one farther than this from 23 °C is not conditioned (ISO 291; from memory).
YOUNGEST_HOURS, ROOM_C, ROOM_TOLERANCE = 24.0, 23.0, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unconditioned:
    """A piece measured too young or too far from room temperature.

    Parameters
    ----------
    serial, batch
        The piece.
    measured_at
        When, UTC.
    hours, temperature_c
        Its age and temperature; NaN where unknown.
    come_back
        When it will be old enough, UTC; None where age is no reason.
    why
        In words.
    until
        What to wait for, in words: a time where age is the reason, a temperature where that is;
        how long a piece takes to get there cannot be told from its readings.
    """

    serial: str
    batch: str
    measured_at: datetime
    hours: float
    temperature_c: float
    come_back: datetime | None
    why: str
    until: str


def unconditioned(past: History) -> tuple[Unconditioned, ...]:
    """Return pieces measured too young, or too far from room temperature, the newest first."""
    runs = past.runs
    young = runs["hours_since_moulding"] < YOUNGEST_HOURS
    off = (runs["part_temp_c"] - ROOM_C).abs() > ROOM_TOLERANCE
    return tuple(_one(row) for row in runs[young | off].to_dict("records")[::-1])


def _one(row: Any) -> Unconditioned:
    hours, warm = float(row["hours_since_moulding"]), float(row["part_temp_c"])
    at = pd.Timestamp(row["measured_at"])
    back, words, until = None, [], []
    if hours < YOUNGEST_HOURS:
        back = at + pd.Timedelta(hours=YOUNGEST_HOURS - hours)
        words.append(f"{hours:.0f} h old, still shrinking")
        until.append(f"{back:%Y-%m-%d %H:%M} UTC")
    if abs(warm - ROOM_C) > ROOM_TOLERANCE:
        words.append(f"{warm:.1f} °C, away from {ROOM_C:g} °C")
        low, high = ROOM_C - ROOM_TOLERANCE, ROOM_C + ROOM_TOLERANCE
        until.append(f"it reads {low:g} to {high:g} °C")
    return Unconditioned(
        serial=str(row["serial"]), batch=str(row["batch"]), measured_at=at.to_pydatetime(),
        hours=hours, temperature_c=warm, come_back=None if back is None else back.to_pydatetime(),
        why="; ".join(words), until=" and ".join(until),
    )  # fmt: skip
