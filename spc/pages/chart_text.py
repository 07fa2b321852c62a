"""Charts for the terminal: what they say, and the signals."""

from itertools import groupby

import numpy as np

from spc.pages.display import NONE, count, length, moment, share
from spc.pages.text import table
from spc.pages.units import common_unit, unit_of, unit_of_series
from spc.studies.chart_signals import Signal
from spc.studies.monitor import Monitor
from spc.studies.series import OF_CHECK_POINTS, OF_FIT_POINTS, OF_THE_FIT, kind_of_series
from spc.studies.streams import SIGMA


def monitor_text(monitor: Monitor) -> str:
    """Return the state of every series and mould, from the piece as a whole to fit points."""
    head = ("series", "mould", "points", "center", "limits", "last", "signals", "")
    what = "batch means" if monitor.rows.by == "batch" else "pieces"
    return "\n".join([
        f"{monitor.plan.part} {monitor.plan.revision}: charts of {what}, {_limits_of(monitor)}, "
        f"{_measure(monitor)}",
        *(f"note: {remark}" for remark in (*monitor.remarks, *_common_note(monitor))),
        *(f"note: {text}" for text in floor_words(monitor)),
        "",
        *_in_order_of_reading(monitor, head),
    ])  # fmt: skip


#: What stands above the series of each kind, where there are several.
_KINDS = {
    OF_THE_FIT: "- the fit's own figures and modes ('spc chart shape' judges the piece as a whole)",
    OF_CHECK_POINTS: "- check points",
    OF_FIT_POINTS: "- fit points, to look into only: the fit pulls them to zero",
}


def _in_order_of_reading(monitor: Monitor, head: tuple[str, ...]) -> list[str]:
    """Return the lines of the table by kind of series, in each those with most signals first."""
    points = {point.id for point in monitor.plan.points}
    kinds = {
        name: kind_of_series(monitor.series, column, points)
        for column, name in enumerate(monitor.series.names)
    }
    found = sorted(_states(monitor), key=lambda state: (kinds[state[1]], -state[0], state[1]))
    first, rule, *lines = table(head, [row for _, _, row in found], "  rrrrr").splitlines()
    told = [first, rule]
    for kind, some in groupby(zip(found, lines, strict=True), key=lambda row: kinds[row[0][1]]):
        told += [_KINDS[kind]] if len(set(kinds.values())) > 1 else []
        told += [line for _, line in some]
    return told


def _measure(monitor: Monitor) -> str:
    if common_unit(monitor) == SIGMA:
        return "in standard deviations of each piece's own mould or cavity"
    return f"lengths in {monitor.plan.unit}"


#: Series up to which each one's share of measuring is told in words.
_FEW = 4


def floor_words(monitor: Monitor) -> list[str]:
    """Return what measuring makes of the spread behind the limits, where it is too much, or few."""
    unit, words = monitor.plan.unit, list[str]()
    what = "a batch mean at least" if monitor.rows.by == "batch" else "a value"
    for floor in monitor.measuring:
        made = (
            f"{floor.series}: measuring alone gives {what} {length(floor.sd, unit)} {unit}"
            f" (gauge study {floor.study}), its limits stand on {length(floor.sigma, unit)}"
        )
        if floor.below:
            words.append(f"{made}: they lie below what measuring makes, and would watch the gauge")
        elif len(monitor.series.names) <= _FEW:
            words.append(f"{made}: {share(floor.share)} of the variance")
    return words


def _limits_of(monitor: Monitor) -> str:
    if monitor.frozen.all():
        return "frozen limits"
    also = "frozen limits, and others" if monitor.frozen.any() else "limits"
    return f"{also} from {monitor.baseline}"


def _common_note(monitor: Monitor) -> tuple[str, ...]:
    notes = set(monitor.notes)
    return tuple(notes) if len(notes) == 1 and notes != {""} else ()


def _states(monitor: Monitor) -> list[tuple[int, str, tuple[str, ...]]]:
    states: list[tuple[int, str, tuple[str, ...]]] = []
    moulds = np.array(monitor.rows.moulds, dtype=object)
    common = bool(_common_note(monitor))
    for column, name in enumerate(monitor.series.names):
        unit = unit_of(monitor, column)
        for mould in sorted(set(monitor.rows.moulds)):
            at = np.flatnonzero(moulds == mould)
            mine = [s for s in monitor.signals if s.series == name and s.mould == mould]
            lower, upper = monitor.lower[at[-1], column], monitor.upper[at[-1], column]
            limits = f"{length(lower, unit)} to {length(upper, unit)}"
            row = (
                name, mould or NONE, str(len(at)), length(monitor.center[at[-1], column], unit),
                limits if np.isfinite(upper) else NONE,
                length(monitor.values[at[-1], column], unit), str(len(mine)),
                "" if common else monitor.notes[column],
            )  # fmt: skip
            states.append((len(mine), name, row))
    return states


def chart_text(monitor: Monitor) -> str:
    """Return the charts of the series with their signals in words."""
    found = [f"note: {one.series}: {text}" for one in monitor.granted for text in one.words]
    found += [_signal_text(s, monitor) for s in monitor.signals]
    tail = found or ["No signal."]
    return "\n".join([monitor_text(monitor), "", *tail])


def _signal_text(signal: Signal, monitor: Monitor) -> str:
    unit = unit_of_series(monitor, signal.series)
    where = f"{signal.series}" + (f", mould {signal.mould}" if signal.mould else "")
    size = length(signal.value - signal.center, unit, signed=True)
    until = f" to {signal.last}" if signal.last != signal.first else ""
    off = f", {size} {unit} off the centre"
    what = "batch" if monitor.rows.by == "batch" else "piece"
    return (
        f"SIGNAL {where}: {signal.rule}, {what} {signal.first}{until} "
        f"({moment(signal.since)}; {count(signal.points, 'point')}){off}"
    )
