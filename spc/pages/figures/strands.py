"""One series of one mould, cut from a study's arrays for drawing."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.pages.display import count, moment, per
from spc.pages.units import unit_of
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART, Signal
from spc.studies.moments import PIECE
from spc.studies.monitor import Monitor

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strand:
    """Rows of one mould of one series; lengths in the plan's unit.

    Parameters
    ----------
    mould
        The mould; empty text where it is unknown.
    tools
        The moulds whose pieces are on it: several where they share a chart.
    rows
        (n,), their rows in the study.
    values, center, lower, upper
        (n,), what is charted, with centre and limits; NaN where there is none.
    average, average_lower, average_upper
        (n,), moving average and its limits.
    ranges, range_upper
        (n,), jump from the row before, and its limit, in the charted scale.
    baseline
        (n,), True where the limits stand on the row; nowhere where the limits are frozen ones.
    signals
        The signals of this series and mould.
    note
        Why there are no limits at the newest row, or what weakens them.
    scaled
        True where the charted scale is not the unit.
    unit
        The plan's unit, or the series' own where it is no length.
    """

    mould: str
    tools: frozenset[str]
    rows: npt.NDArray[np.int64]
    values: Floats
    center: Floats
    lower: Floats
    upper: Floats
    average: Floats
    average_lower: Floats
    average_upper: Floats
    ranges: Floats
    range_upper: Floats
    baseline: npt.NDArray[np.bool_]
    signals: tuple[Signal, ...]
    note: str
    scaled: bool
    unit: str

    @property
    def has_limits(self) -> bool:
        """Return whether any row has limits."""
        return bool(np.isfinite(self.upper).any())

    def drawn(self, chart: str) -> Floats:
        """Return what that chart draws."""
        return {VALUE_CHART: self.values, EWMA_CHART: self.average, RANGE_CHART: self.ranges}[chart]


def strands(study: Monitor, column: int) -> tuple[Strand, ...]:
    """Return the series in that column, one strand a mould, in the order of the study."""
    return tuple(
        _strand(study, column, np.flatnonzero(study.rows.spans == span))
        for span in range(int(study.rows.spans.max()) + 1)
    )


def row_names(study: Monitor) -> tuple[str, ...]:
    """Return each row's name with its time, and its pieces where it is a batch."""
    rows = study.rows
    times = [moment(t.item()) for t in rows.times.astype("datetime64[us]")]
    sizes = [
        "" if rows.by == PIECE else f", {count(int(pieces), 'piece')}" for pieces in rows.pieces
    ]
    return tuple(
        f"{name}, {time}{size}" for name, time, size in zip(rows.labels, times, sizes, strict=True)
    )


def _strand(study: Monitor, column: int, rows: npt.NDArray[np.int64]) -> Strand:
    unit = unit_of(study, column)
    one = per(unit)
    skewed = bool(study.series.skewed[column])
    # A power two thirds of mm has no inch; it stays as the study has it.
    scale = 1.0 if skewed else one
    name, mould = study.series.names[column], study.rows.moulds[int(rows[0])]
    own = {
        key: getattr(study, key)[rows, column] / one
        for key in ("values", "center", "lower", "upper", "average", "average_lower",
                    "average_upper")
    }  # fmt: skip
    return Strand(
        mould=mould,
        tools=study.rows.tools_of(mould),
        rows=rows,
        **own,
        ranges=study.ranges[rows, column] / scale,
        range_upper=study.range_upper[rows, column] / scale,
        baseline=study.rows.baseline[rows] & ~study.frozen[column],
        signals=tuple(s for s in study.signals if s.series == name and s.mould == mould),
        note=_note(study, column, own["upper"]),
        scaled=skewed,
        unit=unit,
    )


def _note(study: Monitor, column: int, upper: Floats) -> str:
    """Return the study's note, or why it does not hold for this mould."""
    said = study.notes[column]
    if np.isfinite(upper[-1]) or said.startswith("no limits"):
        return said
    if study.frozen[column]:
        return "no limits: no frozen ones are in force here"
    return "no limits: this mould has no value in the baseline"


def last(line: Floats) -> float:
    """Return the newest finite value of a line, NaN where there is none."""
    there = line[np.isfinite(line)]
    return float(there[-1]) if there.size else float("nan")


def rows_of(study: Monitor, strand: Strand, signal: Signal) -> npt.NDArray[np.int64]:
    """Return the places within the strand that a signal covers."""
    labels = [study.rows.labels[at] for at in strand.rows]
    return np.arange(labels.index(signal.first), labels.index(signal.last) + 1)
