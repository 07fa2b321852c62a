"""Looking through a store as a store: what there is of what, for its overview, check and merge."""

from datetime import datetime

import pandas as pd

from spc.store import holding
from spc.store.connection import Store
from spc.store.read import table_names


def run_rows(store: Store) -> pd.DataFrame:
    """Return every row of the runs as files named them, and the hits of each run."""
    return store.frame("""
        SELECT r.*, coalesce(h.hits, 0) AS hits FROM run r
        LEFT JOIN (SELECT run_id, count(*) AS hits FROM hit GROUP BY run_id) h USING (run_id)
        ORDER BY r.part, r.serial, r.run, r.taken_at""")


def positions(store: Store, run_ids: list[str]) -> pd.DataFrame:
    """Return run, point, number and place of the hits of these runs; names as categories."""
    found = store.frame(
        "SELECT run_id, point, hit, x, y, z FROM hit WHERE run_id IN (SELECT unnest(?::VARCHAR[]))",
        [run_ids],
    )
    return found.astype({"run_id": "category", "point": "category"})


def fits_of(store: Store, run_ids: list[str]) -> pd.DataFrame:
    """Return every fit of these runs."""
    return store.frame(
        f"SELECT * FROM ({holding.FITS}) WHERE run_id IN (SELECT unnest(?::VARCHAR[]))", [run_ids]
    )


def deviations_of(store: Store, run_ids: list[str]) -> pd.DataFrame:
    """Return fit, run, point, deviation and residual of every fit of these runs."""
    return store.frame(
        "SELECT fit_id, run_id, point, deviation, residual FROM deviation "
        "WHERE run_id IN (SELECT unnest(?::VARCHAR[])) ORDER BY fit_id, point",
        [run_ids],
    )


def plan_ids(store: Store) -> list[str]:
    """Return the identities of the plans for measuring."""
    found = store.frame("SELECT DISTINCT plan_id FROM plan WHERE purpose = '' ORDER BY plan_id")
    return [str(name) for name in found["plan_id"]]


def moved_runs(store: Store) -> pd.DataFrame:
    """Return every row of runs that were recorded under another serial, with their part."""
    return store.frame(
        f"SELECT m.*, r.part FROM reassignment m JOIN ({holding.RUNS_AS_TAKEN}) r USING (run_id)"
    )


def row_counts(store: Store) -> dict[str, int]:
    """Return the number of rows of each table."""
    return {t: int(store.scalar(f'SELECT count(*) FROM "{t}"')) for t in table_names(store)}


def thing_counts(store: Store) -> dict[str, int]:
    """Return how many files, runs, hits, fits and audit entries there are, each counted once."""
    found = store.frame("""
        SELECT (SELECT count(DISTINCT file_id) FROM source_file) AS files,
            (SELECT count(DISTINCT run_id) FROM run) AS runs, (SELECT count(*) FROM hit) AS hits,
            (SELECT count(DISTINCT fit_id) FROM fit) AS fits,
            (SELECT count(*) FROM audit) AS entries""")
    return {str(name): int(found[name].iloc[0]) for name in found}


def made_at(store: Store) -> datetime:
    """Return when the store was made, UTC."""
    made: datetime = store.scalar("SELECT min(applied_at) FROM schema_version")
    return made


def stored_parts(store: Store) -> pd.DataFrame:
    """Return part revisions with their plans, pieces, runs and times of measuring."""
    return store.frame(f"""
        WITH known AS (
            SELECT part, revision, arg_max(name, added_at) AS name,
                count(DISTINCT plan_id) AS plans
            FROM plan WHERE purpose = '' GROUP BY part, revision)
        SELECT k.part, k.revision, k.name, k.plans, count(DISTINCT r.piece_id) AS pieces,
            count(r.run_id) FILTER (r.study = '') AS runs,
            count(r.run_id) FILTER (r.study <> '') AS study_runs,
            min(r.measured_at) AS first_measured, max(r.measured_at) AS last_measured
        FROM known k LEFT JOIN ({holding.RUNS}) r ON r.part = k.part AND r.revision = k.revision
        GROUP BY ALL ORDER BY k.part, k.revision""")


def rejected_files(store: Store, *, settled: bool = False) -> pd.DataFrame:
    """Return files that could not be taken, each as it was last tried.

    Parameters
    ----------
    store
        An open store.
    settled
        With those too that were taken since, or followed by a good file of the same name.
    """
    return store.frame(
        f"""
        WITH tried AS (
            SELECT * FROM rejected_file QUALIFY row_number() OVER (
                PARTITION BY name ORDER BY rejected_at DESC, file_id) = 1),
        taken AS (SELECT file_id, name, taken_at FROM ({holding.FILES}))
        SELECT t.*, exists(
            SELECT 1 FROM taken f WHERE f.file_id = t.file_id
            OR (f.name = t.name AND f.taken_at >= t.rejected_at)) AS settled
        FROM tried t WHERE NOT settled OR ? ORDER BY t.rejected_at, t.name""",
        [settled],
    )


def taken_runs(store: Store) -> pd.DataFrame:
    """Return every run as its file named it, with the file's name."""
    return store.frame(
        f'SELECT r.*, f.name AS "file" FROM ({holding.RUNS_AS_TAKEN}) r '
        f"LEFT JOIN ({holding.FILES}) f USING (file_id) ORDER BY r.serial, r.run"
    )


def working_fits(store: Store) -> pd.DataFrame:
    """Return the working fit of each run that has one, with the run's label and serial."""
    return store.frame(f"""
        SELECT f.run_id, r.run, r.serial, f.fit_id, f.omitted, f.worst_residual, f.tool_version
        FROM ({holding.FITS}) f JOIN ({holding.RUNS_AS_TAKEN}) r USING (run_id)
        WHERE f.result_set = '' QUALIFY row_number() OVER (
            PARTITION BY f.run_id ORDER BY f.fitted_at DESC, f.fit_id) = 1
        ORDER BY r.serial, r.run""")


def fit_ids(store: Store) -> list[str]:
    """Return the identity of every fit."""
    return [str(name) for name in store.frame("SELECT DISTINCT fit_id FROM fit")["fit_id"]]


def file_names(store: Store, file_ids: list[str]) -> list[str]:
    """Return the names of these files, in order."""
    found = store.frame(
        f"SELECT name FROM ({holding.FILES}) WHERE file_id IN (SELECT unnest(?::VARCHAR[])) "
        "ORDER BY name",
        [file_ids],
    )
    return [str(name) for name in found["name"]]
