"""Frozen limits: stored with who, when, why and from which runs."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from spc.store import read
from spc.store.connection import Store

FREEZE, RETIRE = "freeze", "retire"
PLAIN, TWO_THIRDS = "plain", "two thirds"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSet:
    """Limits of one series on one mould.

    Parameters
    ----------
    limit_set_id
        Content hash.
    part, revision, series, mould, by
        What they are for; ``by`` is piece or batch.
    scale
        ``plain``, or ``two thirds`` where centre and sigma are of the value's power 2/3.
    center, sigma, sigma_df
        In that scale, mm; effective degrees of freedom.
    lower, upper
        Limits in mm.
    n
        Values they stand on.
    estimator, width, rules
        How they were made, and the rules that go with them.
    baseline, baseline_from, baseline_to
        The baseline as named, and its times, UTC.
    valid_from, valid_to
        In force from, and up to; None while in force.
    why, who, decided_at
        The decision.
    """

    limit_set_id: str
    part: str
    revision: str
    series: str
    mould: str
    by: str
    scale: str
    center: float
    sigma: float
    sigma_df: float
    lower: float
    upper: float
    n: int
    estimator: str
    width: float
    rules: tuple[str, ...]
    baseline: str
    baseline_from: datetime
    baseline_to: datetime
    valid_from: datetime
    valid_to: datetime | None
    why: str
    who: str
    decided_at: datetime


def limit_sets(store: Store, part: str, revision: str) -> tuple[LimitSet, ...]:
    """Return the sets of a part, retired ones with their end, in order of validity.

    A later set of the same series and mould ends the one before from its own first day.
    """
    rows = read.limit_rows(store, part, revision)
    retired = {
        str(row["limit_set_id"]): row["valid_from"]
        for row in rows[rows["action"] == RETIRE].to_dict("records")
    }
    frozen = rows[rows["action"] == FREEZE].sort_values(["valid_from", "decided_at"])
    sets: list[LimitSet] = []
    for _, group in frozen.groupby(["series", "mould", "unit_of_time"], sort=False):
        records = group.to_dict("records")
        following = [r["valid_from"] for r in records[1:]] + [pd.NaT]
        sets += [_set(r, retired, after) for r, after in zip(records, following, strict=True)]
    return tuple(sorted(sets, key=lambda s: (s.valid_from, s.series, s.mould)))


def _set(row: Any, retired: dict[str, Any], after: Any) -> LimitSet:
    ends = [e for e in (retired.get(str(row["limit_set_id"])), after) if e is not None]
    ends = [e for e in ends if not pd.isna(e)]
    cells: dict[str, Any] = {key: str(row[key]) for key in _TEXTS}
    cells |= {key: float(row[key]) for key in _NUMBERS}
    cells |= {key: row[key].to_pydatetime() for key in _TIMES}
    return LimitSet(
        **cells,
        by=str(row["unit_of_time"]),
        n=int(row["n"]),
        rules=tuple(str(row["rules"]).split(", ")),
        valid_to=min(ends).to_pydatetime() if ends else None,
    )


_TEXTS = ("limit_set_id", "part", "revision", "series", "mould", "scale", "estimator", "baseline",
          "why", "who")  # fmt: skip
_NUMBERS = ("center", "sigma", "sigma_df", "lower", "upper", "width")
_TIMES = ("baseline_from", "baseline_to", "valid_from", "decided_at")


def set_numbers(
    sets: tuple[LimitSet, ...], series: str, mould: str, by: str, times: np.ndarray[Any, Any]
) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Return which of ``sets`` is in force at each time, -1 where none.

    Over its own baseline a set shows too, where no other was in force.
    """
    found = np.full(len(times), -1, dtype=np.int64)
    for number, one in enumerate(sets):
        if (one.series, one.mould, one.by) != (series, mould, by):
            continue
        start, end = np.datetime64(one.valid_from), np.datetime64(one.valid_to or datetime.max)
        found[(times >= start) & (times < end)] = number
        base = (times >= np.datetime64(one.baseline_from)) & (
            times <= np.datetime64(one.baseline_to)
        )
        found[base & (found < 0)] = number
    return found
