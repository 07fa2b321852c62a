"""What frozen limits give to other kinds of chart, and which limits a chart then shows."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.studies.arrays import Array
from spc.studies.limit_sets import LimitSet
from spc.studies.lines import Lines
from spc.studies.moments import ChartRows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """Frozen limits of one series; arrays are (rows,), in the charted scale.

    Parameters
    ----------
    judged
        True where the mould has frozen limits, in force or not.
    about
        Values less the frozen centre: where none is in force, the one before it or else after.
    half, sigma
        Half width of the limits in force, and the spread they stand on; NaN where none is.
    """

    judged: npt.NDArray[np.bool_]
    about: Array
    half: Array
    sigma: Array

    @property
    def any(self) -> bool:
        """Whether any mould has frozen limits."""
        return bool(self.judged.any())


def held(lines: Lines, rows: ChartRows) -> Held:
    """Return what the frozen limits of the first series give."""
    moulds = np.array(rows.moulds, dtype=object)
    judged = np.isin(moulds, list(lines.frozen_moulds[0]))
    center = lines.center[:, 0].copy()
    for mould in lines.frozen_moulds[0]:
        mine = np.flatnonzero(moulds == mould)
        center[mine] = _carried(center[mine])
    return Held(
        judged=judged,
        about=np.where(judged, rows.values[:, 0] - center, np.nan),
        half=np.where(judged, lines.width[:, 0] * lines.sigma[:, 0], np.nan),
        sigma=np.where(judged, lines.sigma[:, 0], np.nan),
    )


def _carried(center: Array) -> Array:
    """Fill what is missing with the last one known before it, or else the first."""
    known = np.flatnonzero(np.isfinite(center))
    if not known.size:
        return center
    at = np.searchsorted(known, np.arange(len(center)), side="right") - 1
    return center[known[np.maximum(at, 0)]]


def limits_in_words(
    lines: Lines, rows: ChartRows, sets: tuple[LimitSet, ...], baseline: str
) -> str:
    """Return which limits a chart of one series shows."""
    frozen = lines.frozen_moulds[0]
    if not frozen:
        return f"limits from {baseline}"
    told: dict[str, list[str]] = {}
    moulds = np.array(rows.moulds, dtype=object)
    for mould in frozen:
        used = np.unique(lines.sets[moulds == mould, 0])
        for number in used[used >= 0]:
            one = sets[number]
            until = "" if one.valid_to is None else f" to {one.valid_to:%Y-%m-%d}"
            words = f"from {one.baseline}, in force from {one.valid_from:%Y-%m-%d}{until}"
            told.setdefault(words, []).append(mould or "unknown")
    # Moulds are named where they do not all have the same limits.
    several = len(told) > 1 or len(frozen) < len(set(rows.moulds))
    said = [
        words + (f" (mould {' and '.join(named)})" if several else "")
        for words, named in told.items()
    ]
    head = f"frozen limits {'; '.join(said) or '(none in force)'}"
    rest = sorted(set(rows.moulds) - set(frozen))
    if not rest:
        return head
    others = " and ".join(mould or "unknown" for mould in rest)
    return f"{head}; limits from {baseline} (mould {others})"


def without_limits(lines: Lines, rows: ChartRows, what: str) -> tuple[str, ...]:
    """Say how many rows came while no frozen limits were in force."""
    judged = np.isin(np.array(rows.moulds, dtype=object), list(lines.frozen_moulds[0]))
    bare = int((judged & (lines.sets[:, 0] < 0) & np.isfinite(rows.values[:, 0])).sum())
    if not bare:
        return ()
    verb = "was" if bare == 1 else "were"
    return (f"{bare} {what} {verb} measured while no frozen limits were in force, and have none",)
