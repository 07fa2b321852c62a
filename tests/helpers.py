"""What tests of the whole job share: outcomes of commands, contents of stores, filled stores."""

from dataclasses import dataclass
from pathlib import Path

import duckdb

from spc.identity import bytes_hash
from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.store.audit import record
from spc.store.connection import create_store
from spc.studies import plans
from spc.studies.intake import Taken, take_file

SAMPLES = Path(__file__).parents[1] / "sample-runs"


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    status: int
    out: str
    err: str

    def refused(self, *words: str) -> bool:
        """Tell whether this is a refusal as it should be, saying each of the words."""
        assert self.status == 2, (self.status, self.out, self.err)
        assert self.out == ""
        assert self.err.startswith("spc: ")
        assert self.err.endswith("\n")
        assert self.err.count("\n") == 1
        assert not [word for word in words if word not in self.err], self.err
        return True

    def done(self, *words: str) -> bool:
        """Tell whether the command ended well, silent on the error stream, saying each word."""
        assert (self.status, self.err) == (0, "")
        assert not [word for word in words if word not in self.out], self.out
        return True


def contents(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Return every row of every table of a store, sorted."""
    with duckdb.connect(str(path), read_only=True) as connection:
        names = connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()
        return {
            str(name): connection.execute(f'SELECT * FROM "{name}" ORDER BY ALL').fetchall()
            for (name,) in names
        }


def held_bytes(path: Path) -> str:
    """Return the hash of a store's bytes; equal hashes leave no room for a change."""
    wal = path.with_name(path.name + ".wal")
    return bytes_hash(path.read_bytes() + (wal.read_bytes() if wal.exists() else b""))


def fill(store_path: Path, files: list[Path], plan: Path = SAMPLES / "LH-640.toml") -> list[Taken]:
    """Make a store, add a plan and take files, as the commands do."""
    with create_store(store_path) as store:
        with store.transaction():
            record(store, "store made", store_path.name, "tester")
        plans.add(store, *read_plan(plan), "tester")
        return [take_file(store, read_file(path, Declared()), "tester") for path in files]
