"""spc ingest."""

from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from spc.cli.options import Finite, json_option, store_option, writer
from spc.errors import InputError


@click.command("ingest")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--unit", help="Unit of every length in the files: mm, in or thou.")
@click.option("--zone", help="Time zone of times without one, such as Europe/Berlin.")
@click.option("--encoding", help="Code page where it is not UTF-8, such as cp1252.")
@click.option("--part", help="Part number, where the files do not say it.")
@click.option("--revision", help="Revision, where the files do not say it.")
@click.option(
    "--mapping", type=click.Path(path_type=Path), help="TOML file with what the source leaves out."
)
@click.option(
    "--correct", metavar="REASON",
    help="Let mould, cavity or batch of known pieces change, for this reason; both are kept.",
)  # fmt: skip
@click.option(
    "--board", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Write the board of the piece measured last to this page after every file.",
)  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Show what would be taken; nothing is written.")
@click.option(
    "--draft-mapping", is_flag=True, help="Print a mapping guessed from the file, to be finished."
)
@click.option(
    "--follow", "folder", type=click.Path(path_type=Path), metavar="FOLDER",
    help="Take each new file of this folder once it is complete, and say each run's verdict.",
)  # fmt: skip
@click.option("--once", is_flag=True, help="With --follow: take what is there, and end.")
@click.option(
    "--settle", type=Finite(min=0.0), default=2.0, show_default=True, metavar="SECONDS",
    help="With --follow: a file that has not changed for so long is complete.",
)  # fmt: skip
@click.option(
    "--every", type=Finite(min=0.1), default=1.0, show_default=True, metavar="SECONDS",
    help="With --follow: how often to look.",
)  # fmt: skip
@click.option("--rejected", is_flag=True, help="List files of followed folders to be put right.")
@store_option
@json_option
def command(
    files: tuple[Path, ...], store_path: Path, as_json: bool, board: Path | None,
    dry_run: bool, draft_mapping: bool, folder: Path | None, once: bool, settle: float,
    every: float, rejected: bool, **said: str | None,
) -> int:  # fmt: skip
    """Take results or events into the store: CSV, Parquet, JSON lines, spreadsheets, QIF Results.

    Each file is taken whole or not at all; the same file again changes nothing. Files are taken in
    the order given, and the first that cannot be taken stops the command.

    Example: spc ingest sample-runs/runs/*.csv sample-runs/events.csv
    """
    from spc.cli.taking import declared_from, expanded, take_all

    _one_way(files, folder=folder is not None, rejected=rejected, dry_run=dry_run,
             draft_mapping=draft_mapping)  # fmt: skip
    _refuse_blank(said["correct"])
    if rejected:
        from spc.cli.following import show_rejected

        return show_rejected(store_path, as_json)
    declared = declared_from(said)
    if folder is not None:
        return _follow(once, as_json, folder=folder, store=store_path, declared=declared,
                       board=board, correction=said["correct"] or "", settle=settle,
                       every=every)  # fmt: skip
    if draft_mapping:
        from spc.cli.drafting import show_mapping

        return show_mapping(files, declared, as_json)
    if dry_run:
        from spc.cli.trying import try_all

        return try_all(store_path, expanded(files), declared, said["correct"] or "", as_json)
    with writer(store_path) as store:
        take_all(store, files, declared, said["correct"] or "", as_json, board)
    return 0


def _follow(once: bool, as_json: bool, **how: Any) -> int:
    """Follow a folder; verdicts need most of the program, which taking a file does not."""
    from spc.cli.following import Following, follow_folder

    return follow_folder(Following(**how), once=once, as_json=as_json)


def _refuse_blank(reason: str | None) -> None:
    if reason is not None and not reason.strip():
        raise InputError("--correct is empty", do="say why; it is kept with the correction")


#: For options that mean something for one way of asking only, the ways that they go with.
_GO_WITH = {
    "once": ("folder",), "settle": ("folder",), "every": ("folder",),
    "board": ("", "folder"), "correct": ("", "folder", "dry_run"),
}  # fmt: skip
_CALLED = {"folder": "--follow", "rejected": "--rejected", "dry_run": "--dry-run",
           "draft_mapping": "--draft-mapping"}  # fmt: skip


def _one_way(files: tuple[Path, ...], **asked: bool) -> None:
    """Refuse what asks for several things at once, for nothing, or for what would be passed by."""
    context = click.get_current_context()
    ways = [way for way, wanted in asked.items() if wanted]
    if not files and not {"folder", "rejected"} & set(ways):
        raise click.UsageError("Missing argument 'FILES...'", context)
    if (files and {"folder", "rejected"} & set(ways)) or {"folder", "rejected"} <= set(ways):
        raise click.UsageError("name FILES, or --follow a folder, or ask for --rejected", context)
    if len(ways) > 1:
        raise click.UsageError(f"{_CALLED[ways[0]]} does not go with {_CALLED[ways[1]]}", context)
    way = ways[0] if ways else ""
    for option, goes_with in _GO_WITH.items():
        if context.get_parameter_source(option) != ParameterSource.DEFAULT and way not in goes_with:
            raise click.UsageError(
                f"--{option} goes with --follow only"
                if goes_with == ("folder",)
                else f"--{option} does not go with {_CALLED[way]}",
                context,
            )
