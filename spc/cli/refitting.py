"""What a refit is asked for, from the command line's words."""

from collections.abc import Sequence
from pathlib import Path

import click

from spc.ingest.plan_toml import read_plan
from spc.store import read
from spc.store.audit import who_is_here
from spc.store.connection import Store
from spc.studies.refit import Refit, altered, refit


def refitted(
    store: Store, name: str, plan_file: Path | None, without: Sequence[str],
    weights: Sequence[str], part: str | None, revision: str | None,
) -> Refit:  # fmt: skip
    """Refit the history under the plan that the words describe."""
    plan = read_plan(plan_file)[0] if plan_file else read.plan(store, part, revision)
    changed = altered(plan, dict(map(_weight, weights)), tuple(without))
    return refit(store, name, changed, who_is_here())


def _weight(text: str) -> tuple[str, float]:
    point, sign, value = text.rpartition("=")
    try:
        number = float(value)
    except ValueError:
        number = -1.0
    if not sign or not number >= 0:
        raise click.UsageError(f"--weight {text}: write POINT=NUMBER with a number from 0")
    return point, number
