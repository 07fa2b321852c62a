"""Whether a change at one place alone would look like the shape that is found to have moved.

A plan with one check point on a face shows a bow of that face and a dent at that point in the same
reading. So each change is held against both: what share of the points' change, apart from any rigid
motion, the shape takes up, and what share a single point does. It is a comparison of two
explanations and no test: where the single place does about as well, the words say so.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from spc.alignment.geometry import holds
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.monitor import Monitor
from spc.studies.shape_changes import ShapeChange
from spc.studies.shape_series import SIZE, Shapes

#: A single place does about as well as the shape from so much less of the change on.
AS_WELL = 0.02
#: What takes up less than this share of the change is no explanation of it.
ENOUGH = 0.5


def with_places(
    past: History, shapes: Shapes, chart: Monitor, changes: Sequence[ShapeChange]
) -> tuple[ShapeChange, ...]:
    """Return the changes, each with the place that explains it as well, where there is one.

    Parameters
    ----------
    past
        The runs.
    shapes
        Their shapes.
    chart
        The charts by batch that the changes come from.
    changes
        What moved.
    """
    return tuple(_with_place(past, shapes, chart, changes, one) for one in changes)


def _off_rigid(shapes: Shapes, there: npt.NDArray[np.bool_]) -> Array:
    """Return the projection off the rigid motions of the points that are there, (points, points).

    Rows and columns of the others are zero.
    """
    plan = shapes.plan
    held = holds(plan.nominals, plan.normals, there[None].astype(np.float64))
    basis, _ = np.linalg.qr(held.design[0][there])
    off = np.zeros((len(there), len(there)))
    off[np.ix_(there, there)] = np.eye(len(basis)) - basis @ basis.T
    return off


def _with_place(
    past: History, shapes: Shapes, chart: Monitor, changes: Sequence[ShapeChange],
    change: ShapeChange,
) -> ShapeChange:  # fmt: skip
    before, after = _sides(past, chart, change)
    if not (before.any() and after.any()):
        return change
    # All that moved first: one dent is often read as several shapes. Then this shape's part of it.
    for others in ([], _others(changes, change)):
        moved = _moved(past, shapes, before, after, others)
        found = _compared(past, shapes, change, moved)
        if found.place:
            return found
    return change


def _moved(
    past: History, shapes: Shapes, before: npt.NDArray[np.bool_], after: npt.NDArray[np.bool_],
    others: Sequence[str],
) -> Array:  # fmt: skip
    """Return how far each point moved, (points,), mm, less what the other shapes moved it by."""
    moved = _mean(past.deviations[after]) - _mean(past.deviations[before])
    for other in others:
        k = shapes.series.names.index(other)
        values = shapes.series.values[:, k]
        size = _mean(values[after, None])[0] - _mean(values[before, None])[0]
        moved = moved - size * shapes.plan.columns[:, shapes.patterns[k]]
    return moved


def _compared(past: History, shapes: Shapes, change: ShapeChange, moved: Array) -> ShapeChange:
    """Return the change with its place where one explains what moved as well as the shape."""
    there = np.isfinite(moved)
    if there.sum() <= 6:
        return change
    off = _off_rigid(shapes, there)
    left = off @ np.where(there, moved, 0.0)
    column = shapes.plan.columns[:, shapes.patterns[shapes.series.names.index(change.shape)]]
    own = float(_shares(left, (off @ column)[:, None])[0])
    alone = _shares(left, off)
    at = int(np.argmax(alone))
    if alone[at] < max(own - AS_WELL, ENOUGH):
        return change
    return replace(
        change, place=past.geometry.names[at], place_share=float(alone[at]), shape_share=own
    )


def _sides(
    past: History, chart: Monitor, change: ShapeChange
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return the runs of the batches surely before and surely after a change."""
    rows = np.flatnonzero(np.array(chart.rows.moulds, dtype=object) == change.mould)
    labels = [chart.rows.labels[k] for k in rows]
    last = labels.index(change.last_before) if change.last_before in labels else -1
    first = labels.index(change.first_after) if change.first_after in labels else len(labels)
    own = np.asarray(past.runs["mould"].astype(str) == change.mould)
    batch = past.runs["batch"].astype(str)
    return (
        own & np.asarray(batch.isin(labels[: last + 1])),
        own & np.asarray(batch.isin(labels[first:])),
    )


def _others(changes: Sequence[ShapeChange], change: ShapeChange) -> list[str]:
    """Return the other shapes that moved on the mould; sizes along the axes are the size again."""
    own = change.shape.startswith(SIZE)
    names = [c.shape for c in changes if c.mould == change.mould and c.shape != change.shape]
    sized = SIZE in names
    return [
        name for name in dict.fromkeys(names)
        if not (name.startswith(SIZE) and (own or (sized and name != SIZE)))
    ]  # fmt: skip


def _shares(left: Array, columns: Array) -> Array:
    """Return what share of a vector's square each column takes up by itself."""
    whole, square = float(left @ left), (columns**2).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # a column that a rigid motion takes up
        share = (left @ columns) ** 2 / (square * whole)
    return np.where(square > 1e-9, share, 0.0) if whole > 0.0 else np.zeros(columns.shape[1])


def _mean(values: Array) -> Array:
    """Return the means of the columns over what is there, NaN where nothing is."""
    there = np.isfinite(values)
    with np.errstate(invalid="ignore"):  # a point that was never measured
        return np.asarray(
            np.where(there, values, 0.0).sum(axis=0) / there.sum(axis=0), dtype=np.float64
        )
