"""Run lengths of the multivariate EWMA, and the limit for a wanted one.

References
----------
.. [1] Runger, G. C. and Prabhu, S. S. (1996). A Markov chain model for the multivariate
       exponentially weighted moving averages control chart. Journal of the American Statistical
       Association 91, 1701-1706.
.. [2] Lowry, C. A., Woodall, W. H., Champ, C. W. and Rigdon, S. E. (1992). A multivariate
       exponentially weighted moving average control chart. Technometrics 34, 46-53.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln, i0e, i1e, ive

from spc.charts import arrays
from spc.charts.arrays import Floats
from spc.charts.chains import Chain, RunLength
from spc.charts.constants import gauss_legendre

SETTLED = 1e-4
"""Share of the variance of an average still to come below which its limit counts as settled; it
moves a mean run length by less than one part in ten thousand, as does the number of nodes."""


def mewma_run_length(
    p: int, lam: float, h: float, shift: float = 0.0, *, exact_limits: bool = True
) -> RunLength:
    """Run length of a MEWMA chart with known mean and covariance, from its start.

    Parameters
    ----------
    p
        Values judged together.
    lam
        Weight of the newest piece.
    h
        Limit of T² of the average.
    shift
        Distance of the process mean from the reference, ``sqrt((μ−μ0)' Σ⁻¹ (μ−μ0))``: only this
        counts, not its direction.
    exact_limits
        True for the covariance of the pieces so far, as `spc.charts.mewma.mewma` takes it [2]_;
        false for the asymptotic one from the first piece on [1]_.
    """
    chain = mewma_chain(p, lam, h, shift, exact_limits=exact_limits)
    return chain.run_length("integral equation of the MEWMA")


def mewma_limit(p: int, lam: float, run_length: float, *, exact_limits: bool = True) -> float:
    """Return the limit h that gives a wanted in-control run length.

    Examples
    --------
    >>> round(mewma_limit(3, 0.1, 370.4), 1)
    12.4
    """
    arrays.require(2 < run_length <= 1e8, "run_length", run_length, "above 2 and at most 1e8")

    def excess(h: float) -> float:
        return float(np.log(mewma_chain(p, lam, h, exact_limits=exact_limits).mean() / run_length))

    low, high = 0.2, 4.0 * p
    while excess(high) < 0:
        low, high = high, 1.5 * high
    return float(brentq(excess, low, high, xtol=1e-7))


def mewma_chain(
    p: int, lam: float, h: float, shift: float = 0.0, *, exact_limits: bool = True
) -> Chain:
    """Return the chain over the average's distance and, off target, its part along it."""
    arrays.require(p >= 1, "p", p, "1 or more")
    arrays.require(0 < lam <= 1, "lam", lam, "above 0 and at most 1")
    arrays.require(h > 0, "h", h, "above 0")
    arrays.require(shift >= 0, "shift", shift, "0 or more")
    full = float(np.sqrt(h * lam / (2 - lam)))
    plane = _Distance(p, lam, full) if shift == 0 else _HalfDisc(p, lam, full, shift)
    begun, mass, before = [1.0], np.ones(1), 0.0
    for limit in _growing_limits(lam, full) if exact_limits else np.array([full]):
        mass = mass @ plane.step(before, limit)
        before = limit
        begun.append(float(mass.sum()))
    return Chain(begun=np.array(begun[:-1]), weight=mass, step=plane.step(full, full))


def _growing_limits(lam: float, full: float) -> Floats:
    if lam == 1:
        return np.array([full])
    count = int(np.ceil(np.log(SETTLED) / (2 * np.log1p(-lam))))
    grown = -np.expm1(2 * np.arange(1, count + 1) * np.log1p(-lam))
    return np.append(full * np.sqrt(grown), full)


def chi_density(s: Floats, a: Floats, p: int) -> Floats:
    """Return the density at ``s`` of the length of a p-dimensional normal, its mean at ``a``."""
    order = p / 2 - 1
    small = a < 1e-8
    safe = np.where(small, 1.0, a)
    away = s * (s / safe) ** order * np.exp(-0.5 * (s - safe) ** 2) * _bessel(order, safe * s)
    central = np.exp((p - 1) * np.log(s) - 0.5 * s**2 - order * np.log(2) - gammaln(p / 2))
    return np.asarray(np.where(small, central, away))


def _bessel(order: float, x: Floats) -> Floats:
    """Return I(order, x) exp(−x), by the quick routine where there is one."""
    if order in (0.0, 1.0):
        return np.asarray(i0e(x) if order == 0 else i1e(x))
    if order in (-0.5, 0.5):
        return np.sqrt(0.5 / (np.pi * x)) * (1 - 2 * order * np.exp(-2 * x))
    return np.asarray(ive(order, x))


@dataclass(frozen=True, slots=True)
class _Distance:
    """In control only the average's distance from the mean matters."""

    p: int
    lam: float
    full: float

    def step(self, before: float, limit: float) -> Floats:
        unit, weights = _nodes(2 * self.full / self.lam)
        here = np.zeros(1) if before == 0 else before * unit
        s = limit * unit / self.lam
        onward = chi_density(s[None, :], (1 - self.lam) / self.lam * here[:, None], self.p)
        return np.asarray(onward * (limit * weights / self.lam))


@dataclass(frozen=True, slots=True)
class _HalfDisc:
    """Off target: the part of the average along the shift, and the length of the rest of it."""

    p: int
    lam: float
    full: float
    shift: float

    def step(self, before: float, limit: float) -> Floats:
        along, aside, weight = self._grid(limit)
        here = (np.zeros(1), np.zeros(1)) if before == 0 else self._grid(before)[:2]
        z = (along[None, :] - (1 - self.lam) * here[0][:, None]) / self.lam - self.shift
        onward = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / self.lam
        if self.p > 1:
            rest = (1 - self.lam) / self.lam * here[1][:, None]
            onward *= chi_density(aside[None, :] / self.lam, rest, self.p - 1) / self.lam
        return np.asarray(onward * weight)

    def _grid(self, limit: float) -> tuple[Floats, Floats, Floats]:
        """Nodes and weights of the half disc, by an angle so that its round edge stays smooth."""
        unit, weights = _nodes(3.2 * limit / self.lam)
        angle = (unit - 0.5) * np.pi
        along, width = limit * np.sin(angle), limit * np.cos(angle)
        if self.p == 1:
            return along, np.zeros_like(along), weights * np.pi * width
        share, heights = _nodes(1.6 * limit / self.lam)
        aside = width[:, None] * share
        weight = (weights * np.pi * width**2)[:, None] * heights
        return np.repeat(along, len(share)), aside.ravel(), weight.ravel()


def _nodes(reach: float) -> tuple[Floats, Floats]:
    """Return nodes and weights on (0, 1), enough for ``reach`` sigma of the kernel."""
    unit, weights = gauss_legendre(min(200, 10 + int(np.ceil(0.8 * reach))))
    return (unit + 1) / 2, weights / 2
