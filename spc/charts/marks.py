"""What the rules are made of: yes or no at each value, eight points packed into a byte.

A rule asks the same few questions of every value again and again (above the centre, beyond a zone,
higher than the last). Each is asked once a block of runs; what the rules then do with the answers
costs an eighth of what a byte a value would.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spc.charts.arrays import Bools, Floats, Ints

Bits = NDArray[np.uint8]
"""Marks of ``(runs, points)``, the points packed: ``(runs, ceil(points / 8))``."""


class Marks:
    """Marks of the values of neighbouring runs, each made when first asked for.

    Parameters
    ----------
    dev
        Deviations from the centre, ``(runs, points)``, NaN where missing.
    sigma
        Standard deviation, in any shape that broadcasts to that of ``dev``.
    ages
        Number of runs of the same span directly before each, ``(runs,)``.
    """

    def __init__(self, dev: Floats, sigma: Floats, ages: Ints) -> None:
        self.dev, self.sigma, self.ages = dev, sigma, ages
        self._made: dict[tuple[str, float], Bits] = {}

    def above(self, width: float) -> Bits:
        """Mark values more than ``width`` sigma above the centre; for 0 no sigma is needed."""
        return self._kept("above", width, lambda: self.dev > self._edge(width))

    def below(self, width: float) -> Bits:
        """Mark values more than ``width`` sigma below the centre; for 0 no sigma is needed."""
        return self._kept("below", width, lambda: self.dev < -self._edge(width))

    def inside(self, width: float) -> Bits:
        """Mark values less than ``width`` sigma from the centre."""
        return self._kept("inside", width, lambda: np.abs(self.dev) < self._edge(width))

    def present(self) -> Bits:
        """Mark values that are there."""
        return self._kept("present", 0.0, lambda: ~np.isnan(self.dev))

    def rises(self) -> Bits:
        """Mark values higher than that of the run before, of whatever span."""
        return self._kept("rises", 0.0, lambda: self._against_last(np.greater))

    def falls(self) -> Bits:
        """Mark values lower than that of the run before, of whatever span."""
        return self._kept("falls", 0.0, lambda: self._against_last(np.less))

    def before(self, bits: Bits) -> Bits:
        """Return at each run the marks of the run before it, none at the start of a span."""
        out = np.empty_like(bits)
        out[1:] = bits[:-1]
        out[:1] = 0
        out[self.ages == 0] = 0
        return out

    def aged(self, bits: Bits, length: int) -> Bits:
        """Take away, in place, the marks of runs that are not yet the ``length``-th of a span."""
        bits[self.ages < length - 1] = 0
        return bits

    def _edge(self, width: float) -> Floats | float:
        return width * self.sigma if width else 0.0

    def _against_last(self, compare: Callable[[Floats, Floats], Bools]) -> Bools:
        first = np.zeros((min(len(self.dev), 1), self.dev.shape[1]), dtype=bool)
        return np.concatenate([first, compare(self.dev[1:], self.dev[:-1])])

    def _kept(self, name: str, width: float, make: Callable[[], Bools]) -> Bits:
        if (name, width) not in self._made:
            self._made[name, width] = np.packbits(make(), axis=1)
        return self._made[name, width]


def in_a_row(bits: Bits, length: int) -> Bits:
    """Mark runs at which this and the ``length`` − 1 runs before are all marked, of any span."""
    out, reach = bits.copy(), 1
    while reach < length:
        step = min(reach, length - reach)
        later = out[step:] & out[:-step]
        out[:step] = 0
        out[step:] = later
        reach += step
    return out


def unpacked(bits: Bits, points: int) -> Bools:
    """Return marks as bool ``(runs, points)``."""
    return np.unpackbits(bits, axis=1, count=points).view(np.bool_)
