"""Plain words for what a plan can tell about shapes, and why it cannot tell others."""

import numpy as np
from numpy.typing import NDArray

from spc.alignment.faces import AXES, Face
from spc.alignment.patterns import BOW, SIZE, TWIST, Pattern

Array = NDArray[np.float64]

FITTED, COMBINED, HIDDEN, LEFT_OUT = "fitted", "in combination", "hidden", "left out"


def meaning(patterns: tuple[Pattern, ...], row: Array) -> str:
    """Return what a kept shape's number stands for: the shapes that add up in it."""
    parts: list[str] = []
    for k in np.flatnonzero(row):
        factor = "" if abs(abs(row[k]) - 1.0) < 5e-3 else f"{abs(row[k]):.2g} × "
        sign = ("− " if row[k] < 0.0 else "+ ") if parts else ("−" if row[k] < 0.0 else "")
        parts.append(f"{sign}{factor}{patterns[k].name}")
    return " ".join(parts)


def note_of(visible: Array, kept: tuple[int, ...], spare: int) -> str:
    """Return why nothing can be told at all, or that nothing is left to judge the fit by."""
    if np.isnan(visible).any():
        return "the points do not hold all six motions of the part, so no shape can be told"
    if kept and spare <= 0:
        return "as many shapes as the points can tell: nothing is left to judge the fit by"
    return ""


def reasons(
    patterns: tuple[Pattern, ...],
    status: tuple[str, ...],
    columns: Array,
    faces: tuple[Face, ...],
    kept: tuple[int, ...],
    mixing: Array,
    out: dict[int, str],
) -> tuple[str, ...]:
    """Return why each shape is hidden, combined or left out; empty where it is fitted."""
    told = []
    for k, (pattern, state) in enumerate(zip(patterns, status, strict=True)):
        if state == HIDDEN:
            told.append(_why_hidden(pattern, columns[:, k], faces))
        elif state == LEFT_OUT:
            told.append(out.get(k, ""))
        elif state == COMBINED:
            rows = np.flatnonzero(mixing[:, k])
            sums = "; ".join(meaning(patterns, mixing[row]) for row in rows)
            told.append(f"only together with others: {sums}")
        else:
            told.append("")
    return tuple(told)


def _why_hidden(pattern: Pattern, column: Array, faces: tuple[Face, ...]) -> str:
    cannot = f"{pattern.name} cannot be seen with this plan"
    if pattern.kind == SIZE:
        lack = [axis for axis in (pattern.axis or "xyz") if not _opposed(axis, faces)]
        along = f" along {pattern.axis}" if pattern.axis else ""
        return f"{cannot}: no patch on an opposite face{along}" if lack else _taken_up(cannot)
    flat = np.abs(column).max(initial=0.0) <= 1e-9
    if pattern.kind == BOW and flat:
        return (
            f"{cannot}: no point between the ends of the face along {pattern.axis}, "
            "or too narrow a strip of points that way"
        )
    if pattern.kind in (BOW, TWIST):
        return f"{cannot}: too few points on the face to tell it from a tilt of the face"
    return _taken_up(cannot)


def _taken_up(cannot: str) -> str:
    return f"{cannot}: a rigid motion of the part takes it up completely"


def _opposed(axis: str, faces: tuple[Face, ...]) -> bool:
    along = [float(face.normal[AXES.index(axis)]) for face in faces]
    return max(along, default=0.0) > 0.3 and min(along, default=0.0) < -0.3
