"""Run lengths of a chart as the time to absorption of a Markov chain.

A chart is a chain of states that ends with its first signal. Charts with finitely many states are
such chains exactly; for averages and sums the states are the nodes of a quadrature, so that the
chain solves the chart's integral equation to near rounding.

References
----------
.. [1] Brook, D. and Evans, D. A. (1972). An approach to the probability distribution of CUSUM run
       length. Biometrika 59, 539-549.
"""

from dataclasses import dataclass, field

import numpy as np

from spc.charts.arrays import Floats
from spc.errors import DataError

LONGEST = 1e12
"""Longest mean run length that can be told apart from never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLength:
    """How many pieces pass until the first signal, counting the piece that gives it.

    Parameters
    ----------
    mean
        Mean run length.
    sd
        Its standard deviation; NaN where ``note`` says that only the mean is known.
    low, median, high
        5 %, 50 % and 95 % points; NaN likewise.
    error
        Standard error of ``mean`` where it was simulated, 0 where it was computed.
    n
        Runs simulated, 0 where it was computed.
    method
        How it was found, in words.
    note
        What to beware of; empty where nothing.
    """

    mean: float
    sd: float
    low: float
    median: float
    high: float
    error: float = 0.0
    n: int = 0
    method: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """A chain before its first signal.

    Parameters
    ----------
    begun
        Probability of no signal after 0, 1, 2, ... pieces for the pieces before ``weight``; the
        first is 1.
    weight
        Probability of each state after those pieces, ``(states,)``.
    step
        Probability of going from a state (row) to another without a signal, ``(states, states)``.
    """

    begun: Floats = field(default_factory=lambda: np.ones(1))
    weight: Floats
    step: Floats

    def mean(self) -> float:
        """Return the mean run length."""
        mean = self.mean_or_never()
        if np.isinf(mean):
            raise DataError(f"the chart all but never signals: run length beyond {LONGEST:.0e}")
        return mean

    def mean_or_never(self) -> float:
        """Return the mean run length, infinite beyond `LONGEST`."""
        left = np.eye(len(self.step)) - self.step
        try:
            beyond = float(self.weight @ np.linalg.solve(left, np.ones(len(self.step))))
        except np.linalg.LinAlgError:
            return np.inf
        return float(self.begun.sum()) + beyond if 0 <= beyond < LONGEST else np.inf

    def run_length(self, method: str) -> RunLength:
        """Return mean, spread and percentiles."""
        mean = self.mean()
        left = np.eye(len(self.step)) - self.step
        once = np.linalg.solve(left, np.ones(len(self.step)))
        twice = np.linalg.solve(left, once)
        start = len(self.begun)
        # E N² = Σ (2 n + 1) P(N > n)
        early = float(((2 * np.arange(start) + 1) * self.begun).sum())
        late = float(self.weight @ (2 * twice + (2 * start - 1) * once))
        low, median, high = self.quantiles(0.05, 0.5, 0.95)
        return RunLength(mean=mean, sd=float(np.sqrt(max(early + late - mean**2, 0.0))), low=low,
                         median=median, high=high, method=method)  # fmt: skip

    def quantiles(self, *at: float) -> list[float]:
        """Return the smallest numbers of pieces that bring a signal with these probabilities."""
        powers = [self.step]
        while self.weight @ powers[-1].sum(axis=1) > 1 - max(at):
            powers.append(powers[-1] @ powers[-1])
        return [self._pieces(1 - p, powers) for p in at]

    def _pieces(self, target: float, powers: list[Floats]) -> float:
        """Return the smallest n with P(no signal in n pieces) ≤ target, by bisection on powers."""
        soon = np.flatnonzero(self.begun <= target)
        if soon.size:
            return float(soon[0])
        if self.weight.sum() <= target:
            return float(len(self.begun))
        row, done = self.weight, 0
        for exponent in range(len(powers) - 1, -1, -1):
            further = row @ powers[exponent]
            if further.sum() > target:
                row, done = further, done + 2**exponent
        return float(len(self.begun) + done + 1)


def settled(in_control: Floats, shifted: Floats) -> Chain:
    """Return the chain of a shift that comes after a long time without a signal.

    Parameters
    ----------
    in_control, shifted
        Steps before and after the shift, over the same states, ``(states, states)``. The shift
        finds the chart in the state that lasting without a signal leads to (the quasi-stationary
        law).
    """
    here = np.full(len(in_control), 1 / len(in_control))
    power = in_control / in_control.sum(axis=1).max()
    for _ in range(60):
        onward = here @ power
        onward /= onward.sum()
        if np.abs(onward - here).max() < 1e-13:
            break
        here = onward
        power = power @ power
        power /= power.max()
    return Chain(weight=here @ shifted, step=shifted)


def geometric(p: float, method: str) -> RunLength:
    """Return the run length of a chart that signals with probability ``p`` at each piece."""
    if not p > 1 / LONGEST:
        raise DataError(f"the chart all but never signals: run length beyond {LONGEST:.0e}")
    low, median, high = (
        max(1.0, float(np.ceil(np.log1p(-q) / np.log1p(-p)))) if p < 1 else 1.0
        for q in (0.05, 0.5, 0.95)
    )
    return RunLength(mean=1 / p, sd=float(np.sqrt(1 - p) / p), low=low, median=median, high=high,
                     method=method)  # fmt: skip
