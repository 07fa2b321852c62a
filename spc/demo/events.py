"""The event log: what was done to moulds, resin and arms, and when."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from spc.demo.hood import PART
from spc.demo.schedule import FIRST_DAY, Batch, local, place, zoned

FIRST_LOT, SECOND_LOT = "PE-118", "PE-131"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the log.

    Parameters
    ----------
    at
        When, with its zone.
    kind
        ``resin lot``, ``mould work``, ``arm check`` or ``arm recalibration``.
    part, mould, note
        What it concerns, and in words; empty where it concerns all.
    """

    at: datetime
    kind: str
    part: str = ""
    mould: str = ""
    note: str = ""


def events(batches: tuple[Batch, ...]) -> tuple[Event, ...]:
    """Return the log in order of time; the same whether anything went wrong or not."""
    log = [*_resin(batches), *_mould_work(batches), *_arms(batches)]
    return tuple(sorted(log, key=lambda e: e.at))


def _before(batch: Batch, hours: float) -> datetime:
    return zoned(batch.moulded - timedelta(hours=hours))


def _resin(batches: tuple[Batch, ...]) -> list[Event]:
    first, second = batches[0], batches[place(13, len(batches))]
    return [
        Event(at=_before(first, 1), kind="resin lot", part=PART, note=f"lot {FIRST_LOT} opened"),
        Event(at=_before(second, 1), kind="resin lot", part=PART, note=f"lot {SECOND_LOT} opened"),
    ]


def _mould_work(batches: tuple[Batch, ...]) -> list[Event]:
    def work(usual: int, hours: float, mould: str, note: str) -> Event:
        at = _before(batches[place(usual, len(batches))], hours)
        return Event(at=at, kind="mould work", part=PART, mould=mould, note=note)

    return [
        work(6, 14, "K1", "vent cleaned"),
        work(17, 14, "K2", "release coating renewed"),
        work(23, 15, "K2", "clamp on the rear right corner replaced"),
        work(28, 14, "K1", "vent cleaned"),
    ]


def _arms(batches: tuple[Batch, ...]) -> list[Event]:
    away = batches[place(18, len(batches))]
    checks = (0, 28, 56, 84, 140, 168, 196)
    return [
        *(_check(days) for days in checks),
        Event(
            at=zoned(away.moulded),
            kind="arm recalibration",
            note="arm-1 sent away, arm-2 in its place",
        ),
        Event(
            at=zoned(away.measured + timedelta(hours=5)),
            kind="arm recalibration",
            note="arm-1 back with a new certificate, as found within its limits",
        ),
    ]


def _check(days: int) -> Event:
    at = zoned(local(FIRST_DAY + timedelta(days=days), 7.0))
    return Event(at=at, kind="arm check", note="arm-1 on the check bar, within its limits")
