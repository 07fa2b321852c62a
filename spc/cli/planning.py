"""Which plan a command means, and what its words ask for."""

from collections.abc import Sequence
from pathlib import Path

import click

from spc.cli.options import reader
from spc.ingest.plan_toml import read_plan
from spc.plan import Plan
from spc.store import read


def plan_meant(
    file: Path | None, store_path: Path, part: str | None, revision: str | None
) -> tuple[Plan, str]:
    """Return the plan of a file, or of a part in the store, and how it is called."""
    if file is not None:
        if part is not None or revision is not None:
            raise click.UsageError("name a plan's file, or --part of one in the store, not both")
        return read_plan(file)[0], str(file)
    with reader(store_path) as store:
        plan = read.plan(store, part, revision)
    return plan, f"{plan.part} {plan.revision}"


def sized(option: str, said: Sequence[str]) -> dict[str, float]:
    """Return NAME=NUMBER words as a dictionary."""
    return dict(_sized(option, text) for text in said)


def _sized(option: str, text: str) -> tuple[str, float]:
    name, sign, value = text.rpartition("=")
    try:
        number = float(value)
    except ValueError:
        number = 0.0
    if not sign or not name or not 0.0 < abs(number) <= 1000.0:
        raise click.UsageError(f"{option} {text}: write NAME=MM with a number up to 1000, not 0")
    return name, number
