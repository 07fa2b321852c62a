"""A process that is killed, a disk that is full: each file is in the store whole, or not at all."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from helpers import Outcome, contents, held_bytes

from spc.store import audit, read
from spc.store.connection import open_store
from spc.studies.store_check import check_store

Command = Callable[..., Outcome]

#: Kills; all of them with SPC_BENCH=1.
KILLS = 200 if os.environ.get("SPC_BENCH") == "1" else 6

#: Makes a process of its own take files each time it is told, and tells its number. It never opens
#: a store itself, so that it may be copied.
INGESTS = """
import os, sys
import numpy, pandas, duckdb
from spc.cli import main
import spc.cli.ingest, spc.cli.taking, spc.studies.intake
store, *files = sys.argv[1:]
for line in sys.stdin:
    child = os.fork()
    if child == 0:
        out = os.open(os.devnull, os.O_WRONLY)
        os.dup2(out, 1)
        sys.argv = ["spc", "ingest", "--store", store, *files]
        try:
            main()
        except SystemExit as end:
            os._exit(end.code or 0)
    print(child, flush=True)
    _, status = os.waitpid(child, 0)
    print(status, flush=True)
"""


class Ingests:
    """Ingests of the same files into one store, each in a process that can be killed."""

    def __init__(self, store: Path, files: list[Path]) -> None:
        call = [sys.executable, "-c", INGESTS, str(store), *map(str, files)]
        self._server = subprocess.Popen(
            call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, kill_after: float | None = None) -> int:
        """Take the files, or some until the process is killed; return how it ended."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write("go\n")
        self._server.stdin.flush()
        child = int(self._server.stdout.readline())
        if kill_after is not None:
            time.sleep(kill_after)
            with suppress(ProcessLookupError):  # it may be through
                os.kill(child, signal.SIGKILL)
        return int(self._server.stdout.readline())

    def close(self) -> None:
        self._server.kill()
        self._server.wait()
        for pipe in (self._server.stdin, self._server.stdout):
            assert pipe is not None
            pipe.close()


def whole_files(path: Path) -> int:
    """Return how many files are in a store, each of them whole, and its chain unbroken."""
    with open_store(path) as store:
        rows = store.frame("""
            SELECT s.file_id, s.rows, s.runs, count(DISTINCT r.run_id) AS there,
                count(h.run_id) AS hits,
                (SELECT count(*) FROM fit f JOIN run o USING (run_id) WHERE o.file_id = s.file_id)
                    AS fits
            FROM source_file s LEFT JOIN run r USING (file_id) LEFT JOIN hit h USING (run_id)
            GROUP BY ALL""")
        assert (rows["hits"] == rows["rows"]).all()
        assert (rows["there"] == rows["runs"]).all()
        assert (rows["fits"] == rows["runs"]).all()
        assert store.scalar("SELECT count(*) FROM hit") == rows["rows"].sum()
        assert store.scalar("SELECT count(*) FROM run") == rows["runs"].sum()
        assert audit.broken_links(store) == []
        told = audit.counts_by_file(store)
        assert set(told) == set(rows["file_id"])
        return len(rows)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a process is copied and killed as Unix does")
def test_a_store_killed_at_any_moment_holds_whole_files_and_takes_the_rest(
    store_path: Path, samples: Path, tmp_path: Path
) -> None:
    files = sorted((samples / "runs").rglob("*.csv"))[:4]
    fresh = Path(shutil.copy(store_path, tmp_path / "fresh.duckdb"))
    ingests, rng = Ingests(store_path, files), random.Random(2026)
    stopped_between = killed = 0
    try:
        began = time.monotonic()
        assert ingests.run() == 0
        longest = time.monotonic() - began
        assert whole_files(store_path) == len(files)
        shutil.copy(fresh, store_path)
        for _ in range(KILLS):
            status = ingests.run(kill_after=rng.uniform(0.0, longest))
            killed += status == signal.SIGKILL
            there = whole_files(store_path)
            stopped_between += 0 < there < len(files)
            if there == len(files):
                shutil.copy(fresh, store_path)
                store_path.with_name(f"{store_path.name}.wal").unlink(missing_ok=True)
        assert ingests.run() == 0
    finally:
        ingests.close()
    assert killed >= KILLS // 3
    if KILLS > 100:
        assert stopped_between >= KILLS // 4
    assert whole_files(store_path) == len(files)
    with open_store(store_path) as store:
        assert check_store(store).whole
        assert len(read.runs(store)) == store.scalar("SELECT sum(runs) FROM source_file")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a folder on a disk of its own of a few megabytes."""
    folder = tmp_path / "small"
    folder.mkdir()
    if sys.platform != "linux" or shutil.which("mount") is None:
        pytest.skip("a small disk is made as Linux does")
    mount = ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("mounting a disk is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_is_one_line_and_leaves_the_store_as_it_was(
    small_disk: Path, store_path: Path, samples: Path, tmp_path: Path
) -> None:
    store = Path(shutil.copy(store_path, small_disk / "spc.duckdb"))
    files = sorted((samples / "runs").rglob("*.csv"))[:12]
    spc = Path(sys.executable).with_name("spc")

    def ingest(*paths: Path) -> "subprocess.CompletedProcess[str]":
        call = [spc, "ingest", "--store", store, *paths]
        return subprocess.run(list(map(str, call)), capture_output=True, text=True)

    outcome = ingest(*files)
    assert outcome.returncode == 2
    assert outcome.stderr.startswith(f"spc: {store}: ")
    assert outcome.stderr.count("\n") == 1
    taken = outcome.stdout.count(" rows.")
    assert 0 < taken < len(files)
    assert whole_files(Path(shutil.copytree(small_disk, tmp_path / "copy")) / store.name) == taken
    # The disk is still full: the next one is refused too, and nothing of it is left.
    held = contents(Path(shutil.copytree(small_disk, tmp_path / "again")) / store.name)
    refused = ingest(files[taken])
    assert (refused.returncode, refused.stdout) == (2, "")
    assert refused.stderr.count("\n") == 1
    moved = Path(shutil.copytree(small_disk, tmp_path / "moved")) / store.name
    assert contents(moved) == held
    # With room again the rest goes in.
    with open_store(moved) as opened:
        assert len(read.files(opened)) == taken
    call = [spc, "ingest", "--store", moved, files[taken]]
    assert subprocess.run(list(map(str, call)), capture_output=True).returncode == 0
    assert whole_files(moved) == taken + 1


OLDEST = os.environ.get("SPC_OLDEST_DUCKDB", "")


@pytest.mark.skipif(
    not OLDEST, reason="SPC_OLDEST_DUCKDB names no Python that has the oldest supported DuckDB"
)
def test_the_oldest_supported_driver_and_this_one_share_a_store(
    store_path: Path, samples: Path, tmp_path: Path
) -> None:
    files = sorted((samples / "runs").rglob("*.csv"))[:3]

    def spc(python: str, *arguments: object) -> str:
        call = [python, "-c", "from spc.cli import main; main()", *map(str, arguments)]
        done = subprocess.run(call, capture_output=True, text=True)
        assert (done.returncode, done.stderr) == (0, ""), done.stderr
        return done.stdout

    for place, (first, other) in enumerate([(OLDEST, sys.executable), (sys.executable, OLDEST)]):
        store, said = tmp_path / f"{place}.duckdb", []
        spc(first, "init", "--store", store)
        spc(first, "plan", "add", samples / "LH-640.toml", "--store", store)
        for python, path in zip((first, other, first), files, strict=True):
            assert "runs from" in spc(python, "ingest", path, "--store", store)
        for python in (first, other):
            spc(python, "store", "check", "--store", store)
            said.append(spc(python, "run", "list", "--json", "--store", store))
        assert said[0] == said[1]
        before = held_bytes(store)
        spc(other, "ingest", files[0], "--store", store)
        assert held_bytes(store) == before
