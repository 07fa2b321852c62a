"""An estimate's interval, the one object that every layer passes on."""

from dataclasses import dataclass
from math import isnan


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A confidence, prediction or tolerance interval.

    Parameters
    ----------
    low, high
        Ends in the unit of the estimate; infinite where one-sided.
    level
        Confidence level as a fraction, for example 0.95.
    method
        How it was computed, in words that a page can print.
    """

    low: float
    high: float
    level: float = 0.95
    method: str = ""

    def __post_init__(self) -> None:
        if not 0.0 < self.level < 1.0:
            raise ValueError(f"level must lie between 0 and 1, not {self.level}")
        if not (isnan(self.low) or isnan(self.high)) and self.low > self.high:
            raise ValueError(f"low end {self.low} is above high end {self.high}")

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    def scaled(self, factor: float) -> "Interval":
        """Return the interval times ``factor`` (a change of unit)."""
        ends = sorted((self.low * factor, self.high * factor))
        return Interval(low=ends[0], high=ends[1], level=self.level, method=self.method)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value that a decision rests on, with its interval and what it stands on.

    Parameters
    ----------
    value
        The estimate; NaN where the data cannot support one, and then ``note`` says why.
    interval
        Its interval, or None where none can be given.
    n
        Number of data that it stands on.
    note
        Plain words about its limits, empty where there is nothing to say.
    """

    value: float
    interval: Interval | None = None
    n: int = 0
    note: str = ""
