"""When the batches were moulded and measured, from which mould, by whom, with which arm."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone

import numpy as np

from spc.demo.settings import Settings

FIRST_DAY = date(2026, 4, 1)
#: Days after the first, at the first, the 14th and the 35th batch: orders pick up in July.
KNOTS, KNOT_DAYS = (0.0, 13.0, 34.0), (0.0, 96.0, 209.0)
USUAL = 35
MOULDS = "11212212112112121121211" + "212211212212"
SIZES = (12, 11, 10, 13, 11, 12, 11)
#: Last Sunday of October, 01:00 UTC: the clocks go back.
WINTER = datetime(2026, 10, 25, 1, tzinfo=UTC)
SHOT, VISIT = timedelta(minutes=40), timedelta(minutes=15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One batch: consecutive pieces from one mould, measured in one session.

    Parameters
    ----------
    id, mould
        Names, for example B07 and K1.
    moulded, measured
        First shot, and first piece on the stand (UTC).
    size
        Number of pieces.
    operator, device, unit
        Who measured, with which arm, and the unit its file is written in.
    upside_down
        Whether the pieces lay on their deck.
    """

    id: str
    mould: str
    moulded: datetime
    measured: datetime
    size: int
    operator: str
    device: str
    unit: str
    upside_down: bool


def place(usual: int, batches: int) -> int:
    """Return the index that takes the place of batch ``usual`` (from 0) in a shorter schedule."""
    return usual * batches // USUAL


def zoned(at: datetime) -> datetime:
    """Return a UTC time in the zone of the works, summer or winter time."""
    hours = 1 if at >= WINTER else 2
    return at.astimezone(timezone(timedelta(hours=hours)))


def local(day: date, hour: float) -> datetime:
    """Return an hour of a day at the works as UTC."""
    naive = datetime.combine(day, time()) + timedelta(hours=hour)
    summer = naive.replace(tzinfo=UTC) - timedelta(hours=2)
    return summer if summer < WINTER else summer + timedelta(hours=1)


def schedule(
    s: Settings, rng: np.random.Generator, batches: int, pieces: int | None
) -> tuple[Batch, ...]:
    """Return the batches; ``pieces`` sets one size for all, otherwise they have 10 to 13."""
    days = [_workday(i, batches) for i in range(batches)]
    crew = rng.permutation(np.arange(batches) % len(s.hands))
    names = tuple(s.hands)
    return tuple(
        Batch(
            id=f"B{i + 1:02d}",
            mould=f"K{MOULDS[i % USUAL]}",
            moulded=local(day, 5.0),
            measured=_session(day, rng),
            size=pieces or SIZES[i % len(SIZES)],
            operator=names[crew[i]],
            device="arm-2" if i == place(18, batches) else "arm-1",
            unit="in" if i == place(18, batches) else "mm",
            upside_down=i == place(10, batches),
        )
        for i, day in enumerate(days)
    )


def _workday(index: int, batches: int) -> date:
    """Return the day of a batch, moved off a weekend."""
    position = index * KNOTS[-1] / max(batches - 1, 1)
    day = FIRST_DAY + timedelta(days=round(float(np.interp(position, KNOTS, KNOT_DAYS))))
    return day + timedelta(days={5: -1, 6: 1}.get(day.weekday(), 0))


def _session(day: date, rng: np.random.Generator) -> datetime:
    """Return the start of measuring, a workday one to four days after moulding."""
    later = [day + timedelta(days=k) for k in (1, 2, 3, 4)]
    working = [d for d in later if d.weekday() < 5]
    return local(working[int(rng.integers(len(working)))], 8.5 + int(rng.integers(54)) / 12)
