"""Centre and sigma of every row and series: from a baseline, or from the sets in force."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.charts.sigma import individuals_sigma
from spc.studies.arrays import Array
from spc.studies.limit_sets import LimitSet, set_numbers
from spc.studies.moments import ChartRows

#: Fewest baseline values that get limits (common practice, no published source).
FEWEST = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Centre and sigma in the charted scale.

    Parameters
    ----------
    center, sigma
        (rows, series); NaN where there are no limits.
    sigma_df
        (series,), effective degrees of freedom of the newest sigma.
    n
        (series,), values the newest limits stand on.
    spans
        (rows, series), label of the stretch within which rows may be compared.
    width
        (rows, series), half width of the limits in sigma.
    frozen
        (series,), True where the limits are frozen ones.
    baseline_sigma
        (series,), sigma of the baseline before it was found usable.
    """

    center: Array
    sigma: Array
    sigma_df: Array
    n: npt.NDArray[np.int64]
    spans: npt.NDArray[np.int64]
    width: Array
    frozen: npt.NDArray[np.bool_]
    baseline_sigma: Array


def baseline_lines(rows: ChartRows, width: float | Array = 3.0) -> Lines:
    """Return lines from the baseline: each mould its own centre, the spread common.

    Parameters
    ----------
    rows
        The rows.
    width
        Half width of the limits in sigma, one or (series,).
    """
    x, inside = rows.values, rows.baseline
    own = individuals_sigma(x[inside], spans=rows.spans[inside])
    n = np.isfinite(x[inside]).sum(axis=0)
    usable = (n >= FEWEST) & (own.sigma > 0)
    sigma = np.where(usable, own.sigma, np.nan)
    return Lines(
        center=_centers(x, rows),
        sigma=np.broadcast_to(sigma, x.shape).copy(),
        sigma_df=own.df,
        n=n,
        spans=np.repeat(rows.spans[:, None], x.shape[1], axis=1),
        width=np.broadcast_to(width, x.shape).copy(),
        frozen=np.zeros(x.shape[1], dtype=bool),
        baseline_sigma=own.sigma,
    )


def _centers(x: Array, rows: ChartRows) -> Array:
    """Return each mould's own baseline mean at each of its rows; a mould without one has NaN."""
    center = np.full(x.shape, np.nan)
    for mould in np.unique(rows.spans):
        mine = rows.spans == mould
        base = x[mine & rows.baseline]
        there = np.isfinite(base)
        count = there.sum(axis=0)
        total = np.where(there, base, 0.0).sum(axis=0)
        center[mine] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return center


def with_sets(
    lines: Lines, rows: ChartRows, names: tuple[str, ...], sets: tuple[LimitSet, ...]
) -> Lines:
    """Return the lines with frozen sets in place of the baseline, where a series has any.

    Rows before the first set of a series, and outside its baseline, then have no limits: a new set
    never judges what came before it.
    """
    known = {s.series for s in sets if s.by == rows.by}
    if not known & set(names):
        return lines
    center, sigma, spans = lines.center.copy(), lines.sigma.copy(), lines.spans.copy()
    width = lines.width.copy()
    df, n, frozen = lines.sigma_df.copy(), lines.n.copy(), lines.frozen.copy()
    moulds = np.array(rows.moulds, dtype=object)
    for column, name in enumerate(names):
        if name not in known:
            continue
        frozen[column] = True
        center[:, column], sigma[:, column] = np.nan, np.nan
        for mould in sorted(set(rows.moulds)):
            mine = np.flatnonzero(moulds == mould)
            which = set_numbers(sets, name, mould, rows.by, rows.times[mine])
            for number in np.unique(which[which >= 0]):
                at = mine[which == number]
                center[at, column], sigma[at, column] = sets[number].center, sets[number].sigma
                width[at, column] = sets[number].width
                df[column], n[column] = sets[number].sigma_df, sets[number].n
            spans[mine, column] = lines.spans[mine, column] * (len(sets) + 1) + which + 1
    return Lines(
        center=center, sigma=sigma, sigma_df=df, n=n, spans=spans, width=width, frozen=frozen,
        baseline_sigma=lines.baseline_sigma,
    )  # fmt: skip
