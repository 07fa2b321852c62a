"""What must hold in every store, as questions whose answer is empty where it does.

The tables have no constraints of their own, so that they can live in a shared catalogue; these
questions prove what constraints would have held. Each answers with one line of text a case.
"""

from collections.abc import Iterator

import pandas as pd

from spc.store import holding
from spc.store.connection import Store
from spc.store.schema import described, typed

#: Tables of which one row tells one thing once, and what names it.
_NAMED_ONCE = {
    "hit": ("run_id", "point", "hit"),
    "deviation": ("fit_id", "point"),
    "plan_point": ("plan_id", "point"),
}
#: Each reference from one table to another: rows whose column names nothing are orphans.
_REFERENCES = (
    ("hit", "run_id", "run", "run_id"),
    ("fit", "run_id", "run", "run_id"),
    ("fit", "plan_id", "plan", "plan_id"),
    ("deviation", "fit_id", "fit", "fit_id"),
    ("plan_point", "plan_id", "plan", "plan_id"),
    ("plan", "plan_id", "plan_point", "plan_id"),
    ("run", "piece_id", "piece", "piece_id"),
    ("run", "file_id", "source_file", "file_id"),
    ("piece", "file_id", "source_file", "file_id"),
    ("event", "file_id", "source_file", "file_id"),
    ("arm_check", "file_id", "source_file", "file_id"),
    ("reported_status", "run_id", "run", "run_id"),
    ("reported_status", "file_id", "source_file", "file_id"),
    ("omission", "run_id", "run", "run_id"),
    ("reassignment", "run_id", "run", "run_id"),
    ("reassignment", "piece_id", "piece", "piece_id"),
)
#: Times that every row of a table has.
_TIMED = {
    "source_file": "taken_at", "run": "taken_at", "piece": "recorded_at", "fit": "fitted_at",
    "plan": "added_at", "omission": "decided_at", "limit_set": "decided_at",
    "signal": "recorded_at", "reassignment": "recorded_at", "rejected_file": "rejected_at",
}  # fmt: skip

_MEASURED = "SELECT run_id, point, count(*) AS hits FROM hit GROUP BY run_id, point"
_LEFT = """SELECT d.fit_id, count(*) AS points, max(abs(d.residual)) AS worst,
    sum(q.weight * d.residual * d.residual) AS ssr
    FROM deviation d JOIN (SELECT DISTINCT fit_id, plan_id FROM fit) f USING (fit_id)
    JOIN plan_point q ON q.plan_id = f.plan_id AND q.point = d.point
    WHERE d.role = 'fit' GROUP BY d.fit_id"""
_RUNS = f"({holding.RUNS_AS_TAKEN})"
#: Fits and their runs.
_FITS = f"({holding.FITS}) f JOIN {_RUNS} r ON r.run_id = f.run_id"
#: Deviations with the fit that they are of, and its run.
_DEVIATIONS = f"""deviation d JOIN ({holding.FITS}) f USING (fit_id)
    JOIN {_RUNS} r ON r.run_id = f.run_id"""
_OF_RUN = "'run ' || r.run || ' of serial ' || r.serial"
_OF_POINT = f"{_OF_RUN} || ', point ' || d.point"

#: What must hold, in words that say what is wrong, and the question for cases in which it does not.
RULES: dict[str, str] = {
    "two runs of one label with other values": """
        SELECT 'run ' || run || ' of serial ' || serial AS what FROM run
        GROUP BY part, serial, run HAVING count(DISTINCT run_id) > 1""",
    "a run that says none of hits, points and deviations": f"""
        SELECT {_OF_RUN} AS what FROM {_RUNS} r
        WHERE coalesce(r.depth, '') NOT IN ('hits', 'points', 'deviations')""",
    "a piece of which the runs of the same file say something else": " UNION ".join(
        f"""SELECT '{word} of serial ' || p.serial AS what FROM piece p
        JOIN run r USING (file_id, piece_id) WHERE p.{word} <> '' AND p.file_id <> ''
        GROUP BY p.piece_id, p.file_id, p.serial, p.{word}
        HAVING bool_or(r.{word} <> '') AND NOT bool_or(r.{word} = p.{word})"""
        for word in ("mould", "cavity", "batch")
    ),
    "a run of hits or points without any hit": f"""
        SELECT {_OF_RUN} AS what FROM {_RUNS} r ANTI JOIN hit h USING (run_id)
        WHERE r.depth <> 'deviations'""",
    "a run of ready deviations with hits": f"""
        SELECT {_OF_RUN} AS what FROM {_RUNS} r SEMI JOIN hit h USING (run_id)
        WHERE r.depth = 'deviations'""",
    "a point that the plan of its fit does not have": f"""
        SELECT {_OF_POINT} AS what FROM {_DEVIATIONS}
        ANTI JOIN plan_point q ON q.plan_id = f.plan_id AND q.point = d.point""",
    "a deviation under another run than its fit": f"""
        SELECT {_OF_POINT} AS what FROM {_DEVIATIONS} WHERE d.run_id <> f.run_id""",
    "a check point that a fit says it was held by": f"""
        SELECT {_OF_POINT} AS what FROM {_DEVIATIONS}
        JOIN plan_point q ON q.plan_id = f.plan_id AND q.point = d.point
        WHERE d.role = 'fit' AND (q.role <> 'fit' OR d.residual IS NULL)""",
    "a deviation that does not count the hits that there are": f"""
        SELECT {_OF_POINT} AS what FROM {_DEVIATIONS}
        LEFT JOIN ({_MEASURED}) m ON m.run_id = d.run_id AND m.point = d.point
        WHERE d.hits <> coalesce(m.hits, 0)""",
    "a point with hits that a fit left without a deviation": f"""
        SELECT {_OF_RUN} || ', point ' || m.point AS what
        FROM {_FITS} JOIN ({_MEASURED}) m ON m.run_id = f.run_id
        JOIN plan_point q ON q.plan_id = f.plan_id AND q.point = m.point
        ANTI JOIN deviation d ON d.fit_id = f.fit_id AND d.point = m.point
        WHERE f.origin = 'computed'""",
    "a fit whose number of points is not that of its residuals": f"""
        SELECT {_OF_RUN} AS what FROM {_FITS} LEFT JOIN ({_LEFT}) s USING (fit_id)
        WHERE f.n_points <> coalesce(s.points, 0)
        OR f.dof NOT IN (f.n_points - 6, greatest(f.n_points - 6, 0))""",
    "a fit whose figures do not follow from its residuals": f"""
        SELECT {_OF_RUN} AS what FROM {_FITS} JOIN ({_LEFT}) s USING (fit_id)
        WHERE abs(abs(f.worst_residual) - s.worst) > 1e-9
        OR abs(f.ssr - s.ssr) > 1e-9 * (1 + s.ssr)
        OR abs(coalesce(f.noise, 0) - CASE WHEN f.dof > 0 THEN sqrt(s.ssr / f.dof) ELSE 0 END)
            > 1e-9 * (1 + s.worst)""",
    "a run with two last fits in one set of results": f"""
        SELECT {_OF_RUN} AS what FROM {_RUNS} r SEMI JOIN (
            SELECT run_id FROM ({holding.FITS}) QUALIFY rank() OVER (
                PARTITION BY run_id, result_set ORDER BY fitted_at DESC) = 1
            AND count(*) OVER (PARTITION BY run_id, result_set, fitted_at) > 1) t
        USING (run_id)""",
    "a file with more runs than it is said to have": """
        SELECT s.name AS what FROM source_file s
        JOIN (SELECT file_id, count(DISTINCT run_id) AS runs FROM run GROUP BY file_id) r
        USING (file_id)
        WHERE r.runs > s.runs""",
    "a plan for measuring of a part that is not known": """
        SELECT l.part || ' ' || l.revision AS what FROM plan l
        ANTI JOIN part p ON p.part = l.part AND p.revision = l.revision WHERE l.purpose = ''""",
    "a file without an entry in the audit chain": """
        SELECT s.name AS what FROM source_file s ANTI JOIN (
            SELECT detail FROM audit UNION ALL SELECT detail FROM merged_audit) a
        ON contains(a.detail, s.file_id)""",
}  # fmt: skip

#: What need not be wrong, but is worth a look.
REMARKS = {
    "measured after it was taken, so one of the two clocks is wrong": f"""
        SELECT {_OF_RUN} AS what FROM {_RUNS} r
        WHERE r.measured_at > r.taken_at + INTERVAL 1 HOUR""",
    "written before the entry above it, so the clock was set back": """
        SELECT 'audit entry ' || seq AS what FROM audit
        QUALIFY written_at < lag(written_at) OVER (ORDER BY seq)""",
}


def missing_from_schema(store: Store) -> list[str]:
    """Return columns that the schema has and the store has not, the reverse, and other types."""
    held = store.frame(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() "
        "SEMI JOIN duckdb_tables() USING (database_name, table_name) "
        "WHERE database_name = current_database()"
    )
    there = {(t, column): kind for t, column, kind in held.itertuples(index=False, name=None)}
    wanted = typed()
    return [
        *(f"no column {t}.{column}" for t, column in sorted(set(wanted) - set(there))),
        *(f"a strange column {t}.{column}" for t, column in sorted(set(there) - set(wanted))),
        *(
            f"{t}.{column} is {there[t, column]}, not {kind}"
            for (t, column), kind in sorted(wanted.items())
            if there.get((t, column), kind) != kind
        ),
    ]


def findings(store: Store) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield what must hold, in words, with its cases (column ``what``); few have any."""
    for words, question in {**_twice(), **_orphans(), **_no_numbers(store), **RULES}.items():
        yield words, store.frame(question)
    for table, column in _TIMED.items():
        question = f"SELECT '{column}' AS what FROM {table} WHERE {column} IS NULL"
        yield f"a row of '{table}' without its time", store.frame(question)


def remarks(store: Store) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield what is worth a look, with its cases."""
    for words, question in REMARKS.items():
        yield words, store.frame(question)


def _twice() -> dict[str, str]:
    once = {
        f"a row of '{table}' twice": f"SELECT concat_ws(', ', {', '.join(names)}) AS what "
        f"FROM {table} GROUP BY {', '.join(names)} HAVING count(*) > 1"
        for table, names in _NAMED_ONCE.items()
    }
    whole = [t for t in described() if t not in _NAMED_ONCE]
    return once | {
        f"a row of '{table}' twice": f"""
            SELECT left(row, 80) AS what
            FROM (SELECT CAST(told AS VARCHAR) AS row FROM {table} AS told)
            GROUP BY row HAVING count(*) > 1"""
        for table in whole
    }


def _orphans() -> dict[str, str]:
    return {
        f"a row of '{table}' whose {column} is in no row of '{other}'": f"""
            SELECT DISTINCT o.{column} AS what FROM {table} o
            ANTI JOIN {other} t ON t.{key} = o.{column} WHERE o.{column} <> ''"""
        for table, column, other, key in _REFERENCES
    }


def _no_numbers(store: Store) -> dict[str, str]:
    """Return the questions for numbers that are none: a bound NaN would poison every average."""
    held = store.frame(
        "SELECT table_name, column_name FROM duckdb_columns() "
        "SEMI JOIN duckdb_tables() USING (database_name, table_name) "
        "WHERE database_name = current_database() AND data_type = 'DOUBLE'"
    )
    return {
        f"a number of '{table}' that is none": " UNION ALL ".join(
            f"SELECT '{c}' AS what FROM {table} WHERE isnan({c}) OR isinf({c})" for c in columns
        )
        for table, columns in held.groupby("table_name")["column_name"]
    }


def rows_by_file(store: Store) -> pd.DataFrame:
    """Return, for each file, its rows in each table that a file fills: file_id, table, rows."""
    return store.frame("""
        WITH of_file AS (SELECT DISTINCT file_id, run_id FROM run)
        SELECT file_id, 'run' AS "table", count(*) AS "rows" FROM of_file GROUP BY file_id
        UNION ALL SELECT file_id, 'hit', count(*) FROM hit JOIN of_file USING (run_id)
            GROUP BY file_id
        UNION ALL SELECT file_id, 'piece', count(*) FROM piece GROUP BY file_id
        UNION ALL SELECT file_id, 'reported_status', count(*) FROM reported_status
            GROUP BY file_id
        UNION ALL SELECT file_id, 'event', count(*) FROM event GROUP BY file_id
        UNION ALL SELECT file_id, 'arm_check', count(*) FROM arm_check GROUP BY file_id""")
