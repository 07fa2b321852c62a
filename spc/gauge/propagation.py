"""How much of re-alignment variation probing noise alone explains, through the geometry of the fit.

A unit error of fit point j moves check patch i by G[i, j]. So noise of the fit points' hits must
show as re-alignment variation of every check patch, before any fixture, hand or flexing adds to it;
this part is known from the plan before any study.

References
----------
.. [1] JCGM 100:2008 (GUM), section 5.1 and annex H.2 (propagation of covariance).
.. [2] N. Ting et al., J. Stat. Comput. Simul. 35 (1990) 135-143 (interval of a difference of
   variances), as in `spc.gauge.mls`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.anova import weights
from spc.gauge.arrays import BoolArray, FloatArray, level_of
from spc.gauge.band import Band, around, missing
from spc.gauge.mls import bounds, ratio_bounds
from spc.gauge.separation import SPOKEN
from spc.gauge.squares import SETUP
from spc.gauge.study import CrossedStudy

EXPLAINED = "probing noise alone explains the re-alignment variation"
MORE = "more varies from set-up to set-up than probing noise explains: fixture, hand force, flexing"
LESS = (
    "less varies than probing noise predicts: the hits' spread holds form of the surface, or the "
    "set-ups were not all newly aligned"
)
UNCLEAR = "this study cannot tell whether more than probing noise varies from set-up to set-up"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignmentNoise:
    """What probing noise at the fit points does to check patches.

    Parameters
    ----------
    variance
        Variance at each check patch, (checks,), mm².
    covariance
        Between check patches, (checks, checks), mm²: they move together.
    shares
        Share of each fit point in the variance of each check patch, (checks, fits).
    """

    variance: FloatArray
    covariance: FloatArray
    shares: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HitNoise:
    """Hit noise of points as a study or history gives it.

    Parameters
    ----------
    variance
        Variance of one hit, (points,) or one number, mm².
    dof
        Degrees of freedom behind it, (points,) or one number; infinite where taken as known.
    hits
        Hits that a point is the mean of, (points,) or one number.
    pooled
        True where one variance was pooled over the points: its error is then shared.
    """

    variance: FloatArray | float
    dof: FloatArray | float
    hits: FloatArray | float = 3
    pooled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SetupSplit:
    """Re-alignment variation at each check patch, split.

    Parameters
    ----------
    observed
        Variance from set-up to set-up as the study estimates it, (checks,), mm².
    predicted
        The part that probing noise explains, (checks,), mm².
    rest
        Observed less predicted, (checks,), mm²; may be below zero.
    rest_low, rest_high
        Its interval, not cut at zero, (checks,), mm².
    rest_sd
        Standard deviation of the rest, taken as zero where below, mm.
    ratio
        Observed over predicted with its interval.
    negative
        Where ``rest`` is below zero, (checks,).
    sentences
        What that shows, one a check patch.
    note
        Why there is no split; empty where there is one.
    """

    observed: FloatArray
    predicted: FloatArray
    rest: FloatArray
    rest_low: FloatArray
    rest_high: FloatArray
    rest_sd: Band
    ratio: Band
    negative: BoolArray
    sentences: tuple[str, ...]
    note: str


def alignment_noise(moves: ArrayLike, noise: HitNoise) -> AlignmentNoise:
    """Return what probing noise at the fit points does to check patches [1]_.

    Parameters
    ----------
    moves
        How far a unit error at each fit point moves each check patch, (checks, fits).
    noise
        Hit noise of the fit points; noise of different points is independent.

    Returns
    -------
    AlignmentNoise
    """
    g = _moves(moves)
    mean = _of_means(noise, g.shape[1])
    parts = g**2 * mean
    variance = parts.sum(axis=1)
    with np.errstate(invalid="ignore"):  # a patch that nothing moves
        shares = parts / variance[:, None]
    return AlignmentNoise(variance=variance, covariance=(g * mean) @ g.T, shares=shares)


def split_setup(
    study: CrossedStudy,
    moves: ArrayLike,
    fit_noise: HitNoise,
    *,
    own_noise: HitNoise | None = None,
    level: float = 0.95,
) -> SetupSplit:
    """Return re-alignment variation split into what probing explains and the rest.

    Parameters
    ----------
    study
        Analysis of variance of the check patches, one column each.
    moves
        How far a unit error at each fit point moves each check patch, (checks, fits).
    fit_noise
        Hit noise of the fit points, independent of the check patches' own hits.
    own_noise
        Hit noise of the check patches themselves: needed where the study has one value a set-up
        (a patch mean), whose re-alignment variation then holds their own noise too.
    level
        Confidence level as a fraction.

    Returns
    -------
    SetupSplit
        Without figures, and why, where the study does not separate re-alignment.
    """
    g, level = _moves(moves), level_of(level)
    checks = study.mean.size
    if g.shape[0] != checks:
        raise DataError(f"moves has {g.shape[0]} rows for {checks} check patches of the study")
    reason = _reason(study, own_noise)
    if reason:
        return _nothing(checks, level, reason)
    top, ms, dof = weights(study)[SETUP], study.used_mean_squares, study.used_dof
    below = _terms(g**2, fit_noise)
    if "hit" in study.held_in("setup") and own_noise is not None:
        below.append(_own(own_noise, checks))
    part = np.concatenate([np.zeros_like(top), *(share for share, _, _ in below)])
    ms = np.concatenate([ms, *(s for _, s, _ in below)])
    dof = np.concatenate([dof, *(d for _, _, d in below)])
    top = np.concatenate([top, np.zeros((ms.shape[0] - top.shape[0], checks))])
    return _split(top, part, ms, dof, level)


def _split(
    top: FloatArray, part: FloatArray, ms: FloatArray, dof: FloatArray, level: float
) -> SetupSplit:
    clean = np.nan_to_num(ms)
    observed, predicted = (top * clean).sum(axis=0), (part * clean).sum(axis=0)
    low, high = bounds(top - part, ms, dof, level)
    rest = observed - predicted
    none = ~(predicted > 0)
    ends = [np.where(none, np.nan, e) for e in ratio_bounds(top, part, ms, dof, level)]
    with np.errstate(divide="ignore", invalid="ignore"):  # no probing noise at all
        value = np.where(none, np.nan, np.maximum(observed, 0.0) / predicted)
    method = "modified large sample"
    return SetupSplit(
        observed=observed,
        predicted=predicted,
        rest=rest,
        rest_low=low,
        rest_high=high,
        rest_sd=around(np.maximum(rest, 0.0), low, high, level, method).root(),
        ratio=around(value, ends[0], ends[1], level, method + ", solved for the ratio"),
        negative=rest < 0,
        sentences=tuple(
            MORE if a > 0 else LESS if b < 0 else _within(r, c)
            for a, b, r, c in zip(low, high, high, predicted, strict=True)
        ),
        note="",
    )


def _within(high: float, predicted: float) -> str:
    """Tell an interval around zero that is narrow against the prediction from a wide one."""
    return EXPLAINED if high <= predicted else UNCLEAR


def _terms(square: FloatArray, noise: HitNoise) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Return coefficients, mean squares and dof of the noise, (terms, checks) each."""
    checks, points = square.shape
    variance, dof, hits = (
        np.broadcast_to(np.asarray(v, dtype=np.float64), (points,))
        for v in (noise.variance, noise.dof, noise.hits)
    )
    share = (square / hits).T
    if noise.pooled:
        if not (variance == variance[0]).all() or not (dof == dof[0]).all():
            raise DataError("pooled hit noise must be one variance with one number of dof")
        share, variance, dof = share.sum(axis=0, keepdims=True), variance[:1], dof[:1]
    wide = (share.shape[0], checks)
    return [(share, np.broadcast_to(variance[:, None], wide), np.broadcast_to(dof[:, None], wide))]


def _own(noise: HitNoise, checks: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the same for each check patch's own mean: one term, its own value at each patch."""
    variance, dof, hits = (
        np.broadcast_to(np.asarray(v, dtype=np.float64), (1, checks))
        for v in (noise.variance, noise.dof, noise.hits)
    )
    return 1.0 / hits, variance, dof


def _of_means(noise: HitNoise, points: int) -> FloatArray:
    mean = np.asarray(noise.variance, dtype=np.float64) / np.asarray(noise.hits, dtype=np.float64)
    mean = np.broadcast_to(mean, (points,))
    if not np.isfinite(mean).all() or (mean < 0).any():
        raise DataError("hit noise must be finite and not below zero, hits above zero")
    return mean


def _moves(moves: ArrayLike) -> FloatArray:
    g = np.asarray(moves, dtype=np.float64)
    if g.ndim != 2 or not np.isfinite(g).all():
        raise DataError(f"moves must be a finite array (checks, fits), not shape {g.shape}")
    return g


def _reason(study: CrossedStudy, own: HitNoise | None) -> str:
    merged = {m.name: m for m in study.merged}
    if "setup" in merged:
        return merged["setup"].reason
    if "hit" in study.held_in("setup") and own is None:
        return (
            f"one value a set-up: '{SPOKEN['setup']}' holds the patch's own hit noise, which was "
            "not given"
        )
    return ""


def _nothing(checks: int, level: float, reason: str) -> SetupSplit:
    nan, band = np.full(checks, np.nan), missing(checks, level, reason)
    return SetupSplit(
        observed=nan,
        predicted=nan,
        rest=nan,
        rest_low=nan,
        rest_high=nan,
        rest_sd=band,
        ratio=band,
        negative=np.zeros(checks, dtype=np.bool_),
        sentences=(reason,) * checks,
        note=reason,
    )
