"""What the demonstration found, for the terminal."""

from pathlib import Path

from spc.pages.display import count, length
from spc.studies.hit_check import SuspectHit
from spc.studies.monitor import VALUE_CHART, Signal
from spc.studies.month import Month
from spc.studies.point_state import leading


def demo_text(
    month: Month,
    suspects: tuple[SuspectHit, ...],
    *,
    store: Path,
    page: Path,
    files: int,
    runs: int,
) -> str:
    """Return what was found over the history, the month's answer, and what to open."""
    return "\n".join([
        f"{count(runs, 'run')} from {count(files, 'file')} are in {store}.",
        "",
        "Found in the whole history:",
        *_history(month, suspects),
        "",
        f"{month.plan.name}, {month.period.name}:",
        *(f"  {sentence}" for sentence in month.answer),
        "",
        f"Open {page} in a browser.",
        f"Then try: spc chart show tail-left --store {store}",
    ])  # fmt: skip


def _history(month: Month, suspects: tuple[SuspectHit, ...]) -> list[str]:
    unit = month.plan.unit
    values = tuple(s for s in month.monitor.signals if s.chart == VALUE_CHART)
    by_batch: dict[tuple[str, str], list[Signal]] = {}
    for signal in leading(values):
        by_batch.setdefault((signal.mould, signal.first), []).append(signal)
    lines = [_group(signals, unit) for signals in by_batch.values() if len(signals) >= 2]
    lines += [
        f"  a bad hit: {s.point} hit {s.hit} of piece {s.serial} lies "
        f"{length(s.off, unit, signed=True)} {unit} off its neighbours"
        for s in suspects
    ]
    return lines


def _group(signals: list[Signal], unit: str) -> str:
    largest = max(signals, key=lambda s: abs(s.value - s.center))
    names = ", ".join(s.series for s in signals[:4])
    more = f" and {len(signals) - 4} more" if len(signals) > 4 else ""
    where = f"mould {largest.mould or 'unknown'}, batch {largest.first}"
    return (
        f"  {where}: {count(len(signals), 'chart leaves its', 'charts leave their')} "
        f"limits ({names}{more}), most {largest.series} by "
        f"{length(largest.value - largest.center, unit, signed=True)} {unit}"
    )
