"""What one point on a chart is: a piece, or the mean of a batch."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.studies.arrays import Array

PIECE, BATCH = "piece", "batch"
#: Column that keeps the measuring time where runs are put in order by another.
MEASURED_AT = "truly_measured_at"
#: Column that keeps the mould where runs are named by the chart that they are on instead.
MOULD = "true_mould"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartRows:
    """The rows of a chart: moulds one after the other, each in the order of time.

    Where cavities are charted apart, or moulds together, what is said here of a mould holds for
    each such chart.

    Parameters
    ----------
    by
        ``piece`` or ``batch``.
    labels
        Serial or batch of each row.
    times
        (rows,), its (first) time in the order asked for, UTC.
    taken
        (rows, pieces), when each of its pieces came into the store, UTC; NaT beyond the last.
    measured
        (rows,), its first measuring time, UTC: limits are in force by it, whatever the order.
    moulds
        Mould of each row; empty text where unknown. ``K1 cavity 2`` where the cavities of a mould
        are charted apart, and all moulds where they share a chart.
    tools
        The mould that made each row, whatever chart it is on.
    spans
        (rows,), number of the mould from 0: nothing is compared across it.
    pieces
        (rows,), pieces in the row.
    baseline
        (rows,), True where all of the row's pieces lie in the baseline.
    values
        (rows, series).
    """

    by: str
    labels: tuple[str, ...]
    times: npt.NDArray[np.datetime64]
    taken: npt.NDArray[np.datetime64]
    measured: npt.NDArray[np.datetime64]
    moulds: tuple[str, ...]
    tools: tuple[str, ...]
    spans: npt.NDArray[np.int64]
    pieces: npt.NDArray[np.int64]
    baseline: npt.NDArray[np.bool_]
    values: Array

    def tools_of(self, mould: str) -> frozenset[str]:
        """Return the moulds whose pieces are on a chart."""
        return frozenset(t for m, t in zip(self.moulds, self.tools, strict=True) if m == mould)


def chart_rows(
    runs: pd.DataFrame, values: Array, baseline: npt.NDArray[np.bool_], by: str
) -> ChartRows:
    """Lay runs (in the order of time) out as the rows of a chart.

    A batch is one label of one mould; pieces without a batch are taken together by the day they
    were measured. A missing value leaves the batch's mean to the others.
    """
    if by not in (PIECE, BATCH):
        raise InputError(f"a chart by '{by}'", do=f"use {PIECE} or {BATCH}")
    labels = labels_of(runs, by)
    key = labels if by == BATCH else pd.Series(np.arange(len(runs)).astype(str))
    group = runs["mould"].astype(str) + "\0" + key
    codes, first = _first_seen(group)
    order = sorted(range(len(first)), key=lambda at: (str(runs["mould"].iloc[first[at]]), at))
    moulds = tuple(str(runs["mould"].iloc[first[at]]) for at in order)
    tools = runs[MOULD if MOULD in runs else "mould"].astype(str)
    means = _group_means(values, codes, len(first))
    inside = np.bincount(codes, weights=baseline, minlength=len(first))
    pieces = np.bincount(codes, minlength=len(first))
    measured = runs[MEASURED_AT if MEASURED_AT in runs else "measured_at"]
    taken = runs["taken_at"] if "taken_at" in runs else measured
    earliest = measured.groupby(codes).min().to_numpy(dtype="datetime64[us]")
    return ChartRows(
        by=by,
        labels=tuple(str(labels.iloc[first[at]]) for at in order),
        times=runs["measured_at"].to_numpy(dtype="datetime64[us]")[first[order]],
        taken=_side_by_side(taken.to_numpy(dtype="datetime64[us]"), codes, pieces)[order],
        measured=earliest[order],
        moulds=moulds,
        tools=tuple(tools.iloc[first[at]] for at in order),
        spans=pd.factorize(pd.Series(moulds, dtype=object))[0].astype(np.int64),
        pieces=pieces[order],
        baseline=np.asarray(inside == pieces)[order],
        values=means[order],
    )


def labels_of(runs: pd.DataFrame, by: str) -> "pd.Series[str]":
    """Return the serial or batch of each run, as a chart names its rows within a mould.

    A batch is one of a mould: where moulds share a chart its name begins with the mould.
    """
    if by == PIECE:
        return runs["serial"].astype(str)
    labels = _batch_labels(runs)
    if MOULD not in runs:
        return labels
    shared = runs.groupby("mould")[MOULD].transform("nunique") > 1
    return labels.where(~shared, runs[MOULD].astype(str) + " " + labels)


def _batch_labels(runs: pd.DataFrame) -> "pd.Series[str]":
    day = runs["measured_at"].dt.strftime("no batch, %Y-%m-%d")
    batch = runs["batch"].astype(object)
    return batch.where(batch != "", day).astype(str)


def _first_seen(
    group: "pd.Series[str]",
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    codes = pd.factorize(group)[0].astype(np.int64)
    return codes, np.unique(codes, return_index=True)[1].astype(np.int64)


def _side_by_side(
    moments: npt.NDArray[np.datetime64], codes: npt.NDArray[np.int64], sizes: npt.NDArray[np.int64]
) -> npt.NDArray[np.datetime64]:
    """Lay the moments of each group's runs side by side, (groups, most)."""
    out = np.full((len(sizes), int(sizes.max(initial=0))), np.datetime64("NaT", "us"))
    by_group = np.argsort(codes, kind="stable")
    place = np.arange(len(codes)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    out[codes[by_group], place] = moments[by_group]
    return out


def _group_means(values: Array, codes: npt.NDArray[np.int64], groups: int) -> Array:
    there = np.isfinite(values)
    total = np.zeros((groups, values.shape[1]))
    count = np.zeros((groups, values.shape[1]))
    np.add.at(total, codes, np.where(there, values, 0.0))
    np.add.at(count, codes, there)
    low, high = np.full_like(total, np.inf), np.full_like(total, -np.inf)
    np.minimum.at(low, codes, np.where(there, values, np.inf))
    np.maximum.at(high, codes, np.where(there, values, -np.inf))
    # The mean of equal values is that value: rounding, which differs with their number, would make
    # a series that stands still one that moves.
    mean = np.minimum(np.maximum(total / np.maximum(count, 1), low), high)
    return np.where(count > 0, mean, np.nan)
