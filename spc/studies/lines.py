"""Centre and sigma of every row and series: from a baseline, or from the sets in force."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from spc.charts.sigma import individuals_sigma
from spc.studies.arrays import Array
from spc.studies.limit_sets import LimitSet, set_numbers
from spc.studies.moments import ChartRows

#: Fewest baseline values that get limits (common practice, no published source).
FEWEST = 8


#: Limits lie so many standard deviations from the centre.
WIDTH = 3.0
#: Weight and limit of the moving average: in control for about 370 points (Lucas and Saccucci).
LAMBDA, EWMA_WIDTH = 0.2, 2.86


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Centre and sigma in the charted scale.

    Parameters
    ----------
    center, sigma
        (rows, series); NaN where there are no limits.
    sigma_df
        (rows, series), effective degrees of freedom of sigma.
    n
        (rows, series), values the limits stand on; 0 where no limits are in force.
    spans
        (rows, series), label of the stretch within which rows may be compared.
    width
        (rows, series), half width of the limits in sigma.
    average_width
        (rows, series), half width of the moving average's limits, in its own standard deviations.
    sets
        (rows, series), number of the frozen set in force; -1 where none.
    frozen
        (series,), True where the limits are frozen ones, of one mould at least.
    frozen_moulds
        One a series: the moulds that have frozen limits.
    frozen_sizes
        One a series: how many values the newest of those in force stand on, each number once.
    baseline_sigma
        (series,), sigma of the baseline before it was found usable.
    """

    center: Array
    sigma: Array
    sigma_df: Array
    n: npt.NDArray[np.int64]
    spans: npt.NDArray[np.int64]
    width: Array
    average_width: Array
    sets: npt.NDArray[np.int64]
    frozen: npt.NDArray[np.bool_]
    frozen_moulds: tuple[tuple[str, ...], ...]
    frozen_sizes: tuple[tuple[int, ...], ...]
    baseline_sigma: Array


def baseline_lines(
    rows: ChartRows, width: float | Array = WIDTH, average_width: float | Array = EWMA_WIDTH
) -> Lines:
    """Return lines from the baseline: each mould its own centre, the spread common.

    Parameters
    ----------
    rows
        The rows.
    width, average_width
        Half width of the limits in sigma, and of those of the moving average in its own: a number,
        or (rows, series).
    """
    x, inside = rows.values, rows.baseline
    own = individuals_sigma(x[inside], spans=rows.spans[inside])
    n = np.isfinite(x[inside]).sum(axis=0)
    usable = (n >= FEWEST) & (own.sigma > 0)
    sigma = np.where(usable, own.sigma, np.nan)
    return Lines(
        center=centers(x, rows),
        sigma=np.broadcast_to(sigma, x.shape).copy(),
        sigma_df=np.broadcast_to(own.df, x.shape).copy(),
        n=np.broadcast_to(n, x.shape).copy(),
        spans=np.repeat(rows.spans[:, None], x.shape[1], axis=1),
        width=np.broadcast_to(width, x.shape).copy(),
        average_width=np.broadcast_to(average_width, x.shape).copy(),
        sets=np.full(x.shape, -1, dtype=np.int64),
        frozen=np.zeros(x.shape[1], dtype=bool),
        frozen_moulds=((),) * x.shape[1],
        frozen_sizes=((),) * x.shape[1],
        baseline_sigma=own.sigma,
    )


def centers(x: Array, rows: ChartRows) -> Array:
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
    """Return the lines with frozen sets in place of the baseline, where a chart has any.

    A chart is one series of one mould. Rows before its first set, and outside that set's baseline,
    have no limits: a new set never judges what came before it. Other charts keep the baseline's.
    """
    known = {(s.series, s.mould) for s in sets if s.by == rows.by}
    moulds = np.array(rows.moulds, dtype=object)
    charts = [
        (column, mould)
        for column, name in enumerate(names)
        for mould in sorted(set(rows.moulds))
        if (name, mould) in known
    ]
    if not charts:
        return lines
    out = replace(lines, **{f: getattr(lines, f).copy() for f in _CHANGED})
    # Room for the number of a set in each label: none is shared by two moulds.
    out.spans[:, sorted({column for column, _ in charts})] *= len(sets) + 1
    named: dict[int, tuple[str, ...]] = {}
    sizes: dict[int, set[int]] = {}
    for column, mould in charts:
        mine = np.flatnonzero(moulds == mould)
        which = set_numbers(sets, names[column], mould, rows.by, rows.measured[mine])
        _put(out, mine, column, which, sets)
        named[column] = (*named.get(column, ()), mould)
        sizes.setdefault(column, set()).update(sets[k].n for k in which[which >= 0][-1:])
    out.frozen[list(named)] = True
    return replace(
        out,
        frozen_moulds=tuple(named.get(k, ()) for k in range(len(names))),
        frozen_sizes=tuple(tuple(sorted(sizes.get(k, ()))) for k in range(len(names))),
    )


_CHANGED = ("center", "sigma", "sigma_df", "n", "spans", "width", "average_width", "sets", "frozen")


def _put(
    out: Lines, mine: npt.NDArray[np.int64], column: int, which: npt.NDArray[np.int64],
    sets: tuple[LimitSet, ...],
) -> None:  # fmt: skip
    """Write the sets in force into one mould's rows of one series."""
    for line in (out.center, out.sigma, out.sigma_df):
        line[mine, column] = np.nan
    out.n[mine, column] = 0
    for number in np.unique(which[which >= 0]):
        at, one = mine[which == number], sets[number]
        out.center[at, column], out.sigma[at, column] = one.center, one.sigma
        out.width[at, column] = one.width
        out.average_width[at, column] = EWMA_WIDTH * one.width / WIDTH
        out.sigma_df[at, column], out.n[at, column] = one.sigma_df, one.n
    out.sets[mine, column] = which
    out.spans[mine, column] += which + 1
