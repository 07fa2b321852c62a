"""Cavities of one mould whose pieces a study reads together: whether their figures hide a mix."""

import numpy as np

from spc.studies.history import History
from spc.studies.series import SeriesSet, all_series
from spc.studies.sharing import Comparison, compared, in_words, unseen_words
from spc.studies.streams import cavities_of, scaled_values


def read_together(past: History, series: SeriesSet | None = None) -> tuple[str, ...]:
    """Return, for each mould with several cavities, whether its pieces tell them apart.

    Parameters
    ----------
    past
        The runs.
    series
        What they are compared by; all series of the charts where none is given.
    """
    moulds = past.runs["mould"].astype(str).to_numpy(dtype=object)
    cavities = cavities_of(past.runs)
    several = [m for m in sorted(set(moulds)) if len(set(cavities[moulds == m]) - {""}) > 1]
    if not several:
        return ()
    series = all_series(past) if series is None else series
    values = scaled_values(series)
    return tuple(
        _words(compared(
            past.runs[mine], cavities[mine], values[mine], np.ones(int(mine.sum()), dtype=bool),
            series, mould, past.plan.unit,
        ))
        for mould in several
        for mine in [moulds == mould]
    )  # fmt: skip


def _words(one: Comparison) -> str:
    said = (
        f"pieces of cavities {in_words(one.names)} of mould {one.mould or 'unknown'} are read "
        "together"
    )
    if one.differ:
        points = tuple(dict.fromkeys([*(d.series for d in one.level), *one.spread]))
        shown = in_words(points[:3]) + (f" and {len(points) - 3} more" if len(points) > 3 else "")
        return (
            f"{said}, and they differ at {shown}: what is said of the mould is of their mix; "
            "'spc chart show POINT --cavities apart' shows each"
        )
    if len(one.names) - len(one.few) < 2 or np.isnan(one.unseen):
        return f"{said}; there are too few batches to tell whether they differ"
    unseen = unseen_words(one).removeprefix("; ")
    return f"{said}; nothing tells them apart{f' ({unseen})' if unseen else ''}"
