"""Capability and performance indices of every point, with the interval of each.

``cp`` and ``cpk`` use the spread within (short term); ``pp`` and ``ppk`` the whole spread. Where
the pieces' batches are given, the whole spread is that of a piece from a batch not yet seen, and
all intervals count batches as well as pieces (see `spc.capability.batches`).

References
----------
.. [1] ISO 22514-2, Statistical methods in process management: capability and performance (from
   memory of the standard).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.batches import UNKNOWN, Components, batch_codes
from spc.capability.bounds import FloatArray, check_level, positive
from spc.capability.index_intervals import index_intervals, index_on_target
from spc.capability.notes import FEWEST_FOR_INDEX, index_notes
from spc.capability.point_indices import limits, point_indices
from spc.capability.spread import Spread, batched, independent
from spc.errors import DataError

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Capability:
    """Indices of every point and their intervals; arrays of shape (points,), lengths in mm.

    An index is NaN where the data or the tolerance cannot give it, and ``note`` says why.

    Parameters
    ----------
    n
        Pieces read at the point (and of a known batch, where batches were given).
    batches
        Batches that they came from; 0 where no batches were given.
    n_effective
        Independent pieces that would know the mean as well: ``n`` without batches.
    lower, upper, target
        Limits and target used; NaN where there is none.
    mean, smallest, largest
        Mean and range of the readings.
    sd_overall, overall_dof
        Whole spread and its degrees of freedom (fractional with batches).
    sd_overall_low, sd_overall_high
        Interval of the whole spread.
    sd_within, within_dof
        Spread within, as given or pooled from the batches, and its degrees of freedom.
    share_between
        Share of the variance that lies between batches; NaN where that is not known.
    cp, cp_low, cp_high
        Potential with the spread within; chi-square interval.
    cpk, cpk_low, cpk_high
        Nearer side with the spread within; two-sided interval by the normal approximation.
    cpk_bound, cpk_upper_bound
        One-sided lower and upper confidence bound of Cpk, each at ``level`` or more by itself
        (noncentral t; with two limits the upper one halves its tail).
    pp, pp_low, pp_high
        Potential with the whole spread; chi-square interval.
    ppk, ppk_low, ppk_high
        Nearer side with the whole spread; two-sided interval by the normal approximation.
    ppk_bound, ppk_upper_bound
        One-sided lower and upper confidence bound of Ppk, each at ``level`` by itself.
    ppl, ppu
        Lower and upper side with the whole spread.
    cpm, cpm_low, cpm_high
        Potential with the whole spread about the target; chi-square interval.
    off_centre
        k: distance of the mean from the middle over half the tolerance.
    range_only
        True where there are too few pieces for an index: show ``smallest`` and ``largest`` instead.
    level
        Confidence level of all intervals.
    note
        Plain words a point, empty where there is nothing to say.
    components
        Variation within and between batches; None where no batches were given.
    """

    n: IntArray
    batches: IntArray
    n_effective: FloatArray
    lower: FloatArray
    upper: FloatArray
    target: FloatArray
    mean: FloatArray
    smallest: FloatArray
    largest: FloatArray
    sd_overall: FloatArray
    overall_dof: FloatArray
    sd_overall_low: FloatArray
    sd_overall_high: FloatArray
    sd_within: FloatArray
    within_dof: FloatArray
    share_between: FloatArray
    cp: FloatArray
    cp_low: FloatArray
    cp_high: FloatArray
    cpk: FloatArray
    cpk_low: FloatArray
    cpk_high: FloatArray
    cpk_bound: FloatArray
    cpk_upper_bound: FloatArray
    pp: FloatArray
    pp_low: FloatArray
    pp_high: FloatArray
    ppk: FloatArray
    ppk_low: FloatArray
    ppk_high: FloatArray
    ppk_bound: FloatArray
    ppk_upper_bound: FloatArray
    ppl: FloatArray
    ppu: FloatArray
    cpm: FloatArray
    cpm_low: FloatArray
    cpm_high: FloatArray
    off_centre: FloatArray
    range_only: BoolArray
    level: float
    note: tuple[str, ...]
    components: Components | None


def capability(
    x: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    sigma_within: ArrayLike | None = None,
    within_dof: ArrayLike | None = None,
    target: ArrayLike | None = None,
    level: float = 0.95,
    batch: Sequence[object] | NDArray[np.generic] | None = None,
) -> Capability:
    """Compute the indices of every point with their intervals [1]_.

    Parameters
    ----------
    x
        Readings, shape (pieces, points), mm; NaN is missing. One dimension is one point.
    lower, upper
        Limits on the readings, shape (points,) or one number, mm; NaN for no limit.
    sigma_within
        Short-term standard deviation, for example from a control chart's ranges. Without it, it is
        pooled within batches; without batches there is no Cp and no Cpk.
    within_dof
        Degrees of freedom of ``sigma_within``; without them Cp and Cpk have no interval.
    target
        Target, mm; the middle of the tolerance where not given.
    level
        Confidence level of all intervals, a fraction.
    batch
        One label a piece. Pieces of no known batch are then left out.

    Returns
    -------
    Capability

    Raises
    ------
    DataError
        If shapes do not fit, a lower limit is not below its upper, or ``level`` is no fraction.

    Notes
    -----
    Normal readings are assumed; for other shapes see `spc.capability.shapes`. Cp, Pp and Cpm have
    chi-square intervals, Cpk and Ppk the normal approximation and exact one-sided bounds by the
    noncentral t (`spc.capability.bounds`). With batches all but Cp have generalized intervals
    (`spc.capability.batch_bounds`).
    """
    check_level(level)
    x = readings(x)
    codes = None if batch is None else batch_codes(batch, x.shape[0])
    if codes is not None:
        x = np.where(codes[:, np.newaxis] == UNKNOWN, np.nan, x)
    lower, upper = limits(_a_point(lower, x, "lower"), _a_point(upper, x, "upper"))
    aim = 0.5 * (lower + upper) if target is None else _a_point(target, x, "target")
    spread = independent(x) if codes is None else batched(x, codes)
    if sigma_within is None:
        within, nu = spread.within, spread.within_dof
    else:
        within = _a_point(sigma_within, x, "sigma_within")
        nu = _a_point(np.nan if within_dof is None else within_dof, x, "within_dof")
    within = np.where(within > 0.0, within, np.nan)
    note = index_notes(
        spread, within, nu, lower, upper, left_out=0 if codes is None else int(np.sum(codes < 0))
    )
    return _indices(x, (lower, upper, aim), spread, (within, nu), level, note)


def readings(x: ArrayLike) -> FloatArray:
    """Return readings as (pieces, points) floats, NaN for missing; one dimension is one point."""
    array = np.asarray(x, dtype=np.float64)
    array = array[:, np.newaxis] if array.ndim == 1 else array
    if array.ndim != 2:
        raise DataError(f"readings need shape (pieces, points), not {array.shape}")
    return np.where(np.isfinite(array), array, np.nan)


def _a_point(value: ArrayLike, x: FloatArray, name: str) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.shape[0] not in (1, x.shape[1])):
        raise DataError(f"{name} needs one number a point ({x.shape[1]}), not shape {array.shape}")
    return np.broadcast_to(array, (x.shape[1],))


def _indices(
    x: FloatArray,
    tolerance: tuple[FloatArray, FloatArray, FloatArray],
    spread: Spread,
    short_term: tuple[FloatArray, FloatArray],
    level: float,
    note: tuple[str, ...],
) -> Capability:
    (lower, upper, aim), (within, nu) = tolerance, short_term
    sd = np.sqrt(positive(spread.var))
    short = point_indices(spread.mean, within, lower, upper)
    long = point_indices(spread.mean, sd, lower, upper)
    cpm, cpm_dof = index_on_target(spread, *tolerance)
    ends = index_intervals(
        spread, long, short, (cpm, cpm_dof, spread.mean - aim), short_term, level
    )
    smallest, largest = _range(x)
    return Capability(
        n=spread.n,
        batches=spread.batches,
        n_effective=sd**2 / positive(spread.var_mean),
        lower=lower,
        upper=upper,
        target=aim,
        mean=spread.mean,
        smallest=smallest,
        largest=largest,
        sd_overall=np.sqrt(spread.var),
        overall_dof=spread.dof,
        sd_overall_low=ends.sd[0],
        sd_overall_high=ends.sd[1],
        sd_within=within,
        within_dof=nu,
        share_between=spread.share,
        cp=short.potential,
        cp_low=ends.cp[0],
        cp_high=ends.cp[1],
        cpk=short.nearer,
        cpk_low=ends.cpk[0],
        cpk_high=ends.cpk[1],
        cpk_bound=ends.cpk[2],
        cpk_upper_bound=ends.cpk[3],
        pp=long.potential,
        pp_low=ends.pp[0],
        pp_high=ends.pp[1],
        ppk=long.nearer,
        ppk_low=ends.ppk[0],
        ppk_high=ends.ppk[1],
        ppk_bound=ends.ppk[2],
        ppk_upper_bound=ends.ppk[3],
        ppl=long.lower_side,
        ppu=long.upper_side,
        cpm=cpm,
        cpm_low=ends.cpm[0],
        cpm_high=ends.cpm[1],
        off_centre=long.off_centre,
        range_only=spread.n < FEWEST_FOR_INDEX,
        level=level,
        note=note,
        components=spread.components,
    )


def _range(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    seen = np.isfinite(x)
    some = seen.any(axis=0)
    smallest = np.min(np.where(seen, x, np.inf), axis=0, initial=np.inf)
    largest = np.max(np.where(seen, x, -np.inf), axis=0, initial=-np.inf)
    return np.where(some, smallest, np.nan), np.where(some, largest, np.nan)
