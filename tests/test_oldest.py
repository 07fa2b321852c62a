"""The versions that .ci/run tries are the oldest that a user may have."""

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]


def numbers(version: str) -> list[int]:
    """Return a version's numbers without trailing zeros: 1.26 and 1.26.0 are one version."""
    found = [int(part) for part in version.split(".")]
    while found[-1] == 0:
        found.pop()
    return found


def test_the_oldest_versions_tried_are_the_oldest_allowed() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    bounds = [re.match(r"([a-z]+)>=([\d.]+)", text) for text in project["dependencies"]]
    allowed = {found[1]: numbers(found[2]) for found in bounds if found}
    pins = (ROOT / ".ci" / "oldest.txt").read_text(encoding="utf-8")
    tried = {name: numbers(v) for name, v in re.findall(r"^([a-z]+)==([\d.]+)$", pins, re.M)}
    assert tried == allowed
