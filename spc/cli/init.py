"""spc init."""

from pathlib import Path

import click

from spc.cli.options import json_option, say_json, store_option
from spc.cli.saying import say


@click.command("init")
@store_option
@json_option
def command(store_path: Path, as_json: bool) -> None:
    """Make a new, empty store.

    Example: spc init --store hood.duckdb
    """
    from spc.store.audit import record, who_is_here
    from spc.store.connection import create_store

    with create_store(store_path) as store, store.transaction():
        record(store, "store made", store_path.name, who_is_here())
    if as_json:
        say_json({"store": store_path, "made": True})
    else:
        say(f"Made the store {store_path}. Next: spc plan add PLAN.toml")
