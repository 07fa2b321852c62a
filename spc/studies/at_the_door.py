"""Checks at the door: what a file says against what the store knows. Said, and kept with the file.

Nothing here stops a file but one contradiction that no later step could heal: a plan for centres of
the ball, and a file that says its positions are of the surface.
"""

import re
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import log
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.ingest.checked import DEVIATIONS, Results
from spc.plan import Plan
from spc.store import door, read
from spc.store.connection import Store, now
from spc.studies.identified import run_identities
from spc.studies.look_alikes import look_alikes
from spc.studies.told_nominals import other_nominals
from spc.units import mixed_up, spoken_factor

#: Things of one sort that are told one by one.
_TOLD = 3
#: A clock may be so much ahead without a word.
_AHEAD = pd.Timedelta(minutes=10)
#: Runs and points that a comparison of sizes needs, and how near a ratio must come to a factor.
_FEWEST_RUNS, _FEWEST_POINTS, _NEAR = 5, 6, log(2.0)
#: Batches whose numbers must follow time before a number is held against a time, and how many do.
_FEWEST_BATCHES, _IN_ORDER = 5, 0.9
#: Runs of a file stand in the order of time where, of so many steps and more, few lead back.
_FEWEST_STEPS, _BACK = 4, 0.1
#: Equal deviations on fewer points are chance.
_FEWEST_EQUAL = 4


def door_notes(
    store: Store, checked: Results, plans: Mapping[Any, Plan], fresh: pd.DataFrame,
    held: pd.DataFrame,
) -> list[str]:  # fmt: skip
    """Return what should be said of the runs that a file brings.

    Parameters
    ----------
    store
        An open store.
    checked
        The file.
    plans
        The plans of its parts.
    fresh
        Its runs that the store does not hold, with revision and run_id.
    held
        The store's runs, as ``read.known_runs`` returns them.

    Raises
    ------
    InputError
        Where the plan is for centres of the ball and the file says it holds points of the surface.
    """
    said = [
        *look_alikes(store, fresh, held),
        *_measured_again(fresh, held),
        *_future(fresh),
        *_backwards(fresh),
        *_copies(store, checked, fresh),
    ]
    for plan in {p.plan_id: p for p in plans.values()}.values():
        _refuse_centres(checked, plan)
        own = fresh[(fresh["part"] == plan.part) & (fresh["revision"] == plan.revision)]
        said += [
            *other_nominals(checked, plan),
            *_other_revision(store, plan, own),
            *_against_batches(store, plan, own),
            *_other_unit(store, checked, plan, own),
        ]
    return said


def _some(told: Sequence[str], what: str) -> list[str]:
    return _and_more(told[:_TOLD], len(told), what)


def _and_more(told: Sequence[str], count: int, what: str) -> list[str]:
    return [*told, *([f"and {count - len(told)} more {what}"] if count > len(told) else [])]


def _label(run: Any, serial: Any) -> str:
    return f"run '{run}' of serial '{serial}'"


# --- pieces and times ----------------------------------------------------------------------------


def _measured_again(fresh: pd.DataFrame, held: pd.DataFrame) -> list[str]:
    """Say which pieces were measured before, outside of studies, here or in the store.

    Of a piece the run measured last counts, whichever came in first.
    """
    piece = ["part", "serial"]
    held = held.sort_values("measured_at", na_position="first", kind="stable")
    both = pd.concat(
        [
            frame.loc[frame["study"] == "", [*piece, "run", "measured_at"]].assign(
                here=frame is fresh
            )
            for frame in (held, fresh)
        ]
    )
    by = both.groupby(piece, sort=False)
    both["after"], both["before_at"] = by["run"].shift(), by["measured_at"].shift()
    again = both[both["here"] & both["after"].notna()]
    told = [_again(row) for row in again.head(_TOLD).to_dict("records")]
    return _and_more(told, len(again), "pieces measured again")


def _again(row: Mapping[Any, Any]) -> str:
    piece = f"piece '{row['serial']}'"
    counts = "of its runs the last one that could be aligned counts"
    if row["measured_at"] < row["before_at"]:
        return (
            f"{piece} is measured again, and time runs backwards: run '{row['run']}' is dated "
            f"{row['measured_at']:%Y-%m-%d %H:%M} UTC, before run '{row['after']}' "
            f"({row['before_at']:%Y-%m-%d %H:%M}); {counts}, by these times: look at the clock"
        )
    return f"{piece} is measured again: run '{row['run']}' after run '{row['after']}'; {counts}"


def _backwards(fresh: pd.DataFrame) -> list[str]:
    """Say where an arm's clock jumped back from one run of the file to the next.

    Only where the file's other runs stand in the order of time; a list may be sorted otherwise.
    """
    told = []
    for _, runs in fresh[fresh["measured_at"].notna()].groupby("device", sort=False):
        steps = runs["measured_at"].diff().dropna() < pd.Timedelta(0)
        if len(steps) < _FEWEST_STEPS or not 0 < steps.sum() <= max(1, _BACK * len(steps)):
            continue
        at = int(np.flatnonzero(steps)[0])
        before, after = (runs.iloc[k] for k in (at, at + 1))
        earlier, above = after["measured_at"], _label(before["run"], before["serial"])
        told.append(
            f"time runs backwards: {_label(after['run'], after['serial'])} is dated "
            f"{earlier:%Y-%m-%d %H:%M} UTC, and {above}, which stands above it, "
            f"{before['measured_at']:%Y-%m-%d %H:%M}: look at the clock"
        )
    return _some(told, "clocks that run backwards")


def _future(fresh: pd.DataFrame) -> list[str]:
    late = fresh[fresh["measured_at"] > pd.Timestamp(now()) + _AHEAD]
    if late.empty:
        return []
    first: Any = late.iloc[0]
    others = f", and {len(late) - 1} more" if len(late) > 1 else ""
    return [
        f"{_label(first['run'], first['serial'])} is dated {first['measured_at']:%Y-%m-%d %H:%M} "
        f"UTC, later than now{others}: look at the clock and the time zone"
    ]


def _against_batches(store: Store, plan: Plan, fresh: pd.DataFrame) -> list[str]:
    """Say where a batch was measured before the one with the number below it.

    Only where the store's own batches show that their numbers follow time.
    """
    dated = fresh[(fresh["study"] == "") & (fresh["batch"] != "") & fresh["measured_at"].notna()]
    firsts = dated.groupby("batch")["measured_at"].min()
    if firsts.empty:
        return []
    series = _in_series(door.batch_firsts(store, plan.part))
    told = []
    for batch, first in firsts.items():
        head, number = _numbered(str(batch))
        before = series.get(head, [])
        below = bisect_left(before, number, key=lambda one: one[0])
        if below:
            _, name, at = before[below - 1]
            if first < at:
                told.append(
                    f"batch '{batch}' is dated {first:%Y-%m-%d %H:%M} UTC, before batch '{name}' "
                    f"({at:%Y-%m-%d %H:%M}): look at the clock, or at the batch"
                )
    return _some(told, "batches before the one below them")


def _numbered(batch: str) -> tuple[str, int]:
    """Return what stands before the last number of a batch's name, and the number."""
    found = re.fullmatch(r"(.*?)([0-9]{1,15})", batch)
    return (found.group(1), int(found.group(2))) if found else (batch, -1)


def _in_series(known: pd.DataFrame) -> dict[str, list[tuple[int, str, pd.Timestamp]]]:
    """Return, for each beginning of names, its batches by number, where these follow time."""
    series: dict[str, list[tuple[int, str, pd.Timestamp]]] = {}
    for batch, at in known.itertuples(index=False):
        head, number = _numbered(str(batch))
        if number >= 0:
            series.setdefault(head, []).append((number, str(batch), at))
    ordered = {head: sorted(batches) for head, batches in series.items()}
    return {
        head: batches
        for head, batches in ordered.items()
        if len(batches) >= _FEWEST_BATCHES and _follows_time(batches)
    }


def _follows_time(batches: Sequence[tuple[int, str, pd.Timestamp]]) -> bool:
    steps = [later[2] >= one[2] for one, later in pairwise(batches)]
    return sum(steps) >= _IN_ORDER * len(steps)


# --- plans ---------------------------------------------------------------------------------------


def _refuse_centres(checked: Results, plan: Plan) -> None:
    if checked.surface and plan.ball_radius:
        raise InputError(
            f"the file holds points of the surface, and the plan of {plan.part} {plan.revision} "
            "is for centres of the ball",
            file=checked.name, do="add a plan without [probe] centres, or export centres",
        )  # fmt: skip


def _other_revision(store: Store, plan: Plan, fresh: pd.DataFrame) -> list[str]:
    if fresh.empty:
        return []
    before = door.other_revisions(store, plan.part, plan.revision).drop_duplicates("serial")
    other = fresh[["serial"]].drop_duplicates().merge(before, on="serial")
    told = [
        f"piece '{row['serial']}' was measured to revision '{row['revision']}' before, and here to "
        f"'{plan.revision}'"
        for row in other.head(_TOLD).to_dict("records")
    ]
    return _and_more(told, len(other), "pieces of another revision")


# --- the same values again -----------------------------------------------------------------------


def _copies(store: Store, checked: Results, fresh: pd.DataFrame) -> list[str]:
    """Say which runs hold the very values of another run, in the file or in the store.

    One telling row of each run is looked for first; only runs that share it are compared whole.
    """
    values = _of_full_runs(checked.values, fresh)
    if values.empty:
        return []
    ready = checked.depth == DEVIATIONS
    probes = values.iloc[_largest(values["deviation"].abs() if ready else values["x"], values)]
    columns = ["point", "deviation"] if ready else ["point", "hit", "x", "y", "z"]
    look = door.runs_with_deviations if ready else door.runs_with_hits
    # The engine returns rows as it pleases; the same file says the same words each time.
    found = look(store, probes).sort_values(["key", "run", "serial"], ignore_index=True)
    alike = probes.loc[probes.duplicated(columns, keep=False), "key"]
    marks = _marks(values, {*alike, *found["key"]}, columns)
    label = fresh.set_index("key")[["run", "serial"]]
    told = []
    first: dict[str, Any] = {}
    for key, mark in marks.items():
        if first.setdefault(mark, key) != key:
            told.append(_copy(label.loc[key], label.loc[first[mark]]))
    wanted = found["run_id"].unique().tolist()
    held = door.deviations_of(store, wanted) if ready else read.hits(store, wanted)
    kept = _marks(held.assign(key=held["run_id"]), set(wanted), columns)
    for row in found.to_dict("records"):
        if marks[row["key"]] == kept.get(row["run_id"]):
            told.append(_copy(label.loc[row["key"]], row))
    return _some(told, "copies")


def _of_full_runs(values: pd.DataFrame, fresh: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of those runs that have enough of them to be told from others."""
    keys = values["key"].to_numpy()
    enough = np.zeros(int(keys.max(initial=-1)) + 1, dtype=np.bool_)
    enough[fresh["key"].to_numpy()] = True
    enough &= np.bincount(keys, minlength=len(enough)) >= _FEWEST_EQUAL
    return values if enough.all() else values[enough[keys]]


def _largest(telling: "pd.Series[float]", values: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Return the place of each run's largest number, the first where several are, by run."""
    keys, numbers = values["key"].to_numpy(), telling.to_numpy()
    order = None if (np.diff(keys) >= 0).all() else np.argsort(keys, kind="stable")
    if order is not None:
        keys, numbers = keys[order], numbers[order]
    starts = np.flatnonzero(np.diff(keys, prepend=keys[0] - 1))
    largest = np.maximum.reduceat(numbers, starts)
    at = np.flatnonzero(numbers == np.repeat(largest, np.diff(starts, append=len(keys))))
    first = at[np.diff(keys[at], prepend=keys[0] - 1) != 0]
    return np.asarray(first if order is None else order[first], dtype=np.int64)


def _copy(one: Any, other: Any) -> str:
    return (
        f"{_label(one['run'], one['serial'])} holds the very values of "
        f"{_label(other['run'], other['serial'])}: is it a copy under another name?"
    )


def _marks(values: pd.DataFrame, keys: set[Any], columns: list[str]) -> dict[Any, str]:
    """Return what runs with the very same values have in common, whatever they are called."""
    own = values.loc[values["key"].isin(keys), ["key", *columns]]
    place, there = pd.factorize(own["key"])
    nameless = pd.DataFrame("", index=range(len(there)), columns=["part", "serial", "run"])
    marks = run_identities(nameless.assign(measured_at=""), own.assign(key=place))
    return dict(zip(there, marks, strict=True))


# --- units of ready deviations -------------------------------------------------------------------


def _other_unit(store: Store, checked: Results, plan: Plan, fresh: pd.DataFrame) -> list[str]:
    """Say where ready deviations are as large against history as a wrong unit would make them.

    Positions tell their unit by the size of the piece; deviations only by those before them. Of a
    declared unit the others lie a factor of 25 and more away, so that a rough ratio tells them;
    where it does not tell two of them apart, both are named, the nearer first.
    """
    if checked.depth != DEVIATIONS or fresh.empty:
        return []
    known = door.deviation_sizes(store, plan.part, plan.revision)
    known = known[(known["runs"] >= _FEWEST_RUNS) & (known["size"] > 0)]
    before = known.set_index("point")["size"]
    values = checked.values[checked.values["key"].isin(fresh["key"])]
    size = values["deviation"] / values["point"].astype(object).map(before)
    if values["point"][size.notna()].nunique() < _FEWEST_POINTS or not size.any():
        return []
    ratio = float(np.sqrt((size**2).mean()))
    off = {words: abs(log(ratio / by)) for words, by in mixed_up(checked.unit).items()}
    near = sorted((words for words in off if off[words] <= _NEAR), key=lambda words: off[words])
    if not near:
        return []
    factors = mixed_up(checked.unit)
    told = " or ".join(f"{spoken_factor(factors[words])}, {words}" for words in near)
    seen = f"{ratio:.3g}" if ratio > 1 else f"1/{1 / ratio:.3g}"
    return [
        f"the deviations are {seen} times the size of those before, about a factor of {told}: "
        "look at the unit"
    ]
