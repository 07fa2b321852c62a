"""A file read by columns and by the careful reader: the same results, or the latter's alone."""

from pathlib import Path

import pandas as pd

from spc.errors import InputError
from spc.ingest import results
from spc.ingest.checked import ArmChecks, Declared, Events, Results
from spc.ingest.quick import read_quick
from spc.ingest.results import read_file


def written(data: bytes, folder: Path) -> Path:
    """Write a file of results."""
    path = folder / "results.csv"
    path.write_bytes(data)
    return path


def is_parquet(path: Path) -> bool:
    """Tell whether a file is a Parquet file."""
    return path.read_bytes()[:4] == b"PAR1"


def careful(path: Path, declared: Declared) -> Results | Events | ArmChecks | InputError:
    """Return what the careful reader gives, or its refusal."""
    least = results.LEAST_PACKED if is_parquet(path) else results.LEAST_BYTES
    assert path.stat().st_size < least, "the careful reader is to be asked"
    try:
        return read_file(path, declared)
    except InputError as error:
        return error


def plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with names as text, however they are kept."""
    return frame.apply(lambda c: c.astype(str) if c.dtype.kind not in "ifM" else c)


def same(path: Path, declared: Declared) -> bool:
    """Tell whether the quick reader read the file; then hold it to the careful one, bit by bit."""
    quick = read_quick(path, declared, parquet=is_parquet(path))
    if quick is None:
        return False
    slow = careful(path, declared)
    assert isinstance(slow, Results), slow
    for name in ("name", "file_id", "size", "rows", "depth", "unit", "zone", "warnings", "surface"):
        assert getattr(quick, name) == getattr(slow, name), name
    for name in ("values", "runs"):
        one, other = plain(getattr(quick, name)), plain(getattr(slow, name))
        pd.testing.assert_frame_equal(one[other.columns], other, check_exact=True)
    return True
