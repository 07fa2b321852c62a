"""What a followed folder brings, for the terminal: verdicts first, to be read from a step away."""

from collections.abc import Sequence

from spc.pages.display import count, moment
from spc.pages.intake_text import taken_text
from spc.pages.text import table
from spc.studies.followed import Followed
from spc.studies.rejections import RejectedFile
from spc.studies.run_verdicts import RunVerdict

#: Width of the longest verdict.
_WIDTH = len("RE-MEASURE")


def followed_text(followed: Followed) -> str:
    """Return a line for each run, the verdict at its head, and what the file brought."""
    if followed.taken is None:
        return f"{'REJECTED':<{_WIDTH}}  {followed.rejected}"
    return "\n".join([taken_text(followed.taken), *(_line(v) for v in followed.verdicts)])


def _line(verdict: RunVerdict) -> str:
    points = f" ({', '.join(verdict.points)})" if verdict.points else ""
    words = verdict.headline[:1].lower() + verdict.headline[1:]
    return (
        f"{verdict.verdict.upper():<{_WIDTH}}  {verdict.serial}{points}, run {verdict.run}: {words}"
    )


def rejected_text(files: Sequence[RejectedFile], gone: frozenset[str] = frozenset()) -> str:
    """Return the list of files that are still to be put right.

    Parameters
    ----------
    files
        The files.
    gone
        Names of those that are not found now, be it that they are gone or that the names begin at
        another folder: what they held was never taken, and they stay on the list until it is.
    """
    if not files:
        return "No file is waiting to be put right."
    rows = [
        (moment(f.rejected_at), f.name + " (not found from here)" * (f.name in gone),
         f.reason.removeprefix(f"{f.name}: "))
        for f in files
    ]  # fmt: skip
    head = count(len(files), "file")
    return f"{head} to be put right:\n" + table(("tried (UTC)", "file", "reason"), rows)
