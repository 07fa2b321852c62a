"""spc plan."""

from pathlib import Path

import click

from spc.cli.options import (
    FOUND,
    Finite,
    json_option,
    part_options,
    reader,
    show,
    store_option,
    writer,
)
from spc.cli.saying import say

#: Noise of one reading, as an option of the commands that judge a plan.
_sigma_option = click.option(
    "--sigma", type=Finite(0, 1000, min_open=True), metavar="MM",
    help="Probing noise of one reading, mm; the plan's, else 0.05.",
)  # fmt: skip


@click.group("plan")
def command() -> None:
    """Add, list and show measurement plans; judge one before anyone measures."""


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
        added = add_plan(store, plan, warnings, who_is_here(), file=str(file))
    show(added, added_text, as_json)


@command.command("draft")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--fit", multiple=True, metavar="NAME,...",
    help="Points that hold the alignment, by name or pattern such as 'deck-*'.",
)  # fmt: skip
@click.option("--to", type=click.Path(path_type=Path, dir_okay=False), help="File to write.")
@click.option("--unit", help="Unit of every length, where the file does not say it.")
@click.option("--part", help="Part number, in place of the file's own.")
@click.option("--revision", help="Revision, in place of the file's own.")
@click.option(
    "--mapping", type=click.Path(path_type=Path), help="TOML file that says what names a point."
)
@json_option
def draft(
    file: Path, fit: tuple[str, ...], to: Path | None, as_json: bool, **said: str | Path | None
) -> None:
    """Draft a plan from the nominals and tolerances of a QIF file; print it, or write it to a file.

    Which points hold the alignment stands in no such file: say it with --fit, or in the draft.

    Example: spc plan draft hood.qif --fit 'deck-*,flank-*,nose-*' --to hood.toml
    """
    from spc.cli.drafting import drafted

    found = drafted(file, fit, to, said)
    if as_json:
        show(found, str, as_json)
    elif to is None:
        say(found.text, nl=False)
    else:
        say(f"Wrote {to}: {found.points} points, {found.fit_points} of them for the fit.")
        for sentence in found.open:
            say(f"  to do: {sentence}")


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


@command.command("check")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@_sigma_option
@click.option("--fail-on", type=click.Choice(["gaps"]), help="Exit with 1 unless it is sound.")
@part_options
@store_option
@json_option
def check(
    file: Path | None, store_path: Path, as_json: bool, part: str | None, revision: str | None,
    sigma: float | None, fail_on: str | None,
) -> int:  # fmt: skip
    """Judge a plan before anyone measures: a FILE, or the one in force of a part in the store.

    Says what its fit holds, shows and hides, and which further point would help most. A plan whose
    fit points leave a motion of the part free is refused with exit status 2.

    Example: spc plan check sample-runs/LH-640.toml --sigma 0.04
    """
    from spc.cli.planning import plan_meant
    from spc.pages.plan_check_text import plan_check_text
    from spc.studies.plan_check import SOUND, checked_plan

    plan, name = plan_meant(file, store_path, part, revision)
    found = checked_plan(plan, sigma=sigma, file=name)
    show(found, plan_check_text, as_json)
    return FOUND if fail_on and found.verdict != SOUND else 0


@command.command("rehearse")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--touch", multiple=True, metavar="POINT=MM", help="A fit point that reads wrong.")
@click.option("--twist", multiple=True, metavar="FACE=MM", help="A twisted face, such as +z=0.5.")
@click.option(
    "--shrink", multiple=True, type=Finite(-50, 50), metavar="PERCENT", help="A smaller part."
)
@_sigma_option
@click.option("--alpha", type=Finite(1e-6, 0.2), default=0.0027, show_default=True,
              help="False alarms of each figure.")  # fmt: skip
@click.option("--trials", type=click.IntRange(100, 50_000), default=2000, show_default=True,
              help="Simulated alignments a fault.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True,
              help="The same seed gives the same figures.")  # fmt: skip
@part_options
@store_option
@json_option
def rehearse(
    file: Path | None, store_path: Path, as_json: bool, part: str | None, revision: str | None,
    touch: tuple[str, ...], twist: tuple[str, ...], shrink: tuple[float, ...],
    sigma: float | None, alpha: float, trials: int, seed: int,
) -> None:  # fmt: skip
    """Plant known faults into a plan and count what its fit would see of them.

    Where no fault is named: nothing, a wrong touch at each fit point, a twist and a shrink.

    Example: spc plan rehearse sample-runs/LH-640.toml --touch deck-1=0.5 --shrink 0.1
    """
    from spc.cli.planning import plan_meant, sized
    from spc.pages.rehearse_text import rehearse_text
    from spc.studies.rehearse_plan import rehearsed_plan

    plan, name = plan_meant(file, store_path, part, revision)
    touches, twists = sized("--touch", touch), sized("--twist", twist)
    found = rehearsed_plan(
        plan, touches=touches, twists=twists, shrinks=shrink, sigma=sigma, alpha=alpha,
        trials=trials, seed=seed, file=name,
    )  # fmt: skip
    show(found, rehearse_text, as_json)
