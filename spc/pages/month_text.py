"""A month for the terminal: the answer, and what to look at."""

from collections import Counter
from pathlib import Path

from spc.pages.display import count, length
from spc.studies.month import Month
from spc.studies.month_rows import Gap
from spc.studies.signals import OPEN


def month_text(month: Month, page: Path) -> str:
    """Return the month's sentences, its findings, and the page to open."""
    head = f"{month.plan.part} {month.plan.revision}, {month.period.name}"
    return "\n".join([head, *month.answer, *findings(month), f"Open {page}"])


def findings(month: Month) -> list[str]:
    """Return one line for each thing found in the month."""
    unit = month.plan.unit
    lines = [
        f"  bad hit: {s.point} hit {s.hit} of piece {s.serial} (run {s.run}) lies "
        f"{length(s.off, unit, signed=True)} {unit} off its neighbours"
        for s in month.suspects
    ]
    lines += [
        f"  hold: piece {h.serial} (run {h.run}) leaves {length(h.residual, unit, signed=True)} "
        f"{unit} at {h.point}"
        for h in month.held
    ]
    lines += [f"  measured again: piece {r.serial}, {r.later} in place of {r.earlier}"
              for r in month.remeasured]  # fmt: skip
    lines += not_measured(month.gaps)
    return [*lines, *_charts(month)]


def _charts(month: Month) -> list[str]:
    """Count charts as the page lists them: those whose signals began in the month, and older."""
    start = month.period.start
    new = [s for s in month.listed if s.since >= start]
    old = [s for s in month.listed if s.since < start]
    named = ", ".join(dict.fromkeys(s.series for s in new))
    lines = [f"  {count(len(new), 'chart')} with new signals: {named}"] if new else []
    open_still = sum(s.state == OPEN for s in old)
    if old:
        still = "" if open_still == len(old) else f", {open_still} of them open"
        lines.append(f"  {count(len(old), 'chart')} with older signals still there{still}")
    return lines


#: As many pieces with missing points are named one by one; more become a sum.
NAMED_GAPS = 5


def not_measured(gaps: tuple[Gap, ...]) -> list[str]:
    """Name the points not measured piece by piece, or sum them where that would bury the rest."""
    if len(gaps) <= NAMED_GAPS:
        return [f"  not measured: {', '.join(g.points)} of piece {g.serial}" for g in gaps]
    often = Counter(point for gap in gaps for point in gap.points)
    # Ties by name, so that the same store says the same words.
    point, most = min(often.items(), key=lambda item: (-item[1], item[0]))
    return [
        f"  not measured: {count(often.total(), 'reading')} at {count(len(often), 'point')} of "
        f"{count(len(gaps), 'piece')}, most often {point} ({most}); the page and its tables "
        "name them"
    ]
