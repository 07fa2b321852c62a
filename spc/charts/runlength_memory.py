"""Run lengths of EWMA and CUSUM charts of independent normal values, and limits for a wanted one.

References
----------
.. [1] Lucas, J. M. and Saccucci, M. S. (1990). Exponentially weighted moving average control
       schemes. Technometrics 32, 1-12.
.. [2] Crowder, S. V. (1987). A simple method for studying run-length distributions of exponentially
       weighted moving average charts. Technometrics 29, 401-407.
.. [3] Lucas, J. M. and Crosier, R. B. (1982). Fast initial response for CUSUM quality-control
       schemes. Technometrics 24, 199-205.
.. [4] Steiner, S. H. (1999). EWMA control charts with time-varying control limits and fast initial
       response. Journal of Quality Technology 31, 75-86.
"""

import numpy as np
from scipy.optimize import brentq

from spc.charts import arrays
from spc.charts.arrays import Floats
from spc.charts.chains import Chain, RunLength, settled
from spc.charts.constants import gauss_legendre
from spc.charts.tails import normal_sf
from spc.errors import DataError

SETTLED = 1e-10
"""Share of the variance of an average still to come below which its limits count as settled."""


def ewma_run_length(
    lam: float,
    width: float,
    shift: float = 0.0,
    *,
    exact_limits: bool = True,
    start: float = 0.0,
    after_a_while: bool = False,
) -> RunLength:
    """Run length of an EWMA chart.

    Parameters
    ----------
    lam
        Weight of the newest value.
    width
        Limits in standard deviations of the average.
    shift
        Distance of the process from the centre in sigma of single values.
    exact_limits
        True for limits that widen with the number of values, as `spc.charts.memory.ewma` draws
        them [4]_; false for the asymptotic limits from the first value on [1]_.
    start
        Value of the average before the first piece, less the centre, in sigma.
    after_a_while
        True for a shift that comes after the chart has long run without a signal, when its limits
        have settled; false for one that is there from the first piece.

    Examples
    --------
    Lucas and Saccucci print 500 and 10.3 for lambda 0.1, asymptotic limits at 2.814 [1]_.

    >>> [round(ewma_run_length(0.1, 2.814, s, exact_limits=False).mean, 1) for s in (0, 1)]
    [499.6, 10.3]
    """
    if after_a_while:
        steps = [ewma_chain(lam, width, s, exact_limits=False).step for s in (0.0, shift)]
        return settled(*steps).run_length("integral equation of the EWMA, long after its start")
    chain = ewma_chain(lam, width, shift, exact_limits=exact_limits, start=start)
    kind = "exact" if exact_limits else "asymptotic"
    return chain.run_length(f"integral equation of the EWMA with {kind} limits")


def ewma_width(lam: float, run_length: float, *, exact_limits: bool = True) -> float:
    """Return the width of the limits that gives a wanted in-control run length.

    Examples
    --------
    >>> round(ewma_width(0.2, 370.4), 2), round(ewma_width(0.2, 370.4, exact_limits=False), 2)
    (2.86, 2.86)
    """
    _wanted(run_length)

    def excess(width: float) -> float:
        mean = ewma_chain(lam, width, 0.0, exact_limits=exact_limits).mean()
        return float(np.log(mean / run_length))

    return float(brentq(excess, 0.3, _widest(run_length), xtol=1e-9))


def ewma_chain(
    lam: float, width: float, shift: float, *, exact_limits: bool = True, start: float = 0.0
) -> Chain:
    """Return the EWMA's chain over the nodes of a Gauss-Legendre rule [2]_ [4]_."""
    arrays.require(0 < lam <= 1, "lam", lam, "above 0 and at most 1")
    arrays.require(width > 0, "width", width, "above 0")
    full = width * np.sqrt(lam / (2 - lam))
    unit, weights = gauss_legendre(_nodes(2 * full / lam))
    limits = _growing_limits(lam, full) if exact_limits else np.array([full])
    begun, here, mass = [1.0], np.array([start]), np.ones(1)
    for limit in limits:
        there = limit * unit
        mass = mass @ (_density(here, there, lam, shift) * (limit * weights))
        here = there
        begun.append(float(mass.sum()))
    step = _density(here, full * unit, lam, shift) * (full * weights)
    return Chain(begun=np.array(begun[:-1]), weight=mass, step=step)


def _growing_limits(lam: float, full: float) -> Floats:
    """Return the limits of the first values, up to where they stand still."""
    if lam == 1:
        return np.array([full])
    count = int(np.ceil(np.log(SETTLED) / (2 * np.log1p(-lam))))
    grown = -np.expm1(2 * np.arange(1, count + 1) * np.log1p(-lam))
    return np.append(full * np.sqrt(grown), full)


def _density(here: Floats, there: Floats, lam: float, shift: float) -> Floats:
    z = (there[None, :] - (1 - lam) * here[:, None]) / lam - shift
    return np.asarray(np.exp(-0.5 * z**2) / (lam * np.sqrt(2 * np.pi)))


def cusum_run_length(
    k: float,
    h: float,
    shift: float = 0.0,
    *,
    head_start: float = 0.0,
    two_sided: bool = True,
    after_a_while: bool = False,
) -> RunLength:
    """Run length of a tabular CUSUM.

    Parameters
    ----------
    k, h
        Allowance and decision limit in sigma.
    shift
        Distance of the process from the target in sigma.
    head_start
        Value at which the sums start, in sigma.
    two_sided
        True for both sums, false for the upper one alone. Of both together only the mean is
        known, from the means of the two sides; it is exact without a head start and, with one, as
        good as the printed tables [3]_.
    after_a_while
        True for a shift that comes after the chart has long run without a signal; the two sides
        are then taken as independent, which is an approximation.

    Examples
    --------
    >>> [round(cusum_run_length(0.5, 5.0, s).mean, 1) for s in (0.0, 1.0)]
    [465.4, 10.4]
    """
    arrays.require(0 <= head_start < h, "head_start", head_start, f"from 0 to below h ({h})")
    if not two_sided:
        chain = _cusum_later(k, h, shift) if after_a_while else cusum_chain(k, h, shift, head_start)
        return chain.run_length("integral equation of the one-sided CUSUM")
    if after_a_while:
        sides = [_cusum_later(k, h, s).mean_or_never() for s in (shift, -shift)]
        mean = 1 / sum(1 / side for side in sides)
    else:
        mean = _two_sided(k, h, shift, head_start)
    nan = float("nan")
    return RunLength(mean=mean, sd=nan, low=nan, median=nan, high=nan,
                     method="integral equations of the two one-sided CUSUMs",
                     note="only the mean run length is known for two sides together")  # fmt: skip


def cusum_limit(k: float, run_length: float, *, head_start_share: float = 0.0) -> float:
    """Return the decision limit h that gives a wanted in-control run length, two-sided.

    Parameters
    ----------
    k
        Allowance in sigma.
    run_length
        Wanted mean number of pieces to a false alarm.
    head_start_share
        Head start as a share of h, 0 for none, 0.5 for the usual one.

    Raises
    ------
    DataError
        Where the allowance is so large that single values are rarer than the alarms asked for.

    Examples
    --------
    >>> round(cusum_limit(0.5, 370.0), 2)
    4.77
    """
    _wanted(run_length)
    arrays.require(
        0 <= head_start_share < 1, "head_start_share", head_start_share, "from 0 to below 1"
    )

    def excess(h: float) -> float:
        return float(np.log(_two_sided(k, h, 0.0, head_start_share * h) / run_length))

    low, high = 0.05, 1.0
    if excess(low) > 0:
        raise DataError(
            f"a value passes an allowance of {k:.3g} sigma by chance less than once in "
            f"{run_length:.0f}: there is nothing to sum up"
        )
    while excess(high) < 0:
        low, high = high, 2 * high
    return float(brentq(excess, low, high, xtol=1e-9))


def cusum_chain(k: float, h: float, shift: float, start: float = 0.0) -> Chain:
    """Return the upper CUSUM's chain: an atom at 0 and the nodes of a Gauss-Legendre rule."""
    arrays.require(k >= 0, "k", k, "0 or more")
    arrays.require(h > 0, "h", h, "above 0")
    unit, weights = gauss_legendre(_nodes(h))
    inside, weights = (unit + 1) * h / 2, weights * h / 2
    states = np.concatenate([[0.0], inside])

    def onward(here: Floats) -> Floats:
        z = inside[None, :] - here[:, None] + k - shift
        to_zero = normal_sf(here + shift - k)
        return np.column_stack([to_zero, np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) * weights])

    return Chain(weight=onward(np.array([start]))[0], step=onward(states))


def _cusum_later(k: float, h: float, shift: float) -> Chain:
    return settled(cusum_chain(k, h, 0.0).step, cusum_chain(k, h, shift).step)


def _two_sided(k: float, h: float, shift: float, head_start: float) -> float:
    up, down = (cusum_chain(k, h, s).mean_or_never() for s in (shift, -shift))
    fast_up, fast_down = (
        cusum_chain(k, h, s, head_start).mean_or_never() if head_start else plain
        for s, plain in ((shift, up), (-shift, down))
    )
    if np.isinf(up) or np.isinf(down):  # one side never speaks: the other decides
        return min(fast_up, fast_down)
    return (fast_up * down + fast_down * up - up * down) / (up + down)


def _nodes(reach: float) -> int:
    """Return enough nodes for an interval of ``reach`` standard deviations of the kernel."""
    return min(400, 16 + 8 * int(np.ceil(reach * 0.25)))


def _widest(run_length: float) -> float:
    return 3.0 + 0.5 * float(np.log10(run_length))


def _wanted(run_length: float) -> None:
    arrays.require(2 < run_length <= 1e8, "run_length", run_length, "above 2 and at most 1e8")
