"""Trying files: what each would bring, one refused file not hiding the next."""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from spc.cli.options import reader, show
from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.pages.trial_text import tried_text
from spc.store.connection import Store
from spc.studies.trial import Tried, tried


def try_all(
    store_path: Path, files: Sequence[Path], declared: Declared, correction: str, as_json: bool
) -> int:
    """Show what files would bring, and return the exit status: 2 where one could not be taken."""
    with ExitStack() as opened:
        store = opened.enter_context(reader(store_path)) if store_path.exists() else None
        found = [_tried(store, path, declared, correction) for path in files]
    show(found, tried_text, as_json)
    return 2 if any(one.refused for one in found) else 0


def _tried(store: Store | None, path: Path, declared: Declared, correction: str) -> Tried:
    """Return what a file would bring; of one that is refused, what was read of it and why."""
    alone = Tried(name=str(path))
    try:
        checked = read_file(path, declared)
        alone = tried(None, checked)
        return tried(store, checked, correction=correction) if store else alone
    except InputError as error:
        # The next file is to be seen as well.
        return replace(alone, refused=str(error))
