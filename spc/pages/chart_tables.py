"""Tables about charts, shared by the pages that show them."""

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from spc.pages.blocks import Cell, Column, badge, columns, fold, table, tall_table
from spc.pages.chart_words import between, capital, counted_rows, exact, in_unit, row_word
from spc.pages.display import NONE, decimals, moment, number
from spc.pages.figures.strands import Strand, last, rows_of, strands
from spc.pages.html import Child, Html, el
from spc.pages.reading import OUT, Reading, readings
from spc.pages.units import common_unit, unit_of, unit_of_series
from spc.studies.chart_signals import Signal
from spc.studies.monitor import Monitor
from spc.units import SPOKEN


def signal_table(
    key: str, caption: str, study: Monitor, signals: Iterable[Signal], *, by_name: bool = False
) -> Html:
    """Return a table of signals, the newest first; with the series' names where asked.

    Without them, on a series' own page, the older ones of many are folded; a list of many series
    lies in a fold of its own.
    """
    common = common_unit(study)
    said = f", {common}" if common else ""
    heads = columns(
        *(("series",) if by_name else ()), "mould", "what was found", "from", "to", "time (UTC)",
        "in a row#", "side", f"first value{said}#", f"centre{said}#",
    )  # fmt: skip
    listed = sorted(signals, key=lambda s: (s.since, s.until, s.series), reverse=True)
    rows = [
        (
            *((s.series,) if by_name else ()), s.mould or NONE, s.rule, s.first,
            NONE if s.first == s.last else s.last, moment(s.since), s.points, s.direction,
            *(with_unit(v, unit_of_series(study, s.series), common) for v in (s.value, s.center)),
        )
        for s in listed
    ]  # fmt: skip
    if by_name:
        return table(key, caption, heads, rows)
    return tall_table(key, caption, heads, rows, short=False)


def with_unit(value: float, unit: str, common: str) -> Cell:
    """Return a figure; with its unit where the column has none in ``common``."""
    cell = exact(value, unit)
    return cell if common else Cell(shown=f"{cell.shown} {unit}", value=cell.value)


def limits_table(study: Monitor, column: int) -> Html:
    """Return centre and limits of each mould, and what they stand on."""
    unit = unit_of(study, column)
    scaled = bool(study.series.skewed[column])
    frozen = bool(study.frozen[column])
    heads = columns(
        "mould", f"centre, {unit}#", f"lower limit, {unit}#", f"upper limit, {unit}#",
        f"baseline {row_word(study)} values#",
        "standard deviation#" if scaled else f"standard deviation, {unit}#",
        "degrees of freedom#", "limit of jumps#" if scaled else f"limit of jumps, {unit}#",
    )  # fmt: skip
    rows = [
        (
            own.mould or NONE,
            *(in_unit(last(line), unit) for line in (own.center, own.lower, own.upper)),
            NONE if frozen else str(int(np.isfinite(own.values[own.baseline]).sum())),
            *_spread(study, column, own.mould, unit),
        )
        for own in strands(study, column)
    ]
    caption = (
        "Newest centre and control limits, frozen ones"
        if frozen
        else "Centre and control limits; the standard deviation is common to all moulds"
    )
    return table("limits", caption, heads, rows)


def _spread(study: Monitor, column: int, mould: str, unit: str) -> list[Child | Cell]:
    """Return the newest sigma of a chart, its degrees of freedom, and the limit of its jumps."""
    at = study.newest(column, mould)
    sigma, upper = float(study.sigma[at, column]), float(study.range_upper[at, column])
    df = number(float(study.sigma_df[at, column]), 1) if np.isfinite(sigma) else NONE
    if study.series.skewed[column]:
        return [number(sigma, 4), df, number(upper, 4)]
    return [exact(sigma, unit, signed=False), df, exact(upper, unit, signed=False)]


def events_table(events: pd.DataFrame, key: str = "events") -> Html | None:
    """Return what happened to mould, material and arm, or nothing where nothing is known."""
    if events.empty:
        return None
    rows = [
        (moment(row["happened_at"]), row["kind"], row["mould"] or "all", row["note"])
        for row in events.to_dict("records")
    ]
    heads = columns("time (UTC)", "kind", "mould", "note~")
    caption = "What happened to mould, material and arm"
    return tall_table(key, caption, heads, rows, short=False)


def events_fold(events: pd.DataFrame) -> Html | None:
    """Return the table of events, to be unfolded, or nothing where nothing is known."""
    found = events_table(events)
    return fold("all-events", "Events", found) if found else None


def values_table(study: Monitor, column: int) -> Html:
    """Return every row of the series with its limits and what was found there."""
    unit = unit_of(study, column)
    scaled = bool(study.series.skewed[column])
    heads = (
        *columns(row_word(study), "mould", "time (UTC)", "pieces#", f"value, {unit}#",
                 f"lower limit, {unit}#", f"centre, {unit}#", f"upper limit, {unit}#",
                 f"moving average, {unit}#"),
        Column(name="jump" if scaled else f"jump, {unit}", number=True),
        *columns("baseline", "signal~"),
    )  # fmt: skip
    rows: list[Sequence[Child | Cell]] = []
    marked: list[bool] = []
    for own in strands(study, column):
        found = _signals_by_row(study, own)
        for at in range(len(own.rows)):
            rows.append(_value_row(study, own, at, unit, found.get(at, ())))
            marked.append(at in found)
    caption = f"{capital(study.series.spoken[column])}: every value in {SPOKEN.get(unit, unit)}"
    return table("values", caption, heads, rows, marked=marked)


def _signals_by_row(study: Monitor, own: Strand) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for signal in own.signals:
        for at in rows_of(study, own, signal).tolist():
            found[at] = (*found.get(at, ()), signal.rule)
    return found


def _value_row(
    study: Monitor, own: Strand, at: int, unit: str, found: Sequence[str]
) -> Sequence[Child | Cell]:
    row = int(own.rows[at])
    jump = float(own.ranges[at])
    lines = (own.values, own.lower, own.center, own.upper, own.average)
    plain_jump = f"{jump:.{decimals(unit)}f}" if np.isfinite(jump) else NONE
    return (
        study.rows.labels[row],
        own.mould or NONE,
        moment(study.rows.times[row].astype("datetime64[us]").item()),
        int(study.rows.pieces[row]),
        *(in_unit(float(line[at]), unit) for line in lines),
        Cell(shown=plain_jump, value=repr(jump) if np.isfinite(jump) else ""),
        "yes" if own.baseline[at] else "",
        "; ".join(found),
    )


def state_table(
    study: Monitor, ordered: Sequence[tuple[int, Reading]], key_of: dict[int, str]
) -> Html:
    """Return one row a series: its state, since when, which way and how far.

    Parameters
    ----------
    study
        The charts.
    ordered
        Column and foremost reading of each series, what matters first.
    key_of
        Identity on the page of each column's figure.
    """
    common = common_unit(study)
    said = f", {common}" if common else ""
    heads = columns("series", "state", "mould", "since", f"off centre{said}#",
                    "in st. dev.#", "over", "signals in all#", f"tolerance{said}#")  # fmt: skip
    rows = [
        (
            Cell(
                shown=el("a", reading.series, href=f"#{key_of[column]}"), value=reading.series
            ),
            badge(reading.state),
            reading.mould or NONE,
            reading.since or NONE,
            with_unit(reading.shift, unit_of(study, column), common),
            number(reading.sigmas, 1),
            counted_rows(study, reading.rows) if reading.state == OUT else NONE,
            sum(r.signals for r in readings(study, column)),
            _tolerance(study, column),
        )
        for column, reading in ordered
    ]  # fmt: skip
    caption = (
        "Every series: the fit's own figures and modes, check points, fit points; of each kind "
        "what matters first, and of several moulds the one that is worst"
    )
    return table("states", caption, heads, rows, marked=[r.state == OUT for _, r in ordered])


def _tolerance(study: Monitor, column: int) -> str:
    ends = float(study.series.lower[column]), float(study.series.upper[column])
    return between(*ends, unit_of(study, column))
