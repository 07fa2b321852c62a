"""Taking files one after the other, telling each as it is taken."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from glob import glob
from pathlib import Path

from spc.cli.boarding import BoardKept
from spc.cli.options import say_json, say_on
from spc.cli.progress import Progress
from spc.identity import file_hash
from spc.ingest.checked import Declared
from spc.ingest.mapping import declared_by, read_mapping
from spc.pages.intake_text import taken_text
from spc.store import read
from spc.store.audit import who_is_here
from spc.store.connection import Store
from spc.studies.taken import Taken, taken_before


def declared_from(said: Mapping[str, str | Path | None]) -> Declared:
    """Return what the mapping and the options declare."""
    mapping = said["mapping"]
    base = read_mapping(Path(mapping)) if mapping is not None else Declared()
    laid_over = {k: said[k] for k in ("unit", "zone", "encoding", "part", "revision")}
    return declared_by(base, **{k: None if v is None else str(v) for k, v in laid_over.items()})


def take_all(
    store: Store, files: Sequence[Path], declared: Declared, correction: str, as_json: bool,
    board: Path | None = None,
) -> list[Taken]:  # fmt: skip
    """Take files in order; the text of each is printed as soon as it is in, a board kept up."""
    taken = []
    paths = expanded(files)
    with Progress() as progress, BoardKept(store, board) as kept:
        for at, path in enumerate(paths, start=1):
            progress.say(f"Taking file {at} of {len(paths)}: {path.name}")
            taken.append(_one(store, path, declared, correction))
            progress.clear()
            if not as_json:
                say_on(taken_text(taken[-1]))
            kept.taken(taken[-1].new > 0)
    if as_json:
        say_json(taken)
    return taken


def _one(store: Store, path: Path, declared: Declared, correction: str) -> Taken:
    """Take a file; one that was taken before is known by its bytes, and not read."""
    with suppress(OSError):  # said by the reader, in its own words
        if read.has_file_of(store, path.stat().st_size):
            before = taken_before(store, str(path), file_hash(path))
            if before is not None:
                return before
    # A file that is known does not wait for what reading and fitting need.
    from spc.ingest.results import read_file
    from spc.studies.intake import take_file

    return take_file(store, read_file(path, declared), who_is_here(), correction=correction)


def expanded(files: Sequence[Path]) -> list[Path]:
    """Expand patterns that the shell left alone, as the one on Windows does."""
    paths: list[Path] = []
    for path in files:
        # A file may be called 'runs[1].csv'.
        pattern = any(c in str(path) for c in "*?[") and not path.exists()
        found = sorted(glob(str(path))) if pattern else []
        paths += [Path(name) for name in found] or [path]
    return paths
