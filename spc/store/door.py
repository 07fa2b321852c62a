"""What the door asks of the store before a file is let in: one function a question."""

import pandas as pd

from spc.store import holding
from spc.store.connection import Store

#: Each run once, under the piece that it is of, also where several stations took it.
_RUNS = f"({holding.RUNS})"


def batch_firsts(store: Store, part: str) -> pd.DataFrame:
    """Return when each batch of a part was first measured outside of studies."""
    return store.frame(
        f"""
        SELECT batch, min(measured_at) AS first FROM {_RUNS}
        WHERE part = ? AND study = '' AND batch <> '' AND measured_at IS NOT NULL
        GROUP BY batch ORDER BY first, batch""",
        [part],
    )


def other_revisions(store: Store, part: str, revision: str) -> pd.DataFrame:
    """Return serial and revision of pieces that were measured to another revision of a part."""
    return store.frame(
        f"SELECT DISTINCT serial, revision FROM {_RUNS} WHERE part = ? AND revision <> ? "
        "ORDER BY serial, revision",
        [part, revision],
    )


def deviation_sizes(store: Store, part: str, revision: str) -> pd.DataFrame:
    """Return, for each point, the root mean square of its deviations and of how many runs."""
    return store.frame(
        f"""
        SELECT d.point, sqrt(avg(d.deviation * d.deviation)) AS size,
            count(DISTINCT d.run_id) AS runs
        FROM deviation d SEMI JOIN (SELECT fit_id FROM fit WHERE result_set = '') f USING (fit_id)
        JOIN {_RUNS} r USING (run_id)
        WHERE r.part = ? AND r.revision = ? GROUP BY d.point""",
        [part, revision],
    )


def runs_with_hits(store: Store, probes: pd.DataFrame) -> pd.DataFrame:
    """Return runs that hold these very hits, to the nanometre.

    Parameters
    ----------
    store
        An open store.
    probes
        key, point, hit, x, y, z.

    Returns
    -------
    key, run_id, run, serial.
    """
    return store.frame(
        f"""
        WITH probe AS (
            SELECT unnest(?::INTEGER[]) AS key, unnest(?::VARCHAR[]) AS point,
                unnest(?::INTEGER[]) AS hit, unnest(?::DOUBLE[]) AS x, unnest(?::DOUBLE[]) AS y,
                unnest(?::DOUBLE[]) AS z)
        SELECT p.key, r.run_id, r.run, r.serial
        FROM hit h JOIN probe p
            ON h.point = p.point AND h.hit = p.hit AND round(h.x * 1e6) = round(p.x * 1e6)
                AND round(h.y * 1e6) = round(p.y * 1e6) AND round(h.z * 1e6) = round(p.z * 1e6)
        JOIN {_RUNS} r USING (run_id)""",
        [probes[c].tolist() for c in ("key", "point", "hit", "x", "y", "z")],
    )


def runs_with_deviations(store: Store, probes: pd.DataFrame) -> pd.DataFrame:
    """Return runs that hold these very deviations, to the nanometre.

    Parameters
    ----------
    store
        An open store.
    probes
        key, point, deviation.

    Returns
    -------
    key, run_id, run, serial.
    """
    return store.frame(
        f"""
        WITH probe AS (
            SELECT unnest(?::INTEGER[]) AS key, unnest(?::VARCHAR[]) AS point,
                unnest(?::DOUBLE[]) AS deviation)
        SELECT DISTINCT p.key, r.run_id, r.run, r.serial
        FROM deviation d JOIN probe p
            ON d.point = p.point AND round(d.deviation * 1e6) = round(p.deviation * 1e6)
        JOIN {_RUNS} r USING (run_id)""",
        [probes[c].tolist() for c in ("key", "point", "deviation")],
    )


def deviations_of(store: Store, run_ids: list[str]) -> pd.DataFrame:
    """Return run_id, point and deviation of these runs as files brought them."""
    return store.frame(
        """
        SELECT d.run_id, d.point, d.deviation FROM deviation d
        SEMI JOIN (SELECT fit_id FROM fit WHERE result_set = '') f USING (fit_id)
        WHERE d.run_id IN (SELECT unnest(?::VARCHAR[]))""",
        [run_ids],
    )
