"""Take a checked file into the store: runs, hits, fits and deviations, whole or not at all."""

from contextlib import nullcontext
from math import isnan
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError, NotFoundError
from spc.identity import content_hash, content_hashes
from spc.ingest.checked import DEVIATIONS, ArmChecks, Events, Results
from spc.plan import Plan
from spc.store import read, write
from spc.store.connection import Store, now
from spc.studies.arrays import columns_of, named
from spc.studies.at_the_door import door_notes
from spc.studies.events import check_identity, event_identity, of_nothing_known
from spc.studies.first_look import first_notes, refuse_strangers
from spc.studies.fitting import fit_rows
from spc.studies.identified import run_identities
from spc.studies.many_fits import fit_many
from spc.studies.pieces import piece_rows, said_otherwise
from spc.studies.reported import left_by_fits, reported_rows
from spc.studies.statuses import status_rows
from spc.studies.taken import Taken, TakenRun, nothing_new, taken_before

#: Kinds of files that hold no runs.
EVENTS, ARM_CHECKS = "events", "arm checks"
#: Run columns as the store has them.
_RUN_COLUMNS = [
    "run_id", "piece_id", "part", "revision", "serial", "run", "depth", "measured_at", "zone",
    "operator", "device", "probe", "setup", "study", "part_temp_c", "hours_since_moulding",
    "mould", "cavity", "batch", "file_id", "taken_at",
]  # fmt: skip


def take_file(
    store: Store, checked: Results | Events | ArmChecks, who: str, *, correction: str = "",
    keep: bool = True,
) -> Taken:  # fmt: skip
    """Take a checked file; the same file again changes nothing.

    Parameters
    ----------
    store
        An open store.
    checked
        What a reader returned.
    who
        Who takes it.
    correction
        Reason for which mould, cavity and batch of pieces already known may differ; they are then
        corrected by further rows. Empty: a contradiction is refused.
    keep
        False to do all of it and write nothing.

    Raises
    ------
    InputError
        Where the file contradicts the plan or the store; nothing is written then.
    """
    before = taken_before(store, checked.name, checked.file_id)
    if before is not None:
        return before
    if isinstance(checked, Events):
        return _take_rows(store, checked, EVENTS, "event", _event_rows(checked), who, keep)
    if isinstance(checked, ArmChecks):
        return _take_rows(store, checked, ARM_CHECKS, "arm_check", _check_rows(checked), who, keep)
    return _take_results(store, checked, who, correction, keep)


def _event_rows(checked: Events) -> pd.DataFrame:
    rows = checked.events.copy()
    return rows.assign(event_id=[event_identity(row) for row in rows.to_dict("records")])


def _check_rows(checked: ArmChecks) -> pd.DataFrame:
    rows = checked.checks
    return rows.assign(check_id=[check_identity(row) for row in rows.to_dict("records")])


def _take_rows(
    store: Store, checked: Events | ArmChecks, kind: str, table: str, rows: pd.DataFrame, who: str,
    keep: bool,
) -> Taken:  # fmt: skip
    """Take rows that stand by themselves: those that the store does not hold yet."""
    identity = f"{table.removeprefix('arm_')}_id"
    rows = rows.drop_duplicates(identity)
    known = set(read.table(store, table)[identity])
    fresh = rows[~rows[identity].isin(known)].assign(file_id=checked.file_id, taken_at=now())
    if fresh.empty:
        return nothing_new(checked.name, kind, checked.rows, len(rows), ())
    unit = checked.unit if isinstance(checked, ArmChecks) else ""
    said = of_nothing_known(store, fresh["part"], fresh["mould"]) if kind == EVENTS else ()
    if keep:
        write.take_file(store, _origin(checked, kind, unit, said, who), {table: fresh})
    return Taken(
        name=checked.name,
        kind=kind,
        already=False,
        rows=checked.rows,
        new=len(fresh),
        known=len(rows) - len(fresh),
        runs=(),
        warnings=said,
    )


def _origin(
    checked: Results | Events | ArmChecks,
    kind: str,
    unit: str,
    warnings: tuple[str, ...],
    who: str,
) -> write.Origin:
    return write.Origin(
        file_id=checked.file_id,
        name=checked.name,
        kind=kind,
        size=checked.size,
        rows=checked.rows,
        runs=len(checked.runs) if isinstance(checked, Results) else checked.rows,
        unit=unit,
        zone=checked.zone,
        warnings=warnings,
        who=who,
    )


def _take_results(store: Store, checked: Results, who: str, correction: str, keep: bool) -> Taken:
    plans = _plans(store, checked)
    runs = _identified(checked, plans)
    held = read.known_runs(store)
    fresh = _fresh(checked, runs, held)
    # Known runs count too: a file that says another mould of them corrects it, or is refused.
    pieces, told = piece_rows(store, checked, runs, who, correction)
    told += said_otherwise(runs, held)
    if fresh.empty and pieces.empty:
        warnings = (*checked.warnings, *told)
        return nothing_new(checked.name, checked.depth, checked.rows, len(runs), warnings)
    told += door_notes(store, checked, plans, fresh, held)
    fresh = fresh.assign(file_id=checked.file_id, taken_at=now(), depth=checked.depth)
    tables = {"run": fresh[_RUN_COLUMNS], "piece": pieces, "gauge_study": _studies(store, fresh)}
    with write.taking(store) if keep else nullcontext() as into:
        made, taken, said = _computed(checked, plans, fresh, into)
        tables |= made | status_rows(checked, fresh)
        warnings = (*checked.warnings, *told, *said)
        if into is not None:
            into.whole(_origin(checked, checked.depth, checked.unit, warnings, who), tables)
    return Taken(
        name=checked.name,
        kind=checked.depth,
        already=False,
        rows=checked.rows,
        new=len(fresh),
        known=len(runs) - len(fresh),
        runs=taken,
        warnings=warnings,
    )


def _plans(store: Store, checked: Results) -> dict[tuple[str, str], Plan]:
    """Return the plan of each part and revision in the file; its points must be in it."""
    plans = {}
    for row in checked.runs.drop_duplicates(["part", "revision"]).to_dict("records"):
        key = (str(row["part"]), str(row["revision"]))
        try:
            plans[key] = read.plan(store, key[0], key[1] or None)
        except NotFoundError as error:
            raise _without_plan(store, key, str(error), checked.name, int(row["line"])) from None
    for (part, revision), plan in plans.items():
        here = (checked.runs["part"] == part) & (checked.runs["revision"] == revision)
        _refuse_unknown_points(checked, plan, here.to_numpy())
    return plans


def _without_plan(store: Store, key: tuple[str, str], what: str, file: str, row: int) -> InputError:
    """Return the refusal of a part or a revision that no plan, or more than one, is for."""
    parts = read.plans(store)["part"]
    known = bool((parts == key[0]).any())
    # Where there is no plan at all, or several could be meant, the words say what to do already.
    do = "correct the file, or add its plan first" if len(parts) and (key[1] or not known) else ""
    column = "revision" if known else "part"
    return InputError(what, file=file, row=row, column=column, do=do)


def _refuse_unknown_points(checked: Results, plan: Plan, runs: npt.NDArray[np.bool_]) -> None:
    unknown = columns_of(checked.values["point"], tuple(p.id for p in plan.points)) < 0
    unknown &= runs[checked.values["key"].to_numpy()]
    if unknown.any():
        first = checked.values.iloc[int(np.argmax(unknown))]
        raise InputError(
            f"unknown point '{first['point']}'",
            file=checked.name,
            row=int(first["line"]),
            column="point",
            do=f"the plan of {plan.part} {plan.revision} has {_some([p.id for p in plan.points])}",
        )


def _some(names: list[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _identified(checked: Results, plans: dict[tuple[str, str], Plan]) -> pd.DataFrame:
    """Give each run its revision and its content hash."""
    runs = checked.runs.copy()
    of_run = [plans[key] for key in zip(runs["part"], runs["revision"], strict=True)]
    runs["revision"] = [plan.revision for plan in of_run]
    values = checked.values
    if checked.depth == DEVIATIONS:
        values = values.assign(residual=left_by_fits(values, of_run))
    runs["run_id"] = run_identities(runs, values)
    runs["piece_id"] = ""
    for part, own in runs.groupby("part", sort=False):
        found = content_hashes(own["serial"], before=("piece", str(part)))
        runs.loc[own.index, "piece_id"] = found
    return runs


def _fresh(checked: Results, runs: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
    """Return runs that the store does not hold; a label known with other values is refused."""
    fresh = runs[~runs.run_id.isin(set(known.run_id))]
    label = ["part", "serial", "run"]
    clash = fresh.merge(known[label], on=label)
    if len(clash):
        first: Any = clash.iloc[0]
        raise InputError(
            f"run '{first['run']}' of serial '{first.serial}' is in the store with other values",
            file=checked.name,
            row=int(first["line"]),
            column="run",
            do="give a re-measured piece a run label of its own; both are then kept",
        )
    return fresh


def _studies(store: Store, fresh: pd.DataFrame) -> pd.DataFrame:
    named = fresh[fresh["study"] != ""].drop_duplicates(["part", "study"])
    rows = named[["part", "study", "file_id"]].copy()
    rows["study_id"] = [
        content_hash("study", p, s) for p, s in zip(rows["part"], rows["study"], strict=True)
    ]
    known = set(read.table(store, "gauge_study").study_id)
    return rows[~rows.study_id.isin(known)].assign(recorded_at=now())


def _computed(
    checked: Results, plans: dict[tuple[str, str], Plan], fresh: pd.DataFrame,
    into: write.Taking | None,
) -> tuple[dict[str, pd.DataFrame], tuple[TakenRun, ...], list[str]]:  # fmt: skip
    """Fit the runs of each part, or take over what the file brought ready.

    Where there is somewhere to write to, hits are on their way there already.
    """
    frames: dict[str, list[pd.DataFrame]] = {}
    taken: list[TakenRun] = []
    said: list[str] = []
    for plan in {p.plan_id: p for p in plans.values()}.values():
        runs = fresh[(fresh["part"] == plan.part) & (fresh["revision"] == plan.revision)]
        if runs.empty:
            continue
        values, rows = _values_of(checked, runs)
        if checked.depth == DEVIATIONS:
            fit, rest = reported_rows(plan, values, rows, list(runs.run_id), pd.Timestamp(now()))
            made = {"fit": fit, "deviation": rest}
        else:
            fit, made, notes = _fitted_tables(checked, plan, runs, values, rows, into)
            said += notes
        for table, frame in made.items():
            frames.setdefault(table, []).append(frame)
        taken += _taken_runs(plan, runs, fit)
    return {t: _together(f) for t, f in frames.items()}, tuple(taken), said


def _together(frames: list[pd.DataFrame]) -> pd.DataFrame:
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)


def _values_of(checked: Results, runs: pd.DataFrame) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    """Return the values of these runs, and for each the place of its run among them."""
    place = np.full(len(checked.runs), -1, dtype=np.int64)
    place[runs["key"].to_numpy()] = np.arange(len(runs))
    rows = place[checked.values["key"].to_numpy()]
    if len(runs) == len(checked.runs):
        return checked.values, rows
    return checked.values[rows >= 0], rows[rows >= 0]


def _fitted_tables(
    checked: Results,
    plan: Plan,
    runs: pd.DataFrame,
    values: pd.DataFrame,
    rows: npt.NDArray[np.int64],
    into: write.Taking | None,
) -> tuple[pd.DataFrame, dict[str, pd.DataFrame], list[str]]:
    """Return the fits, the tables that are still to be written, and what is said of the runs."""
    run_ids = list(runs.run_id)
    hits = values[["point", "hit", "x", "y", "z", "station", "line"]].assign(
        run_id=named(rows, run_ids)
    )
    beside = _Beside(into)
    fitted, wrong = fit_many(
        plan, values, rows, len(runs),
        # Not before nothing can be refused any more: what is begun leaves its traces in the file.
        lambda some: beside.once("hit", hits) if some.resembles.any() else None,
    )  # fmt: skip
    refuse_strangers(checked, plan, runs, fitted, wrong)
    fit, deviation = fit_rows(
        fitted, run_ids, pd.Timestamp(now()), begun=lambda rows: beside.once("deviation", rows)
    )
    made = {"fit": fit, "deviation": deviation}
    left = {table: frame for table, frame in made.items() if table not in beside.begun}
    return fit, left, first_notes(runs, fitted, wrong)


class _Beside:
    """What of a plan's runs is on its way into the store already."""

    def __init__(self, into: write.Taking | None) -> None:
        self._into = into
        self.begun: set[str] = set()

    def once(self, table: str, rows: pd.DataFrame) -> None:
        """Begin to write a table, where there is somewhere to write to and it is not begun yet."""
        if self._into is not None and table not in self.begun:
            self._into.beside(table, rows)
            self.begun.add(table)


def _taken_runs(plan: Plan, runs: pd.DataFrame, fit: pd.DataFrame) -> list[TakenRun]:
    found = fit.set_index("run_id").reindex(runs["run_id"])
    names = runs[["run_id", "part", "serial", "run", "batch"]].to_numpy(dtype=object).tolist()
    figures = found[["noise", "worst_residual", "n_points"]].to_numpy(dtype=np.float64).tolist()
    points = found["worst_point"].to_numpy(dtype=object)
    wanted = len(plan.fit_points)
    limit = np.inf if plan.residual_limit is None else plan.residual_limit
    return [
        TakenRun(
            run_id=run_id, part=part, serial=serial, run=run, batch=batch, noise=noise,
            worst_point="" if isnan(held) else str(point), worst_residual=worst,
            beyond_limit=abs(worst) > limit, note=_held_by(held, wanted),
        )
        for (run_id, part, serial, run, batch), point, (noise, worst, held) in zip(
            names, points, figures, strict=True
        )
    ]  # fmt: skip


def _held_by(held: float, wanted: int) -> str:
    """Say where a run is held by fewer fit points than there are; NaN where it is not aligned."""
    if isnan(held):
        return "not aligned"
    return f"{wanted - int(held)} of {wanted} fit points not measured" if held < wanted else ""
