"""Writing: whole or not at all, and only what is not there yet."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

import pandas as pd

from spc import __version__
from spc.choices import chosen_text
from spc.identity import content_hash
from spc.plan import Plan
from spc.store.audit import FILE_TAKEN, record
from spc.store.connection import Store, now
from spc.store.read import plans


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where rows came from.

    Parameters
    ----------
    file_id
        SHA-256 of the file's bytes.
    name
        The file's name.
    kind
        hits, points, deviations, events or plan.
    size
        Bytes.
    rows, runs
        Data rows, and the runs (or events) in them.
    unit, zone
        As declared; empty where none was needed.
    warnings
        What was said when it was taken.
    who
        Who takes it.
    """

    file_id: str
    name: str
    kind: str
    size: int
    rows: int
    runs: int
    unit: str
    zone: str
    warnings: tuple[str, ...]
    who: str


def add_plan(store: Store, plan: Plan, who: str) -> bool:
    """Add a plan for measuring; return False where the one in force is the very same."""
    known = plans(store)
    mine = known[(known["part"] == plan.part) & (known["revision"] == plan.revision)]
    before = "".join(mine["plan_id"][mine["in_force"]])
    if before == plan.plan_id:
        return False
    with store.transaction():
        _add_part(store, plan)
        for table, rows in plan_rows(store, plan, "", who, replaces=before).items():
            store.insert(table, rows)
        record(store, "plan added", f"{plan.part} {plan.revision}", who, plan_id=plan.plan_id)
    return True


def plan_rows(
    store: Store, plan: Plan, purpose: str, who: str, *, replaces: str = ""
) -> dict[str, pd.DataFrame]:
    """Return the rows of a plan; its points only where the store does not know them."""
    head = {
        "plan_id": plan.plan_id,
        "part": plan.part,
        "revision": plan.revision,
        "name": plan.name,
        "unit": plan.unit,
        "fit_method": plan.method,
        "residual_limit": plan.residual_limit,
        "purpose": purpose,
        "choices": chosen_text(plan),
        "source": plan.source,
        "replaces": replaces,
        "added_at": now(),
        "added_by": who,
    }
    rows = {"plan": pd.DataFrame([head]).astype({"residual_limit": "float64"})}
    if not store.scalar("SELECT count(*) FROM plan_point WHERE plan_id = ?", [plan.plan_id]):
        rows["plan_point"] = _plan_rows(plan)
    return rows


def _add_part(store: Store, plan: Plan) -> None:
    part_id = content_hash("part", plan.part, plan.revision)
    if not store.scalar("SELECT count(*) FROM part WHERE part_id = ?", [part_id]):
        store.insert(
            "part",
            pd.DataFrame(
                [
                    {
                        "part_id": part_id,
                        "part": plan.part,
                        "revision": plan.revision,
                        "name": plan.name,
                        "added_at": now(),
                    }
                ]
            ),
        )


def _plan_rows(plan: Plan) -> pd.DataFrame:
    rows = [
        (
            plan.plan_id,
            seq,
            p.id,
            p.role,
            p.group,
            *p.nominal,
            *p.normal,
            p.lower,
            p.upper,
            p.weight,
        )
        for seq, p in enumerate(plan.points, start=1)
    ]
    columns = [
        "plan_id",
        "seq",
        "point",
        "role",
        "point_group",
        "nominal_x",
        "nominal_y",
        "nominal_z",
        "normal_x",
        "normal_y",
        "normal_z",
        "lower",
        "upper",
        "weight",
    ]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.astype({"lower": "float64", "upper": "float64"})


class Taking:
    """The taking of one file: inside one transaction, the largest table beside other work.

    While rows go in beside, nothing else may be asked of the store.
    """

    def __init__(self, store: Store, pool: ThreadPoolExecutor) -> None:
        self._store, self._pool = store, pool
        self._going: list[tuple[str, Future[int]]] = []

    def beside(self, table: str, rows: pd.DataFrame) -> None:
        """Begin to write rows; the driver lets go of the interpreter, so that both go on."""
        self._going.append((table, self._pool.submit(self._store.insert, table, rows)))

    def whole(self, origin: Origin, tables: dict[str, pd.DataFrame]) -> None:
        """Write the rest, with the file's own row and an audit row."""
        counts = dict.fromkeys((table for table, _ in self._going), 0)
        for table, going in self._going:
            counts[table] += going.result()
        self._store.insert("source_file", _file_row(origin))
        for table, rows in tables.items():
            counts[table] = counts.get(table, 0) + self._store.insert(table, rows)
        record(self._store, FILE_TAKEN, origin.name, origin.who, file_id=origin.file_id, **counts)


@contextmanager
def taking(store: Store) -> Iterator[Taking]:
    """Open the taking of a file; without `Taking.whole` at its end nothing is written."""
    # What goes on beside has ended before the transaction does, however that ends.
    with store.modestly(), store.transaction(), ThreadPoolExecutor(1) as pool:
        yield Taking(store, pool)


def take_file(store: Store, origin: Origin, tables: dict[str, pd.DataFrame]) -> None:
    """Write one file's rows into their tables, with the file's own row and an audit row."""
    with taking(store) as into:
        into.whole(origin, tables)


def _file_row(origin: Origin) -> pd.DataFrame:
    row = {
        "file_id": origin.file_id, "name": origin.name, "kind": origin.kind, "bytes": origin.size,
        "rows": origin.rows, "runs": origin.runs, "unit": origin.unit, "zone": origin.zone,
        "warnings": "\n".join(origin.warnings), "taken_at": now(), "taken_by": origin.who,
        "tool_version": __version__,
    }  # fmt: skip
    return pd.DataFrame([row])


def append(
    store: Store,
    tables: dict[str, pd.DataFrame],
    *,
    action: str,
    subject: str,
    who: str,
    **detail: object,
) -> None:
    """Append rows that come from a person's decision, not from a file, with their audit row."""
    with store.transaction():
        for table, rows in tables.items():
            store.insert(table, rows)
        record(store, action, subject, who, **detail)
