"""spc store."""

from pathlib import Path

import click

from spc.cli.options import FOUND, json_option, reader, show, store_option, waiting, writer


@click.group("store")
def command() -> None:
    """Look after the store: overview, check, backup, merge, corrections, new versions."""


@command.command("info")
@store_option
@json_option
def info(store_path: Path, as_json: bool) -> None:
    """Show what the store holds.

    Example: spc store info
    """
    from spc.pages.store_text import info_text
    from spc.studies.store_info import store_info

    with reader(store_path) as store:
        found = store_info(store)
    show(found, info_text, as_json)


@command.command("check")
@click.option(
    "--known", default="", metavar="HASH",
    help="An entry of the audit chain that an earlier check told, and that must still be there.",
)  # fmt: skip
@store_option
@json_option
def check(store_path: Path, as_json: bool, known: str) -> int | None:
    """Prove that the store is whole: references, identities, numbers, fits, the audit chain.

    Exit status 1 where something does not hold; it is said in words. Keep the hash of the last
    entry elsewhere, on the month's paper say: with --known a later check proves that nothing of
    what was there then has been cut off.

    Example: spc store check
    """
    from spc.pages.store_text import checked_text
    from spc.studies.store_check import check_store

    with reader(store_path) as store:
        found = check_store(store, known.strip().lower())
    show(found, checked_text, as_json)
    return None if found.whole else FOUND


@command.command("backup")
@click.argument("to", type=click.Path(path_type=Path))
@store_option
@json_option
def backup(store_path: Path, as_json: bool, to: Path) -> int | None:
    """Copy the store, while others may read it, and check the copy.

    TO is a new file, or a folder in which the copy gets a name with the time. Exit status 1 where
    the copy, and so the store itself, does not pass the check.

    Example: spc store backup /media/backups/hood.duckdb
    """
    from spc.pages.store_text import backup_text
    from spc.studies.store_backup import back_up

    with reader(store_path) as store:
        made = back_up(store, to)
    show(made, backup_text, as_json)
    return None if made.checked.whole else FOUND


@command.command("merge")
@click.argument("other", type=click.Path(path_type=Path))
@click.option(
    "--take-rest", is_flag=True,
    help="Where stores contradict each other, take all but the files that this is about.",
)  # fmt: skip
@store_option
@json_option
def merge(store_path: Path, as_json: bool, other: Path, take_rest: bool) -> int | None:
    """Take what the store OTHER has and this one has not; OTHER stays as it is.

    In any order, and as often as one likes. Where the two contradict each other nothing is taken,
    the contradictions are listed, and the exit status is 1.

    Example: spc store merge station-2.duckdb
    """
    from spc.pages.store_text import merged_text
    from spc.store.audit import who_is_here
    from spc.studies.store_merge import merge_store

    with writer(store_path) as store:
        merged = merge_store(store, other, who_is_here(), take_rest=take_rest, wait=waiting())
    show(merged, merged_text, as_json)
    return FOUND if merged.conflicts else None


@command.command("correct")
@click.argument("piece", metavar="SERIAL")
@click.option("--mould", help="The mould that it came from.")
@click.option("--cavity", help="The cavity of the mould.")
@click.option("--batch", help="The batch that it was moulded in.")
@click.option("--serial", help="The serial that its runs belong under.")
@click.option("--run", help="With --serial: this run only.")
@click.option("--why", required=True, help="The reason; it is kept with the correction.")
@click.option("--part", help="Part number, where several parts have a piece of that serial.")
@store_option
@json_option
def correct(
    store_path: Path, as_json: bool, piece: str, why: str, part: str | None, serial: str | None,
    run: str | None, **words: str | None,
) -> None:  # fmt: skip
    """Correct what the store says of the piece SERIAL; what it said before is kept.

    Example: spc store correct H0188 --mould K1 --why "plate misread"
    """
    from spc.cli.correcting import corrected
    from spc.pages.store_text import corrected_text

    with writer(store_path) as store:
        done = corrected(store, piece, words, serial, run, why=why, part=part)
    show(done, corrected_text, as_json)


@command.command("migrate")
@store_option
@json_option
def migrate(store_path: Path, as_json: bool) -> None:
    """Bring a store of an older version of spc forward; a backup is made beside it first.

    Example: spc store migrate
    """
    from spc.pages.store_text import migrated_text
    from spc.store.audit import who_is_here
    from spc.studies.store_forward import bring_forward

    show(bring_forward(store_path, who_is_here(), wait=waiting()), migrated_text, as_json)
