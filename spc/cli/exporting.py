"""Writing exports."""

from pathlib import Path

from spc.errors import InputError
from spc.pages.tables import Written, month_tables, write_csv
from spc.store.connection import Store
from spc.store.parquet import write_parquet
from spc.studies.adjusted_month import readings_of_month
from spc.studies.month import month_study
from spc.studies.spans import month as period


def export_month(
    store: Store, month: str, folder: Path, part: str | None, revision: str | None
) -> list[Written]:
    """Write a month's tables as CSV; a table without rows is not written."""
    study = month_study(store, period(month), part, revision)
    tables = month_tables(study, readings_of_month(store, study))
    _make(folder)
    stem = f"{study.plan.part}-{study.plan.revision}-{month}"
    safe = "".join(c if c.isalnum() or c in "-._" else "_" for c in stem)
    return [
        write_csv(folder / f"{safe}-{name}.csv", header, rows)
        for name, (header, rows) in tables.items()
        if rows
    ]


def export_store(store: Store, folder: Path) -> list[Written]:
    """Write every table of the store as Parquet."""
    _make(folder)
    return [Written(path=path, rows=rows) for path, rows in write_parquet(store, folder)]


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"cannot make the folder ({error.strerror})", file=str(folder), do="name another"
        ) from None
