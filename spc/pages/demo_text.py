"""What the demonstration found, for the terminal."""

from pathlib import Path

from spc.pages.display import count, length
from spc.studies.hit_check import SuspectHit
from spc.studies.month import Month

#: Shapes named one by one, the strongest first.
NAMED = 4


def demo_text(
    month: Month,
    suspects: tuple[SuspectHit, ...],
    drift: tuple[str, ...],
    *,
    store: Path,
    page: Path,
    files: int,
    runs: int,
) -> str:
    """Return what was found over the history, the month's answer, and what to open."""
    unit = month.plan.unit
    return "\n".join([
        f"{count(runs, 'run')} from {count(files, 'file')} are in {store}.",
        "",
        "Found in the whole history, the strongest first:",
        *(f"  {sentence}" for sentence in drift[:NAMED]),
        *(
            f"  a bad hit: {s.point} hit {s.hit} of piece {s.serial} lies "
            f"{length(s.off, unit, signed=True)} {unit} off its neighbours"
            for s in suspects
        ),
        "",
        f"{month.plan.name}, {month.period.name}:",
        *(f"  {sentence}" for sentence in month.answer),
        "",
        f"Open {page} in a browser.",
        f"Then try: spc run show H0188 --store {store}, and spc drift --store {store}",
    ])  # fmt: skip
