"""Choosing a chart for a shift that matters, before any piece is measured.

References
----------
.. [1] ISO 7870-2:2023, -4:2021 and -6:2016, Control charts: Shewhart, cumulative sum and EWMA
       charts.
.. [2] Crowder, S. V. (1989). Design of exponentially weighted moving average schemes. Journal of
       Quality Technology 21, 155-162.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from spc.charts import arrays
from spc.charts.chains import RunLength
from spc.charts.rules import DEFAULT
from spc.charts.runlength import rules_run_length, rules_width
from spc.charts.runlength_memory import (
    cusum_limit,
    cusum_run_length,
    ewma_run_length,
    ewma_width,
)
from spc.errors import DataError

LIMITS = "limits alone"
LIMITS_AND_RULES = "limits and run rules"
EWMA = "moving average"
CUSUM = "cumulative sum"
LAMBDAS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.7)
"""Weights among which the quickest moving average is sought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """One chart that keeps the wanted run length, and how soon it finds the shift.

    Parameters
    ----------
    chart
        ``limits alone``, ``limits and run rules``, ``moving average`` or ``cumulative sum``.
    settings
        Its parameters by name: ``width``; ``lam`` and ``width``; or ``k`` and ``h``, in sigma of
        the charted value.
    rules
        Names of the rules, empty for charts with a memory.
    in_control
        Run length in charted values (batches) when nothing is wrong.
    shifted
        Run length in charted values from the shift on, which comes after the chart has long run
        without a signal.
    pieces_to_alarm
        Pieces measured between false alarms, on average.
    pieces_to_signal
        Pieces measured until the shift is found, on average.
    """

    chart: str
    settings: Mapping[str, float]
    rules: tuple[str, ...]
    in_control: RunLength
    shifted: RunLength
    pieces_to_alarm: float
    pieces_to_signal: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Designs:
    """Charts compared for one shift, the quickest first.

    Parameters
    ----------
    designs
        The charts that can keep the wanted run length.
    shift
        The shift in the unit given.
    shift_in_sigma
        The shift in standard deviations of the charted value.
    sigma_charted
        Standard deviation of the charted value (of a mean of ``batch`` pieces), in the unit given.
    batch
        Pieces to a charted value.
    run_length
        Wanted mean number of charted values between false alarms.
    notes
        Charts that cannot keep it, and what to beware of.
    """

    designs: tuple[Design, ...]
    shift: float
    shift_in_sigma: float
    sigma_charted: float
    batch: int
    run_length: float
    notes: tuple[str, ...]


def compare_designs(
    shift: float,
    *,
    sigma: float = 1.0,
    sigma_between: float = 0.0,
    batch: int = 1,
    run_length: float = 370.4,
    rules: Sequence[str] = DEFAULT,
) -> Designs:
    """Compare charts that give the same rate of false alarms by how soon they find a shift.

    Parameters
    ----------
    shift
        Smallest shift that should be found, above 0, in the unit of ``sigma`` (mm, or sigma
        itself).
    sigma
        Standard deviation of single pieces within a batch.
    sigma_between
        Standard deviation between batches, 0 where a batch is only a sample.
    batch
        Pieces whose mean is charted.
    run_length
        Wanted mean number of charted values between false alarms; ``1 / allowed rate``.
    rules
        Rules of the chart with run rules.

    Notes
    -----
    Limits are taken as known; from few pieces they do worse, see `spc.charts.estimated`. The
    weight of the moving average is the quickest of a few, the allowance of the cumulative sum
    half the shift [2]_.

    Examples
    --------
    >>> found = compare_designs(1.0)
    >>> [(d.chart, round(d.shifted.mean, 1)) for d in found.designs][-1]
    ('limits alone', 43.9)
    """
    _checked(shift, sigma, sigma_between, batch, run_length)
    charted = float(np.sqrt(sigma_between**2 + sigma**2 / batch))
    delta = shift / charted
    made = [_limits(LIMITS, ("beyond limit",), delta, run_length), _ewma(delta, run_length)]
    notes = ["limits are taken as known; those from few pieces give more false alarms"]
    both = (LIMITS_AND_RULES, tuple(rules))
    others: dict[str, Callable[[], Parts]] = {
        CUSUM: lambda: _cusum(delta, run_length),
        LIMITS_AND_RULES: lambda: _limits(*both, delta, run_length),
    }
    for chart, make in others.items():
        try:
            made.append(make())
        except DataError as refusal:
            notes.append(f"{chart}: {refusal}")
    if sigma_between > 0 and batch > 1:
        floor = sigma_between / charted
        notes.append(
            f"more pieces to a batch help little: {floor:.0%} of the spread is between batches"
        )
    designs = [_design(batch, *parts) for parts in made]
    return Designs(
        designs=tuple(sorted(designs, key=lambda d: d.pieces_to_signal)), shift=shift,
        shift_in_sigma=delta, sigma_charted=charted, batch=batch, run_length=run_length,
        notes=tuple(notes),
    )  # fmt: skip


def pieces_for_shift(
    shift: float,
    found_within: float,
    *,
    sigma: float = 1.0,
    sigma_between: float = 0.0,
    run_length: float = 370.4,
    largest: int = 50,
) -> int | None:
    """Return the smallest batch whose means find a shift within so many batches on average.

    Parameters
    ----------
    shift, sigma, sigma_between, run_length
        As for `compare_designs`.
    found_within
        Wanted mean number of batches to the signal, by limits alone.
    largest
        Largest batch tried.

    Returns
    -------
    int or None
        None where no batch up to ``largest`` is enough.
    """
    _checked(shift, sigma, sigma_between, 1, run_length)
    arrays.require(found_within >= 1, "found_within", found_within, "1 or more")
    width = rules_width(("beyond limit",), run_length)
    for batch in range(1, largest + 1):
        delta = shift / float(np.sqrt(sigma_between**2 + sigma**2 / batch))
        if rules_run_length(("beyond limit",), delta, width=width).mean <= found_within:
            return batch
    return None


Parts = tuple[str, dict[str, float], tuple[str, ...], RunLength, RunLength]


def _limits(chart: str, rules: tuple[str, ...], delta: float, run_length: float) -> Parts:
    width = rules_width(rules, run_length)
    return (chart, {"width": width}, rules, rules_run_length(rules, width=width),
            rules_run_length(rules, delta, width=width, after_a_while=True))  # fmt: skip


def _ewma(delta: float, run_length: float) -> Parts:
    tried = []
    for lam in LAMBDAS:
        width = ewma_width(lam, run_length)
        tried.append((_ewma_shifted(lam, width, delta).mean, lam, width))
    _, lam, width = min(tried)
    return (EWMA, {"lam": lam, "width": width}, (), ewma_run_length(lam, width),
            _ewma_shifted(lam, width, delta))  # fmt: skip


def _ewma_shifted(lam: float, width: float, delta: float) -> RunLength:
    return ewma_run_length(lam, width, delta, after_a_while=True)


def _cusum(delta: float, run_length: float) -> Parts:
    k = delta / 2
    h = cusum_limit(k, run_length)
    return (CUSUM, {"k": k, "h": h}, (), cusum_run_length(k, h),
            cusum_run_length(k, h, delta, after_a_while=True))  # fmt: skip


def _design(
    batch: int, chart: str, settings: dict[str, float], rules: tuple[str, ...],
    in_control: RunLength, shifted: RunLength,
) -> Design:  # fmt: skip
    return Design(chart=chart, settings=MappingProxyType(settings), rules=rules,
                  in_control=in_control, shifted=shifted, pieces_to_alarm=batch * in_control.mean,
                  pieces_to_signal=batch * shifted.mean)  # fmt: skip


def _checked(
    shift: float, sigma: float, sigma_between: float, batch: int, run_length: float
) -> None:
    arrays.require(shift > 0, "shift", shift, "above 0")
    arrays.require(sigma > 0, "sigma", sigma, "above 0")
    arrays.require(sigma_between >= 0, "sigma_between", sigma_between, "0 or more")
    arrays.require(batch >= 1, "batch", batch, "1 or more")
    arrays.require(2 < run_length <= 1e8, "run_length", run_length, "above 2 and at most 1e8")
