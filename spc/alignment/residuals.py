"""Tests of the residuals of fits, in batches: does probing explain this run, and where not.

References
----------
.. [1] Baarda, W. (1968), A testing procedure for use in geodetic networks: the standardised
   residual with σ known.
.. [2] Pope, A. J. (1976), The statistics of residuals and the detection of outliers, NOAA
   Technical Report NOS 65 NGS 1: the τ distribution with σ from the same fit.
.. [3] Cook, R. D. and Weisberg, S. (1982), Residuals and Influence in Regression, ch. 2: internal
   and external studentisation.
.. [4] Šidák, Z. (1967), J. Amer. Statist. Assoc. 62, 626: 1 − (1 − p)^m is safe for correlated
   normal and t variables.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, fdtrc, ndtr, stdtr, stdtrit

from spc.alignment.checks import as_floats, as_fraction, as_plan, as_rows, as_weights
from spc.alignment.cofactors import Cofactors, cofactors
from spc.alignment.geometry import holds, unique_rows
from spc.alignment.reliability import NEAR_TIE
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResidualTests:
    """Tests of a batch of fits. NaN at check points, missing points and where no fit is possible.

    Parameters
    ----------
    leverage, redundancy
        (runs, points), from each run's own measured fit points.
    dof
        (runs,), measured fit points − 6.
    ssr
        (runs,), weighted sum of squared residuals, mm².
    overall
        (runs,), ssr / σ², compared with χ² of ``dof`` degrees of freedom; with F where σ itself
        has finite degrees of freedom. NaN where σ was not given.
    p_overall
        (runs,), chance of at least this much from probing alone; NaN where dof ≤ 0.
    standardised
        (runs, points), residual over its own SD with the given σ [1]_.
    p_standardised
        (runs, points), two-sided, normal (t where σ has finite degrees of freedom).
    p_standardised_family
        (runs, points), the same kept for the whole family of residuals by Šidák's bound over
        ``groups`` distinct ones [4]_.
    internal
        (runs, points), residual over its SD with σ from the same fit; never beyond sqrt(dof).
    external
        (runs, points), the same with σ from the fit without that point; t with dof − 1. NaN where
        dof < 2.
    p_studentised
        (runs, points), two-sided, of ``internal`` by the τ distribution [2]_, which is the same
        number as that of ``external`` by t.
    p_studentised_family
        (runs, points), by Bonferroni's bound over ``groups``.
    groups
        (runs,), number of distinct residuals; points that cannot be told apart count once.
    label
        (runs, points), lowest index of the points that cannot be told apart from this one; −1
        where unchecked.
    worst
        (runs,), point with the largest |standardised| (|internal| where σ was not given); of a
        set that cannot be told apart, its lowest index. −1 where there is none.
    suspects
        (runs, points), the worst point and all whose residuals are correlated with its beyond
        the threshold: name these together.
    """

    leverage: Array
    redundancy: Array
    dof: Ints
    ssr: Array
    overall: Array
    p_overall: Array
    standardised: Array
    p_standardised: Array
    p_standardised_family: Array
    internal: Array
    external: Array
    p_studentised: Array
    p_studentised_family: Array
    groups: Ints
    label: Ints
    worst: Ints
    suspects: Bools


def examine(
    deviations: ArrayLike,
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    sigma: ArrayLike | None = None,
    sigma_dof: float = np.inf,
    near: float = NEAR_TIE,
) -> ResidualTests:
    """Test the residuals of fits.

    Parameters
    ----------
    deviations
        (runs, points), mm, after each run's fit with these weights; NaN = missing.
    nominals, normals
        (points, 3).
    weights
        (points,) or (runs, points), as in the fit; 0 = check point.
    sigma
        SD in mm of a reading of weight one, one for all or (runs,); None where unknown.
    sigma_dof
        Degrees of freedom that ``sigma`` stands on, from data other than these runs.
    near
        Correlation of residuals from which two points are named together.

    Returns
    -------
    ResidualTests

    Raises
    ------
    DataError
        Shapes that do not agree, σ not above zero.
    """
    _check_dof(sigma_dof)
    p, n = as_plan(nominals, normals)
    d = as_rows(deviations, len(p))
    w = as_weights(weights, d.shape) * ~np.isnan(d)
    distinct, which = unique_rows(w)
    held = holds(p, n, distinct)
    found = cofactors(held)
    v = np.where((w > 0.0) & (held.rank == 6)[which, None], d, np.nan)
    dof = (w > 0.0).sum(-1) - 6
    ssr = np.where((held.rank == 6)[which], np.nansum(w * v**2, axis=-1), np.nan)
    root = _own_sd(distinct, found)[which]
    scale = _sigma(sigma, len(d))
    standardised = v / (root * scale[:, None])
    internal, external = studentise(v / root, ssr, dof)
    p_known = _two_sided(standardised, sigma_dof)
    p_same = _two_sided(external, (dof - 1.0)[:, None])
    groups = found.groups[which]
    worst = _worst(standardised if sigma is not None else internal, found.label[which])
    return ResidualTests(
        leverage=found.leverage[which],
        redundancy=found.redundancy[which],
        dof=dof,
        ssr=ssr,
        overall=ssr / scale**2,
        p_overall=overall_p(ssr / scale**2, dof, sigma_dof),
        standardised=standardised,
        p_standardised=p_known,
        p_standardised_family=sidak(p_known, groups[:, None]),
        internal=internal,
        external=external,
        p_studentised=p_same,
        p_studentised_family=np.minimum(1.0, p_same * groups[:, None]),
        groups=groups,
        label=found.label[which],
        worst=worst,
        suspects=_suspects(found, which, worst, as_fraction(near, "near")),
    )


def sidak(p: Array, tests: ArrayLike) -> Array:
    """Return 1 − (1 − p)^tests without loss of a small p."""
    # p = 1 gives log(0) = −inf and the right answer, one.
    with np.errstate(divide="ignore"):
        return np.asarray(-np.expm1(np.asarray(tests) * np.log1p(-p)))


def overall_p(overall: Array, dof: Ints, sigma_dof: float = np.inf) -> Array:
    """Return the chance of ``overall`` = SSR/σ² or more from probing alone.

    χ² with ``dof``; F with (dof, sigma_dof) where σ is an estimate. NaN where dof ≤ 0.
    """
    _check_dof(sigma_dof)
    free = np.maximum(dof, 1)
    if np.isinf(sigma_dof):
        p = chdtrc(free, overall)
    else:
        p = fdtrc(free, sigma_dof, overall / free)
    return np.where(dof > 0, p, np.nan)


def tau_critical(alpha: float, dof: ArrayLike) -> Array:
    """Return the two-sided critical value of the internally studentised residual [2]_.

    Parameters
    ----------
    alpha
        Chance of a false alarm at one residual.
    dof
        Degrees of freedom of the fit, above 1; NaN below, where |τ| is always one.

    Notes
    -----
    τ = sqrt(dof) t / sqrt(dof − 1 + t²) with t of dof − 1 degrees of freedom, so |τ| never
    exceeds sqrt(dof): with three degrees of freedom "3 s" can never happen.
    """
    free = as_floats(dof, "dof")
    t = stdtrit(np.maximum(free - 1.0, 1.0), 0.5 * as_fraction(alpha, "alpha"))
    tau = np.sqrt(free) * np.abs(t) / np.sqrt(np.maximum(free - 1.0, 1.0) + t**2)
    return np.asarray(np.where(free > 1.0, tau, np.nan))


def _check_dof(sigma_dof: float) -> None:
    if not sigma_dof > 0.0:
        raise DataError(f"sigma_dof is {sigma_dof:g}; it must be above 0, infinite where known")


def _sigma(sigma: ArrayLike | None, runs: int) -> Array:
    if sigma is None:
        return np.full(runs, np.nan)
    s = as_floats(sigma, "sigma")
    if s.shape not in ((), (1,), (runs,)):
        raise DataError(f"sigma must be one number or ({runs},), not {s.shape}")
    if (s <= 0.0).any():
        raise DataError(f"sigma is {s[s <= 0.0].flat[0]:g} mm; it must be above 0")
    return np.broadcast_to(s, (runs,)).copy()


def _own_sd(weights: Array, found: Cofactors) -> Array:
    """Return each residual's SD at σ = 1; NaN where the fit does not check the point."""
    checked = found.label >= 0
    variance = found.redundancy / np.where(checked, weights, 1.0)
    return np.sqrt(np.where(checked, variance, np.nan))


def studentise(scaled: Array, ssr: Array, dof: Ints) -> tuple[Array, Array]:
    """Return internally and externally studentised residuals [3]_.

    Parameters
    ----------
    scaled
        (runs, points), residuals over their SD at σ = 1.
    ssr, dof
        (runs,), of the fit.

    Returns
    -------
    internal, external
        (runs, points); NaN where dof is below 1, or below 2 for the external ones.
    """
    free = dof[:, None].astype(np.float64)
    s = np.sqrt(np.where((dof > 0) & (ssr > 0.0), ssr / np.maximum(dof, 1), np.nan))
    internal = scaled / s[:, None]
    # By construction |internal| ≤ sqrt(dof); what rounding leaves beyond is cut.
    internal = np.clip(internal, -np.sqrt(np.maximum(free, 0.0)), np.sqrt(np.maximum(free, 0.0)))
    left = np.maximum(free - internal**2, np.finfo(np.float64).tiny)
    external = internal * np.sqrt(np.maximum(free - 1.0, 0.0) / left)
    return internal, np.where(free >= 2.0, external, np.nan)


def _two_sided(statistic: Array, dof: ArrayLike) -> Array:
    """Return 2 P(T > |statistic|) by the lower tail, which keeps small chances."""
    free = np.asarray(dof, dtype=np.float64)
    size = -np.abs(statistic)
    finite = np.where(np.isinf(free), 1.0, np.maximum(free, 1.0))
    return np.asarray(2.0 * np.where(np.isinf(free), ndtr(size), stdtr(finite, size)))


def _worst(statistic: Array, label: Ints) -> Ints:
    if statistic.shape[1] == 0:
        return np.full(len(statistic), -1, dtype=np.int64)
    size = np.where(np.isnan(statistic), -1.0, np.abs(statistic))
    top = size.argmax(-1)
    # Within a set that cannot be told apart rounding decides which is largest; the lowest index
    # stands for all.
    named = np.take_along_axis(label, top[:, None], axis=1)[:, 0]
    return np.where(size.max(-1) >= 0.0, named, -1)


def _suspects(found: Cofactors, which: Ints, worst: Ints, near: float) -> Bools:
    if found.label.shape[1] == 0:
        return np.zeros((len(worst), 0), dtype=np.bool_)
    with_worst = np.abs(found.correlation[which, np.maximum(worst, 0)]) >= near
    return np.asarray(with_worst & (worst >= 0)[:, None])
