"""A design that is worth choosing in the place of another."""

from dataclasses import dataclass

from spc.gauge.layout import Counts
from spc.gauge.power import Expected


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A design and what to expect of it.

    Parameters
    ----------
    counts
        The design.
    factor
        Median high end over low end of the gauge's interval.
    expected
        Everything else to expect of it.
    """

    counts: Counts
    factor: float
    expected: Expected
