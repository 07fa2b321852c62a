"""The options of a capability question, and the question made of them."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from spc.cli.options import F
from spc.errors import InputError

if TYPE_CHECKING:
    from spc.studies.capability_asked import Asked


def question_options(command: F) -> F:
    """Add the options that say what is asked and how it is judged."""
    for option in reversed(_options()):
        command = option(command)
    return command


def _options() -> tuple[Callable[[F], F], ...]:
    return (
        click.option("--required", default=1.33, show_default=True, help="The minimum asked for."),
        click.option("--index", type=click.Choice(["ppk", "cpk"]), default="ppk",
                     show_default=True, help="The index that is judged against it."),
        click.option("--target", "targets", multiple=True, metavar="POINT=MM",
                     help="A point's target, mm; else the middle of its tolerance."),
        click.option("--shape", type=click.Choice(["auto", "normal"]), default="auto",
                     show_default=True,
                     help="Percentiles of the shape that fits where readings are not normal, or "
                     "take all as normal."),
        click.option("--performance", is_flag=True,
                     help="Where the process is not stable, give Pp and Ppk as performance only."),
        click.option("--details", is_flag=True,
                     help="Everything about every point; one point named gets it anyway."),
        click.option("--level", default=0.95, show_default=True, help="Confidence level."),
        click.option("--coverage", default=0.99, show_default=True,
                     help="Share of pieces that the tolerance interval holds."),
        click.option("--guard", default=1.645, show_default=True,
                     help="Guard band at each limit, in standard uncertainties; 0 for none."),
        click.option("--gauge", help="Gauge study to use; the newest where not named."),
    )  # fmt: skip


def asked_of(points: tuple[str, ...], as_json: bool, **said: Any) -> "Asked":
    """Return the question; one point named, and a document, are given everything."""
    from spc.studies.capability_asked import Asked

    said["details"] = said["details"] or as_json or len(set(points)) == 1
    said["targets"] = tuple(_target(text) for text in said["targets"])
    return Asked(points=points, **said)


def _target(text: str) -> tuple[str, float]:
    name, sign, value = text.rpartition("=")
    try:
        if not sign or not name:
            raise ValueError
        return name, float(value)
    except ValueError:
        raise InputError(
            f"--target '{text}'", do="write the point and its target in mm, such as rim-1=0.2"
        ) from None
