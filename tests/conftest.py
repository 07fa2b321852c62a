"""Fixtures that every folder of tests shares: the sample runs in a store, copies, the command."""

import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from spc.cli import main
from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.store.connection import open_store
from spc.studies.intake import Taken, take_file

# Test modules are imported by path, so what they share is made importable here.
sys.path.insert(0, str(Path(__file__).parent))

from helpers import SAMPLES, Outcome, fill

# The examples of the property tests are the same in each run, so that a failure belongs to the
# change under test; with SPC_EXPLORE set they are drawn anew, to look for cases nobody thought of.
# How long an example takes says how busy the machine is, not whether the code is right.
CALM = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("same", derandomize=True, **CALM)
settings.register_profile("explore", derandomize=False, print_blob=True, **CALM)
settings.load_profile("explore" if os.environ.get("SPC_EXPLORE") else "same")


#: Browsers that the tests can drive, by name on the path.
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
#: Nothing but the page may start or be fetched.
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]  # fmt: skip


@pytest.fixture(scope="session")
def samples() -> Path:
    """Return the folder of the sample runs."""
    return SAMPLES


@pytest.fixture(scope="session")
def first_batch(samples: Path) -> Path:
    """Return the result file of the first batch: 12 runs, 33 points, three hits each."""
    return samples / "runs" / "2026-04" / "2026-04-02_B01_K1.csv"


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory, samples: Path) -> Path:
    """Return a store of all the sample runs; to be read only."""
    path = tmp_path_factory.mktemp("samples") / "samples.duckdb"
    fill(path, sorted(samples.rglob("*.csv")))
    return path


@pytest.fixture
def sample_copy(sample_store: Path, tmp_path: Path) -> Path:
    """Return a copy of the sample store that a test may write to."""
    return Path(shutil.copy(sample_store, tmp_path / "copy.duckdb"))


@pytest.fixture(scope="session")
def plan_only(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds the sample plan and nothing else; to be copied."""
    path = tmp_path_factory.mktemp("plan") / "plan.duckdb"
    fill(path, [])
    return path


@pytest.fixture
def store_path(plan_only: Path, tmp_path: Path) -> Path:
    """Return a store of its own that holds the sample plan."""
    return Path(shutil.copy(plan_only, tmp_path / "spc.duckdb"))


@pytest.fixture
def take(store_path: Path) -> Callable[..., Taken]:
    """Return a function that takes a file into ``store_path`` with the options declared."""

    def taking(path: Path, *, correction: str = "", **declared: str) -> Taken:
        with open_store(store_path) as store:
            checked = read_file(path, Declared(**declared))
            return take_file(store, checked, "tester", correction=correction)

    return taking


@pytest.fixture
def spc(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Outcome]:
    """Return a function that runs the console script's own entry point in this process."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SPC_STORE", raising=False)

    def run(*arguments: object) -> Outcome:
        capsys.readouterr()
        monkeypatch.setattr(sys, "argv", ["spc", *map(str, arguments)])
        heard = signal.getsignal(signal.SIGINT)
        with pytest.raises(SystemExit) as stop:
            main()
        # A process that has run the command listens to Ctrl+C no more; this one goes on.
        signal.signal(signal.SIGINT, heard)
        out, err = capsys.readouterr()
        return Outcome(status=int(stop.value.code or 0), out=out, err=err)

    return run


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Return a headless browser; without one the tests are skipped, unless it is required."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    required = os.environ.get("SPC_REQUIRE_BROWSER") == "1"
    if found is None:
        words = f"no browser on the path ({', '.join(BROWSERS)})"
        pytest.fail(words) if required else pytest.skip(words)
    if not required:
        pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield running
        running.close()
