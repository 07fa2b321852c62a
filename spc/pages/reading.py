"""What a chart says, in words: in control or not, since when, which way, and by how much."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from spc.pages.display import count, length, moment
from spc.pages.figures.strands import Strand, rows_of, strands
from spc.pages.units import unit_of_series
from spc.studies.moments import PIECE
from spc.studies.monitor import Monitor

OUT, SETTLED, IN, NO_LIMITS = "out of control", "settled again", "in control", "no limits"
#: What matters first.
RANK = {OUT: 0, SETTLED: 1, NO_LIMITS: 2, IN: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One series of one mould; lengths in mm.

    Parameters
    ----------
    series, mould
        The chart.
    state
        ``out of control`` (a signal reaches its newest row), ``settled again`` (an earlier one
        does not), ``in control``, or ``no limits``.
    since, since_at
        Name and time of the row where the unbroken stretch of signals to the newest row began;
        of the last row with a signal where it has settled again; empty and None otherwise.
    rows
        Rows with a value in that stretch.
    shift
        Mean distance of those rows from the centre, signed; of the newest row where there is no
        stretch; NaN without a centre.
    sigmas
        The same in standard deviations of the charted values; NaN without, and for series charted
        in another scale.
    newest, newest_value
        Name and value of the newest row with a value.
    signals
        Number of signals over the whole history.
    note
        Why there are no limits, or what weakens them.
    """

    series: str
    mould: str
    state: str
    since: str
    since_at: datetime | None
    rows: int
    shift: float
    sigmas: float
    newest: str
    newest_value: float
    signals: int
    note: str


def readings(study: Monitor, column: int) -> tuple[Reading, ...]:
    """Return what a series says, one reading a mould."""
    return tuple(_reading(study, column, strand) for strand in strands(study, column))


def foremost(found: tuple[Reading, ...]) -> Reading:
    """Return the reading that matters most."""
    return min(found, key=urgency)


def urgency(reading: Reading) -> tuple[int, float, str]:
    """Return a sorting key: the state first, then how far off."""
    return (RANK[reading.state], -abs(float(np.nan_to_num(reading.sigmas))), reading.series)


def _reading(study: Monitor, column: int, strand: Strand) -> Reading:
    values = study.values[strand.rows, column]
    off = values - study.center[strand.rows, column]
    present = np.flatnonzero(np.isfinite(values))
    newest = int(present[-1]) if present.size else len(values) - 1
    state, first = _state(study, strand, newest)
    stretch = off[first:] if state == OUT else off[newest : newest + 1]
    there = stretch[np.isfinite(stretch)]
    shift = float(there.mean()) if there.size else np.nan
    at = int(strand.rows[first])
    said = state in (OUT, SETTLED)
    return Reading(
        series=study.series.names[column],
        mould=strand.mould,
        state=state,
        since=study.rows.labels[at] if said else "",
        since_at=study.rows.times[at].astype("datetime64[us]").item() if said else None,
        rows=int(there.size) if state == OUT else 0,
        shift=shift,
        sigmas=np.nan if strand.scaled else shift / _sigma(study, column, strand),
        newest=study.rows.labels[int(strand.rows[newest])],
        newest_value=float(values[newest]),
        signals=len(strand.signals),
        note=strand.note,
    )


def _sigma(study: Monitor, column: int, strand: Strand) -> float:
    return float(study.sigma[study.newest(column, strand.mould), column])


def _state(study: Monitor, strand: Strand, newest: int) -> tuple[str, int]:
    """Return the state, and where in the strand its stretch begins."""
    spans = [rows_of(study, strand, signal) for signal in strand.signals]
    ends = [(int(rows[0]), int(rows[-1])) for rows in spans]
    if not np.isfinite(strand.upper[newest]):
        return NO_LIMITS, newest
    if not ends:
        return IN, newest
    reaching = [first for first, last in ends if last >= newest]
    if not reaching:
        return SETTLED, max(last for _, last in ends)
    begin = min(reaching)
    # A stretch goes on through signals of other rules that overlap or touch it.
    for first, last in sorted(ends, key=lambda span: -span[1]):
        if last >= begin - 1:
            begin = min(begin, first)
    return OUT, begin


def sentence(study: Monitor, reading: Reading) -> str:
    """Return a reading as one sentence without the mould's name."""
    unit = unit_of_series(study, reading.series)
    what = "piece" if study.rows.by == PIECE else "batch"
    if reading.state == NO_LIMITS:
        return f"{_capital(reading.note)}."
    if reading.state == OUT:
        rows = count(reading.rows, what, "batches" if what == "batch" else None)
        return (
            f"Out of control since {reading.since} ({_day(reading.since_at)}): on average "
            f"{apart(reading.shift, unit)}, over {rows}."
        )
    newest = f"the newest {what}, {reading.newest}, lies {apart(reading.shift, unit)}"
    if reading.state == SETTLED:
        return (
            f"In control now: {newest}. The last signal was at {reading.since} "
            f"({_day(reading.since_at)})."
        )
    return f"In control over the whole history: {newest}."


def brief(study: Monitor, reading: Reading) -> str:
    """Return the reading in a few words for one line; empty where its state says it all."""
    if reading.state != OUT:
        return ""
    mould = f"{mould_name(reading.mould)}, " if len(set(study.rows.moulds)) > 1 else ""
    unit = unit_of_series(study, reading.series)
    return f"{mould}{apart(reading.shift, unit)} since {reading.since}"


def apart(shift: float, unit: str) -> str:
    """Return a distance from the centre in words."""
    if not np.isfinite(shift):
        return "an unknown distance from the centre (no value)"
    text = length(abs(shift), unit)
    if float(text) == 0:
        return "at the centre"
    return f"{text} {unit} {'above' if shift > 0 else 'below'} the centre"


def mould_name(mould: str) -> str:
    """Return a mould for the middle of a sentence."""
    return f"mould {mould}" if mould else "pieces without a mould"


def _day(when: datetime | None) -> str:
    return moment(when)[:10]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
