"""Whether a point was stable over the span that its capability is asked for.

The span's own batch means are judged, each mould's about its own centre, with limits that a steady
point passes in `RATE` of spans, however many batches they have. What the charts of the whole
history show in the span, by the limits in force, is told beside it and decides nothing here.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.charts.rules import RULES
from spc.charts.steady import Steadiness, steadiness
from spc.store.connection import Store
from spc.studies.answers_given import answers_given
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.lines import FEWEST
from spc.studies.moments import BATCH, chart_rows
from spc.studies.monitor import monitor
from spc.studies.signals import OPEN, listed

#: Share of steady points that are called unstable by chance.
RATE = 0.05


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


def stabilities(past: History, values: Array) -> tuple[Stability, ...]:
    """Return whether each column of values (runs, points) was stable over the history given."""
    everything = np.ones(len(past.runs), dtype=bool)
    rows = chart_rows(past.runs, values, everything, BATCH)
    found = steadiness(rows.values, spans=rows.spans, rate=RATE)
    return tuple(
        _stability(found, at, rows.labels, rows.moulds, rows.times) for at in range(values.shape[1])
    )


def _stability(
    found: Steadiness, at: int, labels: tuple[str, ...], moulds: tuple[str, ...],
    times: npt.NDArray[np.datetime64],
) -> Stability:  # fmt: skip
    n = int(found.n[at])
    if n < FEWEST:
        return Stability(
            stable=None,
            why=f"{n} {'batch is' if n == 1 else 'batches are'} too few to tell whether the "
            f"process is stable; {FEWEST} are needed",
        )
    if np.isnan(found.width[at]):
        return Stability(stable=None, why="the batch means of a mould do not vary, or are too few "
                         "to tell whether the process is stable")  # fmt: skip
    value, average = found.values_beyond[:, at], found.average_beyond[:, at]
    beyond = np.flatnonzero(value | average)
    if not beyond.size:
        return Stability(stable=True)
    first = int(beyond[np.argmin(times[beyond])])
    rule = RULES["beyond limit"].text if value[first] else "the moving average beyond its limit"
    more = f" and {beyond.size - 1} more" if beyond.size > 1 else ""
    mould = f" of mould {moulds[first]}" if moulds[first] else ""
    return Stability(stable=False, why=f"{rule}{mould} at {labels[first]}{more}")


def open_in_span(
    store: Store, span: History, names: tuple[str, ...], result_set: str
) -> tuple[str, ...]:
    """Return the points whose chart of the whole history has an open signal within the span."""
    chart = monitor(store, span.plan.part, span.plan.revision, names=names, result_set=result_set)
    moulds = set(span.runs["mould"].astype(str))
    since, until = span.runs["measured_at"].min(), span.runs["measured_at"].max()
    answers = answers_given(store, span.plan.part)
    found = {
        s.series
        for s in listed(chart, answers).signals
        if s.state == OPEN and s.mould in moulds and s.since <= until and s.until >= since
    }
    return tuple(name for name in names if name in found)


def judged_words(words: str, steady: tuple[Stability, ...], still_open: tuple[str, ...]) -> str:
    """Return over which span stability was judged, and whether other charts say otherwise."""
    told = [s for s in steady if s.stable is not None]
    if not told:
        return ""
    said = (
        f"stability is judged within {_named(words)} alone, by limits that {100 * RATE:g} of 100 "
        "steady points pass by chance"
    )
    if not still_open:
        return said
    points = "1 point" if len(still_open) == 1 else f"{len(still_open)} points"
    return (
        f"{said}; on the charts of the whole history signals are open in this span at {points}: "
        "what is shown here is of the level within it ('spc signals list')"
    )


def _named(words: str) -> str:
    return words if words.startswith("the ") else f"the span {words}"
