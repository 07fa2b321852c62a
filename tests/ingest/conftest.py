import re
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def good(first_batch: Path) -> str:
    """Return the results of two pieces, 198 rows of hits, with plain line ends."""
    lines = first_batch.read_text(encoding="utf-8").splitlines()
    return "\n".join(line for line in lines if re.search("serial|H0001|H0002", line)) + "\n"
