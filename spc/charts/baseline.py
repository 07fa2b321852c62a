"""A proposal of stable reference runs for new limits; people decide, nothing is dropped by itself.

The history is cut where a change of level stands out at any point, the longest piece without one is
proposed, and runs in it that lie beyond its own limits are named as candidates to leave out. They
stay in unless someone finds a cause.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats
from spc.charts.limits import FEWEST as FEWEST_VALUES
from spc.charts.limits import individuals_limits
from spc.charts.rules import DEFAULT, RULES, signals
from spc.charts.scan import FEWEST, scan_for_change
from spc.charts.sigma import MEDIAN_MOVING_RANGE, individuals_sigma

ROUNDS = 10
"""Most rounds of looking again without the runs already named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """A run at which the level seems to have changed.

    Parameters
    ----------
    run
        Index of the first run after the change.
    points
        Indices of the points at which it stands out.
    p
        Its probability if nothing had changed, at the point where it stands out most, for all
        points.
    """

    run: int
    points: tuple[int, ...]
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A run that might be left out, if a cause is found.

    Parameters
    ----------
    run
        Index of the run.
    points
        Indices of the points at which it signals.
    reason
        What it did, in words.
    seen_without
        Number of other candidates that had to be set aside before it showed.
    """

    run: int
    points: tuple[int, ...]
    reason: str
    seen_without: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """Reference runs proposed.

    Parameters
    ----------
    start, stop
        First run and the one after the last, indices.
    runs
        True for the runs proposed, candidates among them, ``(runs,)``.
    candidates
        Runs in it that might be left out.
    patterns
        Rules of the chosen set that are completed in it without a run beyond a limit, as (rule,
        run, points).
    breaks
        Changes of level found in the whole history.
    n
        Runs proposed that hold at least one value.
    note
        What to beware of; empty where nothing.
    """

    start: int
    stop: int
    runs: Bools
    candidates: tuple[Candidate, ...]
    patterns: tuple[tuple[str, int, tuple[int, ...]], ...]
    breaks: tuple[Break, ...]
    n: int
    note: str


def propose_baseline(
    x: ArrayLike,
    *,
    spans: ArrayLike | None = None,
    alpha: float = 0.01,
    rules: Sequence[str] = DEFAULT,
    width: float = 3.0,
    wanted: int = 25,
) -> Proposal:
    """Propose the longest stretch of runs in which no change of level stands out.

    Parameters
    ----------
    x
        Values in time order, ``(runs, points)``, NaN where missing.
    spans
        Label of each run; a stretch lies within one span.
    alpha
        Level at which a change stands out, shared among the points (Bonferroni).
    rules, width
        Rules and limits by which runs of the stretch are looked at.
    wanted
        Runs below which the note says that the stretch is short.

    Notes
    -----
    Values are clipped three robust sigma from their median before a change is sought, so that one
    wild piece is not taken for one. A drift comes out as several breaks close together.
    """
    a = arrays.matrix(x)
    arrays.require(0 < alpha < 1, "alpha", alpha, "between 0 and 1")
    ages = arrays.span_ages(spans, len(a))
    stretches, breaks = _stretches(_clipped(a, spans), ages, alpha)
    filled: Bools = np.asarray(~np.isnan(a).all(axis=1))
    sizes = [int(filled[start:stop].sum()) for start, stop in stretches]
    # the latest of the longest: it is nearest to what will be made next
    start, stop = max(zip(sizes, stretches, strict=True), default=(0, (0, 0)))[1]
    runs = np.zeros(len(a), dtype=bool)
    runs[start:stop] = filled[start:stop]
    candidates, patterns = _looked_at(a[start:stop], rules, width, start)
    n = int(runs.sum())
    note = _short(n)
    return Proposal(start=start, stop=stop, runs=runs, candidates=candidates, patterns=patterns,
                    breaks=breaks, n=n, note=note if n < wanted else "")  # fmt: skip


def _short(n: int) -> str:
    if n < FEWEST_VALUES:
        return f"only {n} value{'s' * (n != 1)} without a change: too few for limits of their own"
    return f"only {n} values in a row without a change: limits from them are provisional"


def _clipped(a: Floats, spans: ArrayLike | None) -> Floats:
    sigma = individuals_sigma(a, spans=spans, estimator=MEDIAN_MOVING_RANGE).sigma
    out = a.copy()
    for j, reach in enumerate(3 * sigma):
        column = a[:, j]
        if reach > 0:
            # a running median follows the level, so that a true step is not clipped away
            middle = _running_median(column)
            out[:, j] = np.clip(column, middle - reach, middle + reach)
    return out


def _running_median(column: Floats, length: int = 7) -> Floats:
    seen = np.flatnonzero(~np.isnan(column))
    out = column.copy()
    values = np.pad(column[seen], length // 2, mode="edge") if seen.size else column[seen]
    if seen.size:
        windows = np.lib.stride_tricks.sliding_window_view(values, length)
        out[seen] = np.median(windows, axis=1)
    return out


def _stretches(
    a: Floats, ages: np.ndarray, alpha: float
) -> tuple[list[tuple[int, int]], tuple[Break, ...]]:
    edges = [*np.flatnonzero(ages == 0).tolist(), len(a)]
    queue = list(pairwise(edges))
    whole, breaks = [], []
    while queue:
        start, stop = queue.pop()
        found = _break(a[start:stop], start, alpha)
        if found is None:
            whole.append((start, stop))
        else:
            breaks.append(found)
            queue += [(start, found.run), (found.run, stop)]
    return sorted(whole), tuple(sorted(breaks, key=lambda b: b.run))


def _break(part: Floats, start: int, alpha: float) -> Break | None:
    if len(part) < FEWEST:
        return None
    found = scan_for_change(part)
    p = np.minimum(np.where(np.isnan(found.p), 1.0, found.p) * part.shape[1], 1.0)
    p = np.where(np.isinf(found.statistic), 0.0, p)
    if not p.size or p.min() >= alpha:
        return None
    first = int(found.first[p.argmin()])
    near = (p < alpha) & found.candidates[first]
    return Break(run=start + first, points=tuple(np.flatnonzero(near).tolist()), p=float(p.min()))


def _looked_at(
    part: Floats, rules: Sequence[str], width: float, start: int
) -> tuple[tuple[Candidate, ...], tuple[tuple[str, int, tuple[int, ...]], ...]]:
    kept = np.ones(len(part), dtype=bool)
    named: list[Candidate] = []
    found: dict[str, Bools] = {}
    for _ in range(ROUNDS):
        limits = individuals_limits(part, kept, width=width)
        every = dict.fromkeys(("beyond limit", *rules))
        found = signals(part, limits.center, limits.sigma, rules=tuple(every), width=width)
        out = found["beyond limit"] & ~np.isnan(limits.upper)
        fresh = np.flatnonzero(out.any(axis=1) & kept).tolist()
        if not fresh:
            break
        before = len(named)
        named += [
            Candidate(run=start + run, points=tuple(np.flatnonzero(out[run]).tolist()),
                      reason=RULES["beyond limit"].text, seen_without=before)
            for run in fresh
        ]  # fmt: skip
        kept[fresh] = False
    patterns = tuple(
        (name, start + int(run), tuple(np.flatnonzero(flags[run]).tolist()))
        for name, flags in found.items() if name != "beyond limit"
        for run in np.flatnonzero(flags.any(axis=1))
    )  # fmt: skip
    return tuple(sorted(named, key=lambda c: c.run)), patterns
