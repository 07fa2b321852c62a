"""Rows in our columns: a hit, a location or a deviation each."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from spc.errors import InputError
from spc.ingest.qif.characteristics import Judged, deviations
from spc.ingest.qif.document import Document
from spc.ingest.qif.points import Array, Measured, Reader
from spc.ingest.qif.runs import Run
from spc.ingest.text import LINE

#: So many deviations without a negative one among them may have lost their signs.
_UNSIGNED = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadRun:
    """A run with its names.

    Parameters
    ----------
    run
        The run.
    names
        What is told of it, by our column names.
    began
        When its inspection began, as the document writes it; empty where it does not.
    judged
        Its measured characteristics.
    """

    run: Run
    names: dict[str, str]
    began: str
    judged: list[Judged]

    @property
    def label(self) -> str:
        """Return what it is called in notes."""
        return f"run '{self.names['run']}' of serial '{self.names['serial']}'"

    @property
    def stamps(self) -> dict[str, str]:
        """Return when each point was measured, by its characteristic where it does not say."""
        stamps = {j.point: j.stamp for j in self.judged if j.point and j.stamp}
        return stamps | {p.name: t for p in self.run.points if (t := p.feature.word("TimeStamp"))}


def position_rows(
    document: Document, reader: Reader, read: Sequence[ReadRun]
) -> list[dict[str, Any]]:
    """Return one row a hit or location, lengths in mm; nothing where no run has any."""
    deep = any(len(p.hits) for one in read for p in one.run.points)
    rows: list[dict[str, Any]] = []
    if not deep and all(p.location is None for one in read for p in one.run.points):
        return rows
    for one in read:
        hits = deep and _one_frame(document, reader, one)
        stamps = one.stamps
        own = [
            {**one.names, LINE: p.feature.line, **({"hit": str(at + 1)} if deep else {}), **row}
            for p in one.run.points
            for at, row in enumerate(_places(reader, p, hits, stamps))
        ]
        _missed(document, reader, one, {row["point"] for row in own})
        rows += _timed(one, own)
    return rows


def _missed(document: Document, reader: Reader, one: ReadRun, placed: set[str]) -> None:
    """Count deviations of points that have no position where others do; refuse a run of those.

    Raises
    ------
    InputError
        Where a run has deviations only: a file has one depth, and the run would be lost.
    """
    missed = {j.point: j for j in one.judged if j.tells and j.point not in placed}
    if missed and not placed:
        raise InputError(
            f"{one.label} has deviations only, where others have positions", file=document.name,
            row=next(iter(missed.values())).line, do="export it in a document of its own",
        )  # fmt: skip
    reader.left["deviations of points without a position, left out beside positions"] += len(missed)
    _empty(reader, one, placed)


def _empty(reader: Reader, one: ReadRun, placed: Collection[Any]) -> None:
    if not placed:
        reader.left["runs without a measured point, left out with their characteristics"] += 1


def _places(
    reader: Reader, point: Measured, hits: bool, stamps: dict[str, str]
) -> list[dict[str, Any]]:
    """Return the places of a point: its hits, else its location as the one that is known."""
    places: Array = point.hits if hits else np.empty((0, 3))
    times = point.times if hits else ()
    if not len(places) and point.location is not None:
        places, times = point.location[None], ("",)
        if hits:
            reader.left["points with a location but no hits, taken as one hit each"] += 1
    if not len(places):
        reader.left["points without a measured position, left out"] += 1
    stamp = stamps.get(point.name, "") if not any(times) else ""
    return [
        {"point": point.name, "measured_at": time or stamp, "x": x, "y": y, "z": z}
        for (x, y, z), time in zip(places, times, strict=True)
    ]


def _timed(one: ReadRun, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows with the start of the inspection where no row knows its own time."""
    if not any(row["measured_at"] for row in rows):
        for row in rows:
            row["measured_at"] = one.began
    return rows


def _one_frame(document: Document, reader: Reader, one: ReadRun) -> bool:
    """Tell whether a run's hits and locations stand in one frame, so that hits can be used."""
    with_hits = [p for p in one.run.points if len(p.hits)]
    others = any(not len(p.hits) and p.location is not None for p in one.run.points)
    if len({p.frame for p in with_hits} | ({""} if others else set())) <= 1:
        return True
    lacking = [p for p in with_hits if p.location is None]
    if lacking:
        raise InputError(
            f"hits of {one.label} stand in several frames", file=document.name,
            row=lacking[0].feature.line, do="export hits in one coordinate system",
        )  # fmt: skip
    reader.left["runs with hits in several frames, of which only locations are used"] += 1
    return False


def deviation_rows(
    document: Document, reader: Reader, read: Sequence[ReadRun]
) -> list[dict[str, Any]]:
    """Return one row a deviation of a point profile, mm."""
    rows: list[dict[str, Any]] = []
    for one in read:
        stamps = one.stamps
        own = [
            {**one.names, "point": told.point, "measured_at": stamps.get(told.point, ""),
             LINE: told.line, "deviation": told.value}
            for told in deviations(document, reader, one.judged)
        ]  # fmt: skip
        _empty(reader, one, own)
        rows += _timed(one, own)
    if len(rows) >= _UNSIGNED and all(row["deviation"] >= 0 for row in rows):
        reader.left["deviations, and none is negative: are they told without their signs?"] += len(
            rows
        )
    return rows
