"""Identities of runs: the same measurement has the same name in every store.

A run is known by what was measured, not by how it was written: neither the order of the rows, nor
the unit, nor the number of digits printed matters. Lengths therefore enter as whole nanometres, far
finer than any arm reads; as floats, a length in inches and the same one in millimetres would often
differ in the last bit.
"""

import hashlib
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.identity import spelled
from spc.studies.arrays import coded

Ints = npt.NDArray[np.int64]

#: Nanometres in a millimetre.
_NANOMETRES = 1e6
_LENGTHS = ("x", "y", "z", "deviation", "residual")
#: What stands for a missing number.
_MISSING = np.iinfo(np.int64).min
#: Rows looked at together.
_ROWS = 500_000


def run_identities(runs: pd.DataFrame, values: pd.DataFrame) -> list[str]:
    """Return the content hash of each run, of 24 hexadecimal digits.

    Parameters
    ----------
    runs
        part, serial, run and measured_at (UTC, NaT where unknown), in the order of ``key``.
    values
        One row a hit, point or deviation: key (place in ``runs``), point, hit where there are
        hits, and the lengths in mm: x, y and z, or deviation and residual.
    """
    codes, names = coded(values["point"])
    place = np.argsort(np.argsort(np.array(names, dtype=object)))[codes]
    hit = values["hit"].to_numpy(np.int64) if "hit" in values else np.zeros(len(values), np.int64)
    key = values["key"].to_numpy(np.int64)
    order = _order(key, place, hit)
    bounds = np.searchsorted(key if order is None else key[order], np.arange(len(runs) + 1))
    lengths = [values[c].to_numpy() for c in _LENGTHS if c in values]
    heads = list(zip(*(runs[c] for c in ("part", "serial", "run")), _moments(runs), strict=True))
    points = _Points(sorted(names))
    found: list[str] = []
    for first, last in _blocks(bounds):
        rows = slice(bounds[first], bounds[last])
        at = rows if order is None else order[rows]
        numbers = [hit[at], *(_whole(v[at]) for v in lengths)]
        own = bounds[first : last + 1] - bounds[first]
        found += _hashes(heads[first:last], own, place[at], numbers, points)
    return found


def _moments(runs: pd.DataFrame) -> list[str]:
    """Return times as `str` spells each, at a tenth of its cost."""
    moments = runs["measured_at"]
    if moments.dtype != "datetime64[us]":
        return [str(moment) for moment in moments]
    numbers = moments.to_numpy()
    whole = numbers.astype("datetime64[s]")
    spelled = np.where(whole == numbers, whole.astype(str), numbers.astype(str))
    return [text.replace("T", " ", 1) if text != "NaT" else text for text in spelled.tolist()]


def _order(key: Ints, place: Ints, hit: Ints) -> Ints | None:
    """Return the order by run, point and hit; None where the rows are in it."""
    width, depth = int(place.max(initial=0)) + 1, int(hit.max(initial=0)) + 1
    together = (key * width + place) * depth + hit
    return None if (np.diff(together) >= 0).all() else np.argsort(together, kind="stable")


def _blocks(bounds: Ints) -> Iterator[tuple[int, int]]:
    """Yield the first run of each block of rows, and the one after its last."""
    start, runs = 0, len(bounds) - 1
    while start < runs:
        end = int(np.searchsorted(bounds, bounds[start] + _ROWS, side="right")) - 1
        end = min(max(end, start + 1), runs)
        yield start, end
        start = end


def _whole(lengths: npt.NDArray[np.float64]) -> Ints:
    missing = np.isnan(lengths)
    if not missing.any():
        return np.asarray(np.rint(lengths * _NANOMETRES).astype(np.int64))
    whole = np.rint(np.where(missing, 0.0, lengths) * _NANOMETRES).astype(np.int64)
    return np.where(missing, _MISSING, whole)


class _Points:
    """Lists of points as they enter a hash; most runs have the same."""

    def __init__(self, names: list[str]) -> None:
        self._names = np.array(names, dtype=object)
        self._known: dict[bytes, str] = {}

    def __call__(self, points: Ints) -> str:
        mark = points.tobytes()
        if mark not in self._known:
            self._known[mark] = spelled(self._names[points])
        return self._known[mark]


def _hashes(
    heads: list[tuple[Any, ...]], bounds: Ints, place: Ints, numbers: list[Ints], points: _Points
) -> Iterator[str]:
    """Yield the hash of each run of a block, whose rows are in order."""
    changes = np.ones(len(place) + 1, dtype=np.bool_)
    changes[1:-1] = np.diff(place) != 0
    changes[bounds] = True
    starts = np.flatnonzero(changes)
    counts, there = np.diff(starts).astype("<i8"), place[starts[:-1]]
    groups = np.searchsorted(starts, bounds)
    columns = [np.ascontiguousarray(column, dtype="<i8").data.cast("B") for column in numbers]
    for (*names, moment), (low, high), (one, other) in zip(
        heads, pairwise(bounds.tolist()), pairwise(groups.tolist()), strict=True
    ):
        text = spelled(["run", *names, moment])
        told = f"{text[:-1]}, {points(there[one:other])}]".encode()
        own = (column[8 * low : 8 * high] for column in columns)
        whole = b"\n".join([told, counts[one:other].tobytes(), *own])
        yield hashlib.sha256(whole).hexdigest()[:24]
