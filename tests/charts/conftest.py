"""Published facts for the chart tests, each with its source and how it was obtained."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="session")
def published() -> Callable[[str], dict[str, Any]]:
    def load(name: str) -> dict[str, Any]:
        return json.loads((FOLDER / f"charts_{name}.json").read_text(encoding="utf-8"))

    return load


@pytest.fixture(scope="session")
def printed() -> Callable[[str], float]:
    """Return half a unit of the last printed digit of a published number, as a tolerance."""

    def half_unit(text: str) -> float:
        mantissa, _, power = text.lower().partition("e")
        decimals = len(mantissa.partition(".")[2])
        return 0.5000001 * 10.0 ** (int(power or 0) - decimals)

    return half_unit
