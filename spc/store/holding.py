"""What holds where several rows tell of the same thing: one SELECT each, to be read like a table.

Stores are merged by keeping the rows of both. Two stations may have taken the same file, or frozen
the same limits; each row says when and by whom, and the earlier one holds. The order of merging
then makes no difference. Of a piece, a correction goes before what files say, and the later of two
corrections before the earlier, word by word.
"""


def _earliest(table: str, identity: str, moment: str) -> str:
    """Return the SELECT of the earliest row of each identity; ties end in the same row anywhere."""
    return (
        f"SELECT * FROM {table} AS told QUALIFY row_number() OVER "
        f"(PARTITION BY {identity} ORDER BY {moment} NULLS LAST, CAST(told AS VARCHAR)) = 1"
    )


def _said(word: str) -> str:
    """Return the expression for one word of a piece."""
    latest = f"max_by({word}, (recorded_at, {word})) FILTER ({word} <> ''"
    return f"coalesce({latest} AND why <> ''), {latest}), '') AS {word}"


PLANS = _earliest("plan", "plan_id, purpose, replaces", "added_at")
FILES = _earliest("source_file", "file_id", "taken_at")
EVENTS = _earliest("event", "event_id", "taken_at")
ARM_CHECKS = _earliest("arm_check", "check_id", "taken_at")
FITS = _earliest("fit", "fit_id", "fitted_at")
STUDIES = _earliest("gauge_study", "study_id", "recorded_at")
LIMITS = _earliest("limit_set", "limit_set_id, action, valid_from", "decided_at")
SIGNALS = _earliest("signal", "signal_id, action", "recorded_at")

PIECES = f"""
    SELECT piece_id, min(part) AS part, min(serial) AS serial, {_said("mould")}, {_said("cavity")},
        {_said("batch")}
    FROM piece GROUP BY piece_id"""

#: Runs as their files named them.
RUNS_AS_TAKEN = _earliest("run", "run_id", "taken_at")

#: Runs under the piece that they are of.
RUNS = f"""
    SELECT r.* REPLACE (coalesce(m.piece_id, r.piece_id) AS piece_id,
                        coalesce(m.serial, r.serial) AS serial)
    FROM ({RUNS_AS_TAKEN}) r LEFT JOIN (
        SELECT run_id, piece_id, serial FROM reassignment
        QUALIFY row_number() OVER (PARTITION BY run_id ORDER BY recorded_at DESC, serial) = 1) m
    USING (run_id)"""
