"""Identities of runs: the same measurement has the same name in every store.

A run is known by what was measured, not by how it was written: neither the order of the rows, nor
the unit, nor the number of digits printed matters. Lengths therefore enter as whole nanometres, far
finer than any arm reads; as floats, a length in inches and the same one in millimetres would often
differ in the last bit.
"""

import hashlib
import json
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.studies.arrays import coded

Ints = npt.NDArray[np.int64]

#: Nanometres in a millimetre.
_NANOMETRES = 1e6
_LENGTHS = ("x", "y", "z", "deviation", "residual")
#: What stands for a missing number.
_MISSING = np.iinfo(np.int64).min


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
    lengths = [
        values[c].to_numpy() for c in ("x", "y", "z", "deviation", "residual") if c in values
    ]
    spelled = np.array(sorted(names), dtype=object)
    heads = zip(*(runs[c] for c in ("part", "serial", "run", "measured_at")), strict=True)
    return [
        _hash(head, spelled, place[rows], [hit[rows], *(_whole(v[rows]) for v in lengths)])
        for head, rows in zip(heads, _rows_of(key, order, len(runs)), strict=True)
    ]


def _order(key: Ints, place: Ints, hit: Ints) -> Ints | None:
    """Return the order by run, point and hit; None where the rows are in it."""
    width, depth = int(place.max(initial=0)) + 1, int(hit.max(initial=0)) + 1
    together = (key * width + place) * depth + hit
    return None if (np.diff(together) >= 0).all() else np.argsort(together, kind="stable")


def _rows_of(key: Ints, order: Ints | None, runs: int) -> Iterator[Any]:
    """Yield the rows of each run, in order."""
    bounds = np.searchsorted(key if order is None else key[order], np.arange(runs + 1))
    for start, end in pairwise(bounds):
        yield slice(start, end) if order is None else order[start:end]


def _whole(lengths: npt.NDArray[np.float64]) -> Ints:
    missing = np.isnan(lengths)
    whole = np.rint(np.where(missing, 0.0, lengths) * _NANOMETRES).astype(np.int64)
    return np.where(missing, _MISSING, whole)


def _hash(
    head: tuple[Any, ...], spelled: npt.NDArray[np.object_], place: Ints, numbers: list[Ints]
) -> str:
    there, counts = np.unique(place, return_counts=True)
    *names, moment = head
    text = json.dumps(["run", *names, str(moment), list(spelled[there])], ensure_ascii=False)
    hashed = hashlib.sha256(text.encode())
    for column in (counts, *numbers):
        hashed.update(b"\n" + column.astype("<i8").tobytes())
    return hashed.hexdigest()[:24]
