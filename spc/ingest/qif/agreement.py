"""Where deviations that a document tells are not those of the positions that it tells."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.ingest.qif.characteristics import DIGITS, Judged
from spc.ingest.qif.points import Array, Measured

#: A point is probed so near its nominal, mm, where both stand in one frame; half of them is meant.
_ALIGNED = 10.0
#: How a deviation can be told that is not the position's.
_OPPOSITE = "with the opposite sign, as by a normal into the material"
_UNSIGNED, _WIDTH = "without its sign", "at twice its size, as a width"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """What is told of a point's deviation, beside what its position says; lengths in mm."""

    told: Judged
    own: float
    distance: float


def settled(found: Sequence[Judged], points: Sequence[Measured]) -> list[Judged]:
    """Return characteristics without a status of ours where the value has lost its sign.

    A width or a size cannot be held against limits on a signed deviation.
    """
    pairs = _pairs(found, points)
    if not _in_one_frame(pairs):
        return list(found)
    signed = _signed(pairs)
    lost = {id(p.told) for p in pairs if _how(p, signed) in (_UNSIGNED, _WIDTH)}
    return [replace(one, recomputed="") if id(one) in lost else one for one in found]


def contradictions(
    found: Sequence[Judged], points: Sequence[Measured], label: str
) -> Iterator[str]:
    """Yield where a deviation that the file tells is not that of the position it tells.

    Hits as an arm gives them, before any alignment, have no deviation of their own yet.
    """
    pairs = _pairs(found, points)
    if not _in_one_frame(pairs):
        yield (
            f"{len(pairs)} deviations of {label} were not held against its positions, which do not "
            "stand in the frame of the nominals"
        )
        return
    signed = _signed(pairs)
    for pair in pairs:
        one, how = pair.told, _how(pair, signed)
        if how:
            yield (
                f"row {one.line}: the deviation of '{one.point}' of {label} is told {how}: "
                f"{one.value:.4g} mm, and {pair.own:.4g} mm by its position"
            )


def turned_points(found: Sequence[Judged], points: Sequence[Measured]) -> set[str]:
    """Return points whose deviation is told with the opposite sign: their normal may be turned."""
    pairs = _pairs(found, points)
    signed = _signed(pairs)
    turned = {p.told.point for p in pairs if _how(p, signed) == _OPPOSITE}
    return turned if _in_one_frame(pairs) else set()


def _pairs(found: Sequence[Judged], points: Sequence[Measured]) -> list[_Pair]:
    told = _told(found)
    return [
        _Pair(told=told[p.name], own=float(apart @ p.nominal.normal),
              distance=float(np.linalg.norm(apart)))
        for p in points
        if p.name in told and (apart := _apart(p)) is not None
        and p.nominal is not None and p.nominal.normal is not None
    ]  # fmt: skip


def _in_one_frame(pairs: Sequence[_Pair]) -> bool:
    return not pairs or float(np.median([p.distance for p in pairs])) <= _ALIGNED


def _signed(pairs: Sequence[_Pair]) -> bool:
    """Tell whether a run tells negative deviations, so that its values have signs."""
    return any(p.told.value < -DIGITS for p in pairs)


def _told(found: Sequence[Judged]) -> dict[str, Judged]:
    """Return what is told of each point's deviation; a zero beside another value is a filler."""
    told: dict[str, Judged] = {}
    for one in found:
        if one.tells and (one.value != 0 or one.point not in told):
            told[one.point] = one
    return told


def _how(pair: _Pair, signed: bool) -> str:
    """Say how a value differs from the position's; empty where it does not."""
    value, own = pair.told.value, pair.own
    if abs(value - own) <= DIGITS:
        return ""
    if abs(value + own) <= DIGITS:
        return _OPPOSITE if signed else _UNSIGNED
    return _WIDTH if abs(abs(value) - 2.0 * abs(own)) <= DIGITS else "otherwise"


def _apart(point: Measured) -> Array | None:
    """Return a point's place less its nominal, mm; None where it has no deviation to tell."""
    nominal, place = point.nominal, point.location
    if len(point.hits) and not point.frame:
        place = point.hits.mean(axis=0)
    if nominal is None or nominal.normal is None or nominal.crooked or place is None:
        return None
    apart: Array = place - nominal.position
    return apart
