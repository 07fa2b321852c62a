"""Frames into arrays: the one place where names become positions."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.alignment.ball import ball_nominals
from spc.plan import FIT, Plan

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanArrays:
    """A plan's geometry as arrays.

    Parameters
    ----------
    names
        Names of the points, in the plan's order.
    nominals, normals
        (points, 3), mm and unit vectors.
    aims
        (points, 3), mm, where the readings of a perfect part lie: at the nominals, or off them by
        the ball's radius where the results hold its centres. Against these a reading is held.
    weights
        (points,), the fit's weights, 0 for check points.
    is_fit
        (points,), True for fit points.
    lower, upper
        (points,), tolerances in mm, NaN where there is none.
    """

    names: tuple[str, ...]
    nominals: Array
    normals: Array
    aims: Array
    weights: Array
    is_fit: npt.NDArray[np.bool_]
    lower: Array
    upper: Array


def plan_arrays(plan: Plan) -> PlanArrays:
    """Return the plan's geometry."""
    points = plan.points
    nominals = np.array([p.nominal for p in points])
    normals = np.array([p.normal for p in points])
    return PlanArrays(
        names=tuple(p.id for p in points),
        nominals=nominals,
        normals=normals,
        aims=ball_nominals(nominals, normals, plan.ball_radius),
        weights=np.array([p.weight if p.role == FIT else 0.0 for p in points]),
        is_fit=np.array([p.role == FIT for p in points]),
        lower=np.array([np.nan if p.lower is None else p.lower for p in points]),
        upper=np.array([np.nan if p.upper is None else p.upper for p in points]),
    )


def coded(names: "pd.Series[str]") -> tuple[Ints, list[str]]:
    """Return for each row the number of its name, and the names.

    A column that comes as categories is not looked at row by row.
    """
    if isinstance(names.dtype, pd.CategoricalDtype):
        codes = np.asarray(names.cat.codes, dtype=np.int64)
        return codes, [str(name) for name in names.cat.categories]
    numbers, found = pd.factorize(names)
    return np.asarray(numbers, dtype=np.int64), [str(name) for name in found]


def named(codes: npt.NDArray[np.integer[Any]], names: Sequence[str]) -> "pd.Categorical[str]":
    """Return a column of names from their numbers; it costs little for many rows."""
    return pd.Categorical.from_codes(codes, pd.Index(list(names), dtype=object))


def columns_of(points: "pd.Series[str]", names: tuple[str, ...]) -> Ints:
    """Return for each row the place of its point among ``names``, -1 where it is none of them."""
    codes, found = coded(points)
    places = pd.Index(names).get_indexer(pd.Index(found, dtype=object))
    return np.asarray(np.append(places, -1)[codes], dtype=np.int64)


def hit_array(
    values: pd.DataFrame, rows: "pd.Series[int]", runs: int, names: tuple[str, ...]
) -> Array:
    """Lay hits out as (runs, points, hits, 3), NaN where missing.

    Parameters
    ----------
    values
        Columns point, hit, x, y, z.
    rows
        For each row of ``values``, its run's position from 0.
    runs
        Number of runs.
    names
        Names of the points in order; every point of ``values`` must be among them.
    """
    column = columns_of(values["point"], names)
    group = rows.to_numpy(np.int64) * len(names) + column
    slot = _slots(group)
    depth = int(slot.max()) + 1 if len(slot) else 1
    laid = np.full((runs * len(names) * depth, 3), np.nan)
    where = group * depth + slot
    for axis, name in enumerate("xyz"):
        laid[where, axis] = values[name].to_numpy(dtype=np.float64)
    return laid.reshape(runs, len(names), depth, 3)


def _slots(group: Ints) -> Ints:
    """Return each row's place among the rows of its group, in their order."""
    if not len(group):
        return np.zeros(0, dtype=np.int64)
    starts = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    if np.bincount(group[starts]).max() == 1:
        # Rows of a group stand together.
        sizes = np.diff(starts, append=len(group))
        return np.asarray(np.arange(len(group)) - np.repeat(starts, sizes))
    return np.asarray(pd.Series(group).groupby(group).cumcount(), dtype=np.int64)


def pivot(frame: pd.DataFrame, value: str, run_ids: list[str], names: tuple[str, ...]) -> Array:
    """Lay one column of a long frame (run_id, point, value) out as (runs, points)."""
    row = pd.Index(run_ids).get_indexer(pd.Index(frame["run_id"]))
    column = pd.Index(names).get_indexer(pd.Index(frame["point"]))
    known = (row >= 0) & (column >= 0)
    laid = np.full((len(run_ids), len(names)), np.nan)
    laid[row[known], column[known]] = frame[value].to_numpy(dtype=np.float64)[known]
    return laid
