"""Whether the chart of a point is stable over the span that its capability is asked for.

Any signal counts. Simulated with limits from the same normal batch means (4000 charts a row, values
and moving average), a steady point shows one over 12 batches in 4 % of charts, over 20 in 7 %, over
60 in 21 %.
"""

from dataclasses import dataclass

from spc.studies.lines import FEWEST
from spc.studies.monitor import Monitor


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """What a point's chart says.

    Parameters
    ----------
    stable
        True without a signal, False with one, None where it cannot be told.
    why
        What was found, or why it cannot be told, as part of a sentence; empty where stable.
    """

    stable: bool | None
    why: str = ""


def stability(chart: Monitor, place: int, name: str) -> Stability:
    """Return whether the series at this place of a chart over the span shows a signal."""
    batches = int(chart.n_baseline[:, place].max())
    if batches < FEWEST:
        return Stability(
            stable=None,
            why=f"{batches} {'batch is' if batches == 1 else 'batches are'} too few to tell "
            f"whether the process is stable; {FEWEST} are needed",
        )
    if chart.notes[place].startswith("no limits"):
        return Stability(stable=None, why=f"the chart has {chart.notes[place]}")
    mine = [s for s in chart.signals if s.series == name]
    if not mine:
        return Stability(stable=True)
    first = min(mine, key=lambda s: s.since)
    more = f" and {len(mine) - 1} more" if len(mine) > 1 else ""
    mould = f" of mould {first.mould}" if first.mould else ""
    return Stability(stable=False, why=f"{first.rule}{mould} at {first.first}{more}")
