"""Options that commands share."""

import os
import sys
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spc.cli.saying import say, tame

if TYPE_CHECKING:
    from spc.store.connection import Store

    _Triple = click.ParamType[tuple[float, float, float]]
else:
    # Of what type a parameter is can be said to type checkers only: older versions refuse it.
    _Triple = click.ParamType

F = TypeVar("F", bound=Callable[..., Any])

#: Status that a command returns where it found something and --fail-on asked for it.
FOUND = 1


class Finite(click.FloatRange):
    """A number in a range; infinity and what is no number, which a range lets pass, are refused."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number, or refuse it in one line."""
        number: float = super().convert(value, param, ctx)
        if not isfinite(number):
            self.fail(f"{value!r} is no plain number.", param, ctx)
        return number


class Position(_Triple):
    """A position in space, three plain numbers with commas between."""

    name = "position"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, float]:
        """Return the three numbers, or refuse them in one line."""
        try:
            x, y, z = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is no position: write X,Y,Z in mm.", param, ctx)
        if not (isfinite(x) and isfinite(y) and isfinite(z)):
            self.fail(f"{value!r} is no plain position.", param, ctx)
        return x, y, z


SEAT = Position()

#: Where the context of a command keeps how long it waits for the store.
_WAIT = "spc.wait"


def store_option(command: F) -> F:
    """Add --store, and --wait for how long to wait for it."""
    command = click.option(
        "--wait", type=Finite(min=0.0), envvar="SPC_WAIT", metavar="SECONDS", show_default="5",
        expose_value=False, is_eager=True, callback=_keep_wait,
        help="How long to wait for a store that another program is using.",
    )(command)  # fmt: skip
    return click.option(
        "--store", "store_path", type=click.Path(path_type=Path, dir_okay=False),
        envvar="SPC_STORE", default=Path("spc.duckdb"), show_default="spc.duckdb",
        help="The store to work on.",
    )(command)  # fmt: skip


def _keep_wait(context: click.Context, _: click.Parameter, value: float | None) -> None:
    """Keep the seconds beside the command, which has no need to know of them."""
    if value is not None:
        context.meta[_WAIT] = value


def waiting() -> float:
    """Return the seconds to wait for a store that another program is using."""
    from spc.store.connection import WAIT_SECONDS

    context = click.get_current_context(silent=True)
    return float(context.meta.get(_WAIT, WAIT_SECONDS)) if context else WAIT_SECONDS


def json_option(command: F) -> F:
    """Add --json."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
    )(command)


def page_option(command: F) -> F:
    """Add --page."""
    return click.option(
        "--page", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
        help="Write it as a page too, which works offline.",
    )(command)  # fmt: skip


def part_options(command: F) -> F:
    """Add --part and --revision."""
    command = click.option("--revision", help="Revision of the part, where there are several.")(
        command
    )
    return click.option("--part", help="Part number; not needed with one part.")(command)


def period_options(command: F) -> F:
    """Add the argument MONTH, and --from and --to for other periods."""
    command = click.option("--to", "last", metavar="DAY", help="Last day of another period.")(
        command
    )
    command = click.option("--from", "first", metavar="DAY", help="First day of another period.")(
        command
    )
    return click.argument("month", required=False)(command)


def reader(store_path: Path) -> "Store":
    """Open the store to read; several commands may do so at once."""
    from spc.store.connection import open_store

    return open_store(store_path, read_only=True, wait=waiting())


def writer(store_path: Path) -> "Store":
    """Open the store to write; one command at a time can."""
    from spc.store.connection import open_store

    return open_store(store_path, wait=waiting())


def show(result: object, text: Callable[[Any], str], as_json: bool) -> None:
    """Print a study as JSON or as text for people."""
    if as_json:
        say_json(result)
    else:
        say(text(result))


def save_page(page: Path | None, html: Callable[[], str], as_json: bool) -> None:
    """Write a page where one was asked for."""
    if page is None:
        return
    from spc.pages.shell import write_page

    write_page(page, html())
    if not as_json:
        say(f"Wrote {page}")


def say_on(text: str) -> None:
    """Print a line of work that goes on, whether or not anybody reads it to the end."""
    try:
        say(text)
    except BrokenPipeError:
        # A reader such as 'head' has gone; what is still to be said goes nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say_json(result: object) -> None:
    """Print one JSON document in UTF-8 whatever the code page; a substitute would be a lie."""
    from spc.pages.json import to_json

    click.echo(tame(to_json(result)).encode())
