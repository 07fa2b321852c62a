"""Many runs fitted, some at a time, so that a file of any length takes no more memory than some."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.plan import Plan
from spc.studies.arrays import hit_array
from spc.studies.fitting import Fitted, fit_hits
from spc.studies.mistakes import Mistake, mistakes

#: Hits laid out at a time, and how many times over: each takes some 100 MB.
_HITS, _AT_ONCE = 200_000, min(4, os.cpu_count() or 1)

#: Rows of whole runs with the place of each row's run, its first run and the one after its last.
_Batch = tuple[tuple[pd.DataFrame, npt.NDArray[np.int64]], int, int]


def fit_many(
    plan: Plan, values: pd.DataFrame, rows: npt.NDArray[np.int64], runs: int,
    seen: Callable[[Fitted], None] = lambda _: None,
) -> tuple[Fitted, tuple[tuple[Mistake, ...], ...]]:  # fmt: skip
    """Fit runs onto a plan, and look for gross mistakes in each.

    Parameters
    ----------
    plan
        The plan.
    values
        One row a hit: point, x, y, z (mm).
    rows
        For each row of ``values`` the place of its run, from 0.
    runs
        Number of runs.
    seen
        Given the fits of some runs after the others, while those after them are still made.
    """
    names = tuple(p.id for p in plan.points)

    def fitted(batch: _Batch) -> tuple[Fitted, tuple[tuple[Mistake, ...], ...]]:
        (some, place), start, end = batch
        laid = hit_array(some, pd.Series(place - start), end - start, names)
        fit = fit_hits(plan, laid)
        return fit, mistakes(plan, laid, fit)

    # The arrays' arithmetic lets go of the interpreter, so that batches can go side by side.
    found = []
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for fit, wrong in pool.map(fitted, _batches(values, rows, runs)):
            found.append((fit, wrong))
            seen(fit)
    return _joined(plan, [fit for fit, _ in found]), tuple(w for _, some in found for w in some)


def _batches(values: pd.DataFrame, rows: npt.NDArray[np.int64], runs: int) -> Iterator[_Batch]:
    """Yield rows of whole runs, with the place of the first run and of the one after the last."""
    if len(rows) and (np.diff(rows) < 0).any():
        order = np.argsort(rows, kind="stable")
        values, rows = values.iloc[order], rows[order]
    ends = np.searchsorted(rows, np.arange(runs), side="right")
    start = 0
    while start < runs:
        first = int(ends[start - 1]) if start else 0
        end = max(int(np.searchsorted(ends, first + _HITS, side="right")), start + 1)
        last = int(ends[end - 1])
        yield (values.iloc[first:last], rows[first:last]), start, end
        start = end


def _joined(plan: Plan, parts: Sequence[Fitted]) -> Fitted:
    """Return the fits of all runs as one."""
    if len(parts) == 1:
        return parts[0]
    whole: dict[str, Any] = {
        f.name: _laid_together([getattr(part, f.name) for part in parts])
        for f in fields(Fitted)
        if f.name != "plan"
    }
    return Fitted(plan=plan, **whole)


def _laid_together(values: Sequence[Any]) -> Any:
    """Return arrays one after the other along their runs; a result of arrays field by field."""
    if isinstance(values[0], np.ndarray):
        return np.concatenate(values)
    kind = type(values[0])
    names = [f.name for f in fields(kind)]
    return kind(**{n: _laid_together([getattr(v, n) for v in values]) for n in names})
