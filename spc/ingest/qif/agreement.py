"""Where deviations that a document tells are not those of the positions that it tells."""

from collections.abc import Iterator, Sequence

import numpy as np

from spc.ingest.qif.characteristics import DIGITS, Judged
from spc.ingest.qif.points import Array, Measured

#: A point is probed so near its nominal, mm, where both stand in one frame; half of them is meant.
_ALIGNED = 10.0


def contradictions(
    found: Sequence[Judged], points: Sequence[Measured], label: str
) -> Iterator[str]:
    """Yield where a deviation that the file tells is not that of the position it tells.

    Hits as an arm gives them, before any alignment, have no deviation of their own yet.
    """
    told = _told(found)
    both = [
        (told[p.name], apart, float(apart @ p.nominal.normal))
        for p in points
        if p.name in told and (apart := _apart(p)) is not None
        and p.nominal is not None and p.nominal.normal is not None
    ]  # fmt: skip
    if both and float(np.median([np.linalg.norm(apart) for _, apart, _ in both])) > _ALIGNED:
        yield (
            f"{len(both)} deviations of {label} were not held against its positions, which do not "
            "stand in the frame of the nominals"
        )
        return
    signed = any(one.value < -DIGITS for one, _, _ in both)
    for one, _, own in both:
        if abs(one.value - own) > DIGITS:
            yield (
                f"row {one.line}: the deviation of '{one.point}' of {label} is told "
                f"{_how(one.value, own, signed)}: {one.value:.4g} mm, and {own:.4g} mm by its "
                "position"
            )


def _told(found: Sequence[Judged]) -> dict[str, Judged]:
    """Return what is told of each point's deviation; a zero beside another value is a filler."""
    told: dict[str, Judged] = {}
    for one in found:
        if one.tells and (one.value != 0 or one.point not in told):
            told[one.point] = one
    return told


def _how(value: float, own: float, signed: bool) -> str:
    """Say how a value differs; ``signed`` where others of the run are negative."""
    if abs(value + own) <= DIGITS:
        return (
            "with the opposite sign, as by a normal into the material"
            if signed or (value < 0)
            else "without its sign"
        )
    if abs(abs(value) - 2.0 * abs(own)) <= DIGITS:
        return "at twice its size, as a width"
    return "otherwise"


def _apart(point: Measured) -> Array | None:
    """Return a point's place less its nominal, mm; None where it has no deviation to tell."""
    nominal, place = point.nominal, point.location
    if len(point.hits) and not point.frame:
        place = point.hits.mean(axis=0)
    if nominal is None or nominal.normal is None or nominal.crooked or place is None:
        return None
    apart: Array = place - nominal.position
    return apart
