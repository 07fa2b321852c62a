"""What became of a file in a followed folder."""

from dataclasses import dataclass

from spc.studies.run_verdicts import RunVerdict
from spc.studies.taken import Taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """A file that was tried.

    Parameters
    ----------
    name
        The file.
    taken
        What became of it; None where it could not be taken.
    verdicts
        The verdict of each run that it brought.
    rejected
        Why it could not be taken; empty where it was.
    """

    name: str
    taken: Taken | None
    verdicts: tuple[RunVerdict, ...]
    rejected: str
