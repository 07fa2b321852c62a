import json
from pathlib import Path
from typing import Any

import pytest

from spc.store import read
from spc.store.connection import open_store
from spc.studies.history import History, production
from spc.studies.monitor import Monitor, monitor


@pytest.fixture(scope="session")
def truth(samples: Path) -> Any:
    """Return what the simulated process really did."""
    return json.loads((samples / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def past(sample_store: Path) -> History:
    """Return the production history of the sample runs."""
    with open_store(sample_store, read_only=True) as store:
        return production(store, read.plan(store, None))


@pytest.fixture(scope="session")
def chart(sample_store: Path) -> Monitor:
    """Return the charts of every series of the sample runs, by batch."""
    with open_store(sample_store, read_only=True) as store:
        return monitor(store)
