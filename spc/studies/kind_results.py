"""What a chart of another kind shows: its panels, figures and signals."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from spc.plan import Plan
from spc.studies.arrays import Array

#: Unit of what is charted as its power two thirds.
TWO_THIRDS = "mm^(2/3)"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One panel of a chart; arrays are (rows,).

    Parameters
    ----------
    name
        What it shows.
    unit
        ``mm``, ``mm^(2/3)``, ``sigma``, or ``points a piece``.
    values, center, lower, upper
        NaN where there is none.
    """

    name: str
    unit: str
    values: Array
    center: Array
    lower: Array
    upper: Array

    @property
    def beyond(self) -> npt.NDArray[np.bool_]:
        """Where a value lies beyond a limit."""
        return np.asarray((self.values > self.upper) | (self.values < self.lower))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A figure beside the chart.

    Parameters
    ----------
    name
        In words.
    value, low, high
        With its interval; NaN where there is none. Lengths in mm.
    unit
        ``mm``, ``mm^(2/3)``, ``share`` or empty.
    """

    name: str
    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelSignal:
    """A point beyond a limit of a panel.

    Parameters
    ----------
    panel, mould, label, at
        Where.
    value, limit
        The value and the limit that it passed.
    """

    panel: str
    mould: str
    label: str
    at: datetime
    value: float
    limit: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KindStudy:
    """One series in another kind of chart.

    Parameters
    ----------
    plan, series, spoken, kind
        What it is.
    labels, moulds, tools, times
        Of the rows; a chart may be of one cavity, whose mould is then the tool.
    sizes
        (rows,), pieces in each.
    in_baseline
        (rows,).
    baseline
        The baseline in words.
    limits
        Which limits are shown, in words: frozen ones, or those of the baseline.
    panels
        The panels.
    facts
        Figures beside the chart.
    signals
        Points beyond a limit.
    notes
        What the reader must know.
    """

    plan: Plan
    series: str
    spoken: str
    kind: str
    labels: tuple[str, ...]
    moulds: tuple[str, ...]
    tools: tuple[str, ...]
    times: npt.NDArray[np.datetime64]
    sizes: npt.NDArray[np.int64]
    in_baseline: npt.NDArray[np.bool_]
    baseline: str
    limits: str
    panels: tuple[Panel, ...]
    facts: tuple[Fact, ...]
    signals: tuple[PanelSignal, ...]
    notes: tuple[str, ...]

    @property
    def limited(self) -> bool:
        """Whether any value has a limit, so that there is a chart to judge by."""
        return any(bool(np.isfinite(p.upper).any()) for p in self.panels)
