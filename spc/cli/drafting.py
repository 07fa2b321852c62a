"""Drafts for people to finish: a plan from a QIF file, a mapping from a results file."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import click

from spc.cli.options import say_json
from spc.cli.saying import say
from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.draft_mapping import draft_mapping
from spc.ingest.mapping import declared_by, read_mapping
from spc.ingest.qif.draft import PlanDraft, draft_plan
from spc.ingest.text import read_bytes


def drafted(
    file: Path, fit: Sequence[str], to: Path | None, said: Mapping[str, str | Path | None]
) -> PlanDraft:
    """Return the draft of a plan, written where asked for; a file that is there is left alone."""
    mapping = said["mapping"]
    base = read_mapping(Path(mapping)) if mapping is not None else Declared()
    laid_over = {key: said[key] for key in ("unit", "part", "revision")}
    declared = declared_by(
        base, zone=None, encoding=None,
        **{key: None if v is None else str(v) for key, v in laid_over.items()},
    )  # fmt: skip
    names = [name.strip() for text in fit for name in text.split(",") if name.strip()]
    found = draft_plan(read_bytes(file), str(file), declared, names)
    if to is not None:
        _write(to, found.text)
    return found


def _write(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        raise InputError(
            "there is a file of that name already", file=str(path), do="name another one"
        ) from None


def show_mapping(files: Sequence[Path], declared: Declared, as_json: bool) -> int:
    """Print the draft of a mapping for one file."""
    if len(files) != 1:
        raise click.UsageError("--draft-mapping takes one file")
    found = draft_mapping(files[0], declared)
    if as_json:
        say_json(found)
    else:
        say(found.text, nl=False)
    return 0
