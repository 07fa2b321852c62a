"""spc plan."""

from pathlib import Path

import click

from spc.cli.options import json_option, part_options, reader, show, store_option, writer


@click.group("plan")
def command() -> None:
    """Add, list and show measurement plans."""


@command.command("add")
@click.argument("file", type=click.Path(path_type=Path))
@store_option
@json_option
def add(file: Path, store_path: Path, as_json: bool) -> None:
    """Check a plan in TOML and add it to the store.

    Example: spc plan add sample-runs/LH-640.toml
    """
    from spc.ingest.plan_toml import read_plan
    from spc.pages.plan_text import added_text
    from spc.store.audit import who_is_here
    from spc.studies.plans import add as add_plan

    plan, warnings = read_plan(file)
    with writer(store_path) as store:
        added = add_plan(store, plan, warnings, who_is_here())
    show(added, added_text, as_json)


@command.command("list")
@store_option
@json_option
def list_plans(store_path: Path, as_json: bool) -> None:
    """List the plans in the store; the last added of a part is in force.

    Example: spc plan list
    """
    from spc.pages.plan_text import listed_text
    from spc.studies.plans import listed

    with reader(store_path) as store:
        plans = listed(store)
    show(plans, listed_text, as_json)


@command.command("show")
@part_options
@store_option
@json_option
def show_plan(part: str | None, revision: str | None, store_path: Path, as_json: bool) -> None:
    """Show the points of a plan.

    Example: spc plan show --part LH-640
    """
    from spc.pages.plan_text import plan_text
    from spc.store.read import plan as plan_in_force

    with reader(store_path) as store:
        plan = plan_in_force(store, part, revision)
    show(plan, plan_text, as_json)
