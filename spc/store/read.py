"""Reading: one function a question, one frame an answer."""

from typing import Any

import pandas as pd

from spc.choices import with_chosen
from spc.errors import NotFoundError
from spc.identity import looks
from spc.plan import Plan, PlanPoint
from spc.store import holding
from spc.store.connection import Store

#: The working fit of each run in the result set asked for: the last one.
_WORKING = f"""
    SELECT * FROM ({holding.FITS}) WHERE result_set = ?
    QUALIFY row_number() OVER (PARTITION BY run_id ORDER BY fitted_at DESC, fit_id) = 1"""

#: Every run with its piece as last recorded, its working fit and whether another run of the same
#: piece outside a study stands in its place: of those that were aligned the one measured last, for
#: a run that cannot be aligned says nothing that could stand for an earlier one.
_RUNS = f"""
WITH piece_now AS ({holding.PIECES}), run_now AS ({holding.RUNS}), working AS ({_WORKING})
SELECT r.run_id, r.part, r.revision, r.serial, r.run, r.depth, r.measured_at, r.zone, r.operator,
    r.device, r.probe, r.setup, r.study, r.part_temp_c, r.hours_since_moulding,
    p.mould, p.cavity, p.batch, r.file_id, r.taken_at, r.piece_id,
    w.fit_id, w.plan_id, w.origin, w.method, w.omitted, w.n_points, w.dof, w.ssr, w.noise,
    w.worst_point, w.worst_residual, w.hit_sd, w.hit_dof, w.iterations,
    r.study = '' AND row_number() OVER (
        PARTITION BY r.piece_id, r.study = ''
        ORDER BY w.fit_id IS NULL, r.measured_at DESC NULLS LAST, r.taken_at DESC, r.run DESC
    ) > 1 AS superseded
FROM run_now r JOIN piece_now p USING (piece_id) LEFT JOIN working w USING (run_id)
"""


def plans(store: Store) -> pd.DataFrame:
    """Return every plan, the last added of a part revision being the one in force."""
    return store.frame(f"""
        WITH counted AS (
            SELECT plan_id, count(*) FILTER (role = 'fit') AS fit_points,
                count(*) FILTER (role = 'check') AS check_points
            FROM plan_point GROUP BY plan_id)
        SELECT l.plan_id, l.part, l.revision, l.name, l.unit, l.fit_method, l.residual_limit,
            l.added_at, l.added_by, c.fit_points, c.check_points,
            row_number() OVER (PARTITION BY l.part, l.revision
                               ORDER BY l.added_at DESC, l.plan_id) = 1 AS in_force
        FROM ({holding.PLANS}) l JOIN counted c USING (plan_id) WHERE l.purpose = ''
        ORDER BY l.part, l.revision, l.added_at""")


def plan(store: Store, part: str | None, revision: str | None = None) -> Plan:
    """Return the plan in force of a part; without a name, of the only part in the store.

    Raises
    ------
    NotFoundError
        Where there is no such part, or more than one could be meant.
    """
    found = plans(store)
    if found.empty:
        raise NotFoundError("the store holds no measurement plan; add one with 'spc plan add FILE'")
    known = sorted({f"{a} {b}".strip() for a, b in zip(found.part, found.revision, strict=True)})
    if part is not None:
        found = found[found.part == part]
    if revision is not None:
        found = found[found.revision == revision]
    named = found[["part", "revision"]].drop_duplicates()
    if named.empty:
        wanted = " ".join(x for x in (part, revision) if x)
        what = "part" if part else "revision"
        alike = [name for name in known if looks(name) == looks(wanted)]
        raise NotFoundError(
            f"no plan for {what} '{wanted}' in the store; it holds {', '.join(known)}"
            + (f", where '{alike[0]}' looks like it and is written otherwise" if alike else "")
        )
    if len(named) > 1:
        raise NotFoundError(
            f"more than one part or revision could be meant ({', '.join(known)}); "
            "say which with --part and --revision"
        )
    return plan_by_id(store, str(found[found.in_force].plan_id.iloc[0]))


def plan_by_id(store: Store, plan_id: str) -> Plan:
    """Return the plan of that identity."""
    head = store.frame(
        "SELECT * FROM plan WHERE plan_id = ? ORDER BY purpose, added_at DESC", [plan_id]
    )
    if head.empty:
        raise NotFoundError(f"no plan {plan_id} in the store; 'spc plan list' shows what there is")
    rows = store.frame("SELECT * FROM plan_point WHERE plan_id = ? ORDER BY seq", [plan_id])
    row: Any = head.iloc[0]
    plan = Plan(
        plan_id=plan_id,
        part=row.part,
        revision=row.revision,
        name=row["name"],
        unit=row.unit,
        method=row.fit_method,
        residual_limit=_optional(row.residual_limit),
        source=row.source,
        points=tuple(_plan_point(q) for q in rows.itertuples(index=False)),
    )
    return with_chosen(plan, row.choices if isinstance(row.choices, str) else "")


def has_plan(store: Store, plan_id: str) -> bool:
    """Tell whether the store holds a plan, in force or not."""
    return bool(store.scalar("SELECT count(*) FROM plan WHERE plan_id = ?", [plan_id]))


def fitted_plans(store: Store, part: str, revision: str) -> dict[str, int]:
    """Return the plans that runs of a part revision are fitted to, each with how many runs."""
    found = store.frame(
        """
        SELECT f.plan_id, count(DISTINCT f.run_id) AS runs
        FROM fit f SEMI JOIN (SELECT run_id FROM run WHERE part = ? AND revision = ?) r
        USING (run_id) WHERE f.result_set = '' GROUP BY f.plan_id ORDER BY f.plan_id""",
        [part, revision],
    )
    return {str(name): int(runs) for name, runs in found.itertuples(index=False)}


def _plan_point(row: Any) -> PlanPoint:
    return PlanPoint(
        id=row.point,
        role=row.role,
        group=row.point_group,
        weight=float(row.weight),
        nominal=(float(row.nominal_x), float(row.nominal_y), float(row.nominal_z)),
        normal=(float(row.normal_x), float(row.normal_y), float(row.normal_z)),
        lower=_optional(row.lower),
        upper=_optional(row.upper),
    )


def _optional(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)


def runs(
    store: Store,
    part: str | None = None,
    revision: str | None = None,
    *,
    result_set: str = "",
) -> pd.DataFrame:
    """Return runs in the order they were measured, with piece, fit of the set, ``superseded``."""
    clauses: list[str] = []
    values = [result_set]
    for column, value in (("part", part), ("revision", revision)):
        if value is not None:
            clauses.append(f"{column} = ?")
            values.append(value)
    where = f" WHERE {' AND '.join(clauses)}" if clauses else ""
    return store.frame(
        f"SELECT * FROM ({_RUNS}){where} ORDER BY measured_at NULLS LAST, taken_at, serial, run",
        values,
    )


def deviations(store: Store, part: str, revision: str, *, result_set: str = "") -> pd.DataFrame:
    """Return one result set's deviations of every run of a part revision, one row a point."""
    return store.frame(
        f"""
        WITH working AS ({_WORKING})
        SELECT d.run_id, d.point, d.role, d.deviation, d.residual, d.hits, d.hit_sd, d.tangential
        FROM deviation d JOIN working USING (fit_id)
        SEMI JOIN (SELECT run_id FROM run WHERE part = ? AND revision = ?) r ON r.run_id = d.run_id
        """,
        [result_set, part, revision],
    )


def hits(store: Store, run_ids: list[str]) -> pd.DataFrame:
    """Return the probed positions of these runs, in the arm's frame."""
    wanted = pd.DataFrame({"run_id": pd.Series(run_ids, dtype="object")})
    return store.frame(
        "SELECT h.* FROM hit h WHERE h.run_id IN (SELECT unnest(?::VARCHAR[])) "
        "ORDER BY h.run_id, h.line",
        [wanted.run_id.tolist()],
    )


def reported_statuses(store: Store, run_ids: list[str]) -> pd.DataFrame:
    """Return what files report of the characteristics of these runs, in the files' order."""
    return store.frame(
        f"""
        SELECT DISTINCT r.run, r.serial, s.* EXCLUDE (run_id, file_id)
        FROM reported_status s JOIN ({holding.RUNS}) r USING (run_id)
        WHERE run_id IN (SELECT unnest(?::VARCHAR[])) ORDER BY serial, run, line, characteristic""",
        [run_ids],
    )


def fits(store: Store, run_id: str) -> pd.DataFrame:
    """Return every fit of a run, the newest first."""
    return store.frame(
        f"SELECT * FROM ({holding.FITS}) WHERE run_id = ? ORDER BY fitted_at DESC, fit_id", [run_id]
    )


def fit_deviations(store: Store, fit_id: str) -> pd.DataFrame:
    """Return the deviations of one fit."""
    return store.frame("SELECT * FROM deviation WHERE fit_id = ?", [fit_id])


def known_runs(store: Store) -> pd.DataFrame:
    """Return identity, name and circumstances of every run, as its file named them."""
    return store.frame(
        "SELECT run_id, part, serial, run, operator, device, probe, setup, study, part_temp_c, "
        f"hours_since_moulding, measured_at FROM ({holding.RUNS_AS_TAKEN})"
    )


def known_pieces(store: Store) -> pd.DataFrame:
    """Return every piece as last recorded."""
    return store.frame(f"{holding.PIECES} ORDER BY piece_id")


def file_taken(store: Store, file_id: str) -> pd.DataFrame:
    """Return the row of a file taken before, or an empty frame."""
    return store.frame(f"SELECT * FROM ({holding.FILES}) WHERE file_id = ?", [file_id])


def has_file_of(store: Store, size: int) -> bool:
    """Tell whether a file of so many bytes was taken."""
    return bool(store.scalar("SELECT count(*) FROM source_file WHERE bytes = ?", [size]))


def files(store: Store) -> pd.DataFrame:
    """Return every file taken, in order."""
    return store.frame(f"SELECT * FROM ({holding.FILES}) ORDER BY taken_at, name")


def moulds(store: Store) -> list[str]:
    """Return every mould that a piece came from."""
    found = store.frame(f"SELECT DISTINCT mould FROM ({holding.PIECES}) ORDER BY mould")
    return [str(mould) for mould in found["mould"] if mould]


def events(store: Store, part: str | None = None) -> pd.DataFrame:
    """Return events in order of time: those of the part, and those that concern every part."""
    where = "" if part is None else " WHERE part IN ('', ?)"
    return store.frame(
        f"SELECT * FROM ({holding.EVENTS}){where} ORDER BY happened_at, kind, note",
        [] if part is None else [part],
    )


def omissions(store: Store, run_id: str | None = None) -> pd.DataFrame:
    """Return omissions and restorations, the oldest first."""
    if run_id is None:
        return store.frame("SELECT * FROM omission ORDER BY decided_at")
    return store.frame("SELECT * FROM omission WHERE run_id = ? ORDER BY decided_at", [run_id])


def studies(store: Store) -> pd.DataFrame:
    """Return gauge studies with the number of their runs."""
    return store.frame(f"""
        SELECT g.study, g.part, count(r.run_id) AS runs, count(DISTINCT r.piece_id) AS pieces,
            count(DISTINCT r.operator) AS operators, min(r.measured_at) AS first_measured,
            max(r.measured_at) AS last_measured
        FROM ({holding.STUDIES}) g
        JOIN ({holding.RUNS}) r ON r.study = g.study AND r.part = g.part
        GROUP BY g.study, g.part ORDER BY g.part, g.study""")


def last_measured(store: Store, device: str) -> pd.Timestamp | None:
    """Return when an arm measured last, UTC; None where it never did at a known time."""
    newest = store.scalar(
        f"SELECT max(measured_at) FROM ({holding.RUNS}) WHERE device = ?", [device]
    )
    return None if newest is None else pd.Timestamp(newest)


def fits_of_set(store: Store, result_set: str) -> list[str]:
    """Return the identities of the fits of a set of results."""
    found = store.frame("SELECT DISTINCT fit_id FROM fit WHERE result_set = ?", [result_set])
    return [str(name) for name in found["fit_id"]]


def table(store: Store, name: str) -> pd.DataFrame:
    """Return a whole table, for export."""
    return store.frame(f'SELECT * FROM "{name}"')


def table_names(store: Store) -> list[str]:
    """Return the names of the store's tables."""
    found = store.frame(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() "
        "ORDER BY table_name"
    )
    return [str(name) for name in found.table_name]


def transforms(store: Store, run_ids: list[str], *, result_set: str = "") -> pd.DataFrame:
    """Return the working fit's rotation and translation (JSON lists) of these runs."""
    return store.frame(
        f"SELECT run_id, rotation, translation FROM ({_WORKING}) "
        "WHERE run_id IN (SELECT unnest(?::VARCHAR[]))",
        [result_set, run_ids],
    )


def result_sets(store: Store) -> pd.DataFrame:
    """Return the sets of results beside the working one, with their plan and size."""
    return store.frame("""
        SELECT f.result_set, f.plan_id, l.part, l.revision, count(DISTINCT f.run_id) AS runs,
            min(f.fitted_at) AS fitted_at
        FROM fit f JOIN (SELECT DISTINCT plan_id, part, revision FROM plan) l USING (plan_id)
        WHERE f.result_set <> '' GROUP BY f.result_set, f.plan_id, l.part, l.revision
        ORDER BY fitted_at""")


def limit_rows(store: Store, part: str, revision: str) -> pd.DataFrame:
    """Return freezes and retirements of limits, the oldest first."""
    return store.frame(
        f"SELECT * FROM ({holding.LIMITS}) WHERE part = ? AND revision = ? "
        "ORDER BY decided_at, series",
        [part, revision],
    )


def signal_rows(store: Store, part: str) -> pd.DataFrame:
    """Return answers to signals of a part."""
    return store.frame(
        f"SELECT * FROM ({holding.SIGNALS}) WHERE part = ? ORDER BY recorded_at", [part]
    )


def arm_checks(store: Store, device: str | None = None) -> pd.DataFrame:
    """Return readings of reference artefacts in order of time."""
    where = "" if device is None else " WHERE device = ?"
    return store.frame(
        f"SELECT * FROM ({holding.ARM_CHECKS}){where} ORDER BY checked_at, artefact, place, trial",
        [] if device is None else [device],
    )
