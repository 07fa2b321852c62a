"""Whoever reads what a command says may go away; the command's work goes on."""

import subprocess
import sys
from pathlib import Path

import pytest

from spc.store import read
from spc.store.connection import open_store


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe is closed as Unix does")
def test_all_files_are_taken_although_nobody_reads_to_the_end(
    store_path: Path, samples: Path
) -> None:
    files = sorted((samples / "runs").rglob("*.csv"))[:3]
    call = [sys.executable, "-c", "from spc.cli import main; main()", "ingest",
            "--store", str(store_path), *map(str, files)]  # fmt: skip
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as ingest:
        assert ingest.stdout is not None
        assert ingest.stderr is not None
        # Gone before the first line is said.
        ingest.stdout.close()
        said = ingest.stderr.read()
        status = ingest.wait()
    assert (status, said) == (0, b"")
    with open_store(store_path, read_only=True) as store:
        assert len(read.files(store)) == 3
