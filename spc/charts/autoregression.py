"""Charts for values that hang together: wider limits, or the errors of a one-step forecast.

References
----------
.. [1] ISO 7870-9:2020, Control charts: Control charts for stationary processes.
.. [2] Alwan, L. C. and Roberts, H. V. (1988). Time-series modeling for statistical process control.
       Journal of Business & Economic Statistics 6, 87-95.
.. [3] Marriott, F. H. C. and Pope, J. A. (1954). Bias in the estimation of autocorrelations.
       Biometrika 41, 390-402.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.assumptions import autocorrelation
from spc.charts.sigma import mean as mean_down
from spc.charts.sigma import sample_sd
from spc.charts.tails import normal_isf

FEWEST = 25
"""Fewest pairs of neighbours from which an autoregression is fitted (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Autoregression:
    """A first-order autoregression of each point: x_t − c = φ (x_{t−1} − c) + e_t.

    Parameters
    ----------
    phi
        φ, corrected for the bias of short series, ``(points,)``.
    phi_low, phi_high
        Ends of its interval, ``(points,)``.
    center
        Mean, ``(points,)``.
    sigma
        Standard deviation of the values, ``(points,)``: what limits for them must stand on.
    sigma_step
        Standard deviation of one-step errors, ``sigma √(1 − φ²)``, ``(points,)``.
    lower, upper
        Limits of single values, centre ∓ width · sigma, ``(points,)``; wider than those from
        moving ranges by 1/√(1 − φ).
    n
        Pairs of neighbours, ``(points,)``.
    width, level
        Distance of the limits; confidence level of the interval.
    notes
        One text a point: why nothing is fitted, or what to beware of.
    """

    phi: Floats
    phi_low: Floats
    phi_high: Floats
    center: Floats
    sigma: Floats
    sigma_step: Floats
    lower: Floats
    upper: Floats
    n: Ints
    width: float
    level: float
    notes: tuple[str, ...]


def autoregression(
    x: ArrayLike,
    baseline: ArrayLike | None = None,
    *,
    spans: ArrayLike | None = None,
    width: float = 3.0,
    level: float = 0.95,
) -> Autoregression:
    """Fit a first-order autoregression to the baseline of each point.

    Parameters
    ----------
    x
        Values in time order, ``(runs, points)``, NaN where missing.
    baseline
        True for the runs to fit, ``(runs,)`` or ``(runs, points)``; None takes all.
    spans
        Label of each run; no pair is taken across a change of label.
    width
        Distance of the limits in sigma.
    level
        Confidence level of the interval of φ.

    Notes
    -----
    ``φ = (r1 + 1/n) n/(n − 4)``, which undoes the bias ``−(1 + 4φ)/n`` of r1 [3]_, kept within
    ±0.99. The variance of the values is corrected for what their own mean takes away.
    """
    a = arrays.matrix(x)
    arrays.require(width > 0, "width", width, "above 0")
    arrays.require(0 < level < 1, "level", level, "between 0 and 1")
    mask = arrays.baseline_mask(baseline, (a.shape[0], a.shape[1]))
    kept = np.where(mask, a, np.nan)
    ages = arrays.span_ages(spans, len(a))
    joined = ~np.isnan(kept[1:]) & ~np.isnan(kept[:-1]) & (ages[1:] > 0)[:, None]
    n = joined.sum(axis=0)
    r = autocorrelation(kept, 1, spans=spans)[1] if len(a) > 1 else np.full(a.shape[1], np.nan)
    sd = sample_sd(kept)
    fitted = (n >= FEWEST) & (sd > 0) & np.isfinite(r)
    size = np.where(fitted, n, FEWEST).astype(np.float64)
    phi = np.where(fitted, np.clip((r + 1 / size) * size / (size - 4), -0.99, 0.99), np.nan)
    sigma = np.where(fitted, sd, np.nan) / np.sqrt(_shrink(phi, size))
    low, high = _phi_interval(np.where(fitted, r, np.nan), size, level)
    center = mean_down(kept)
    return Autoregression(
        phi=phi, phi_low=low, phi_high=high,
        center=center, sigma=sigma, sigma_step=sigma * np.sqrt(1 - phi**2),
        lower=center - width * sigma, upper=center + width * sigma, n=n, width=width, level=level,
        notes=tuple(map(_note, n, sd, phi)),
    )  # fmt: skip


def one_step_errors(x: ArrayLike, fit: Autoregression, *, spans: ArrayLike | None = None) -> Floats:
    """Return standardised one-step errors, to be charted with centre 0 and sigma 1 [2]_.

    Parameters
    ----------
    x
        Values in time order, ``(runs, points)``, NaN where missing.
    fit
        See `autoregression`.
    spans
        Label of each run; a span's first value is judged by itself.

    Returns
    -------
    ndarray
        ``(runs, points)``, NaN where missing.

    Notes
    -----
    After a gap the forecast reaches back to the last value, with the spread that such a forecast
    has. A step of the mean by δ sigma shows in full once and then only as (1 − φ) of it: follow
    the values too.
    """
    a = arrays.matrix(x)
    ages = arrays.span_ages(spans, len(a))
    out = np.full_like(a, np.nan)
    weight = np.zeros(a.shape[1])  # φ to the power of the steps since the last value, 0 at a start
    last = np.zeros(a.shape[1])
    for row, values, age in zip(out, a - fit.center, ages.tolist(), strict=True):
        weight = np.zeros_like(weight) if age == 0 else weight * fit.phi
        seen = ~np.isnan(values)
        row[:] = (values - weight * last) / (fit.sigma * np.sqrt(1 - weight**2))
        last = np.where(seen, values, last)
        weight = np.where(seen, 1.0, weight)
    return out


def _phi_interval(r: Floats, n: Floats, level: float) -> tuple[Floats, Floats]:
    """Return every φ whose r1, normal with mean φ − (1+4φ)/n and variance (1−φ²)/n, could be r."""
    z2 = float(normal_isf((1 - level) / 2)) ** 2 / n
    slope, shifted = 1 - 4 / n, r + 1 / n
    a, b = slope**2 + z2, slope * shifted
    root = np.sqrt(np.maximum(b**2 - a * (shifted**2 - z2), 0.0))
    return np.maximum((b - root) / a, -1.0), np.minimum((b + root) / a, 1.0)


def _shrink(phi: Floats, n: Floats) -> Floats:
    """Return E s² / σ² of n values of an autoregression."""
    mean_variance = (1 + phi) / (1 - phi) / n - 2 * phi * (1 - phi**n) / (1 - phi) ** 2 / n**2
    return np.asarray(np.maximum((1 - mean_variance) * n / (n - 1), 0.05))


def _note(n: int, sd: float, phi: float) -> str:
    if n and not sd > 0:
        return "no limits: the baseline does not vary, or varies less than it was recorded to"
    if n < FEWEST:
        pairs = "pair" if n == 1 else "pairs"
        return f"{n} {pairs} of neighbours: an autoregression is fitted from {FEWEST}"
    if abs(phi) >= 0.99:
        return "the values wander without a level: chart their slope or their steps"
    worth = n * (1 - phi) / (1 + phi)
    if worth < FEWEST:
        return f"worth about {worth:.0f} independent ones, they hang together so: limits are rough"
    return ""
