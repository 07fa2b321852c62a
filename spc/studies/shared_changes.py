"""Changes of one mould looked for in the others: a material lot changes all of them at once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.charts.baseline import Break, Proposal, propose_baseline
from spc.charts.scan import step_at
from spc.studies.moments import ChartRows

#: Level at which a change stands out, shared among the points and places looked at.
ALPHA = 0.01

Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedChange:
    """A change that this mould shows too, where another had shown it.

    Parameters
    ----------
    run
        Index of this mould's first run after it.
    points
        Indices of the series at which it stands out.
    p
        Its probability if nothing had changed, for all series and places looked at.
    mould
        The mould that showed it first.
    """

    run: int
    points: tuple[int, ...]
    p: float
    mould: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Again:
    """A mould's proposal once the changes of the others were looked for in it.

    Parameters
    ----------
    proposal
        The stretch, which no change of either kind cuts.
    breaks
        Changes that stand out by themselves.
    changes
        Changes that it shows where others had shown them.
    """

    proposal: Proposal
    breaks: tuple[Break, ...]
    changes: tuple[SharedChange, ...]


def propose_again(
    rows: ChartRows, charts: list[Rows], first: list[Proposal], number: int
) -> Again:  # fmt: skip
    """Cut one mould's history also where a change of another stands out in it.

    Parameters
    ----------
    rows
        The rows of all moulds, all series.
    charts
        Rows of each mould.
    first
        What each mould alone proposes.
    number
        Which of them.
    """
    found: list[SharedChange] = []
    for other, its in enumerate(charts):
        if other == number:
            continue
        for change in first[other].breaks:
            shared = _shared(rows, charts[number], first[number], its, change.run, change.points)
            if shared is not None and shared.run not in [c.run for c in found]:
                found.append(shared)
    own = first[number]
    if not found:
        return Again(proposal=own, breaks=own.breaks, changes=())
    cuts = sorted([*(c.run for c in found), *(b.run for b in own.breaks)])
    spans = np.searchsorted(cuts, np.arange(len(charts[number])), side="right")
    again = propose_baseline(rows.values[charts[number]], spans=spans)
    return Again(proposal=again, breaks=(*own.breaks, *again.breaks), changes=tuple(found))


def _shared(
    rows: ChartRows, mine: Rows, own: Proposal, its: Rows, run: int, points: tuple[int, ...]
) -> SharedChange | None:
    """Ask this mould for a change that lies between two runs of another."""
    since, until = rows.times[its[run - 1]], rows.times[its[run]]
    start, stop = _stretch(own, len(mine), rows.times[mine], until)
    part = mine[start:stop]
    times = rows.times[part]
    low, high = (int(np.searchsorted(times, t, side="right")) for t in (since, until))
    step = step_at(rows.values[np.ix_(part, np.array(points))], range(low, high + 1))
    if step.first < 0 or not np.nanmin(step.p) < ALPHA:
        return None
    near = np.flatnonzero(step.p < ALPHA)
    return SharedChange(
        run=start + step.first, points=tuple(int(points[k]) for k in near),
        p=float(np.nanmin(step.p)), mould=rows.moulds[its[0]],
    )  # fmt: skip


def _stretch(
    own: Proposal, length: int, times: npt.NDArray[np.datetime64], at: np.datetime64
) -> tuple[int, int]:
    """Return the stretch between this mould's own changes in which a time lies."""
    edges = [0, *(b.run for b in own.breaks), length]
    place = min(int(np.searchsorted(times, at)), length - 1)
    here = int(np.searchsorted(edges, place, side="right")) - 1
    return edges[here], edges[here + 1]
