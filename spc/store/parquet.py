"""The whole store as Parquet, one file a table."""

from pathlib import Path

from spc.store.connection import Store
from spc.store.read import table_names


def write_parquet(store: Store, folder: Path) -> list[tuple[Path, int]]:
    """Write every table into ``folder`` and return each file with its rows."""
    written = []
    for name in table_names(store):
        path = folder / f"{name}.parquet"
        target = str(path).replace("'", "''")
        store.scalar(f"COPY \"{name}\" TO '{target}' (FORMAT parquet)")
        written.append((path, int(store.scalar(f'SELECT count(*) FROM "{name}"'))))
    return written
