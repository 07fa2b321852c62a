"""Intervals of an unbalanced study: components, gauge, and its shares of study and tolerance."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, counted, level_of
from spc.gauge.band import Band, joined, missing
from spc.gauge.history import History, history_bands
from spc.gauge.profile import Wanted, profile_bounds
from spc.gauge.quantities import Quantities, correlation, distinct, of_study, of_tolerance
from spc.gauge.reml import Fit, RemlStudy, sum_dof, zeros
from spc.gauge.separable import HIT

#: Sources that belong to the pieces; every other one belongs to the gauge.
PIECE_SIDE = ("piece", "batch")
#: Its interval is on the safe side: simulated, it held the truth in 94 to 100 of 100 studies.
_METHOD = "profile of the restricted likelihood, on the safe side"


def reml_quantities(
    study: RemlStudy,
    *,
    averaged: Mapping[str, int] | None = None,
    tolerance: ArrayLike | None = None,
    history: History | None = None,
    spread: float = 6.0,
    level: float = 0.95,
) -> Quantities:
    """Return every asked quantity of a study with its interval.

    Parameters
    ----------
    study
        The fit.
    averaged
        How many of a source one reported value is the mean of, for example ``{"hit": 3}``; 1 for
        those not named. A source that is merged into a wider one is not averaged.
    tolerance
        Limits of each point (points, 2) in mm, NaN where open; or None.
    history
        Spread of pieces in production, used in place of the study's pieces; the gauge then counts
        as one variance with Satterthwaite's degrees of freedom.
    spread
        Standard deviations counted as the width of the gauge.
    level
        Confidence level as a fraction.

    Returns
    -------
    Quantities
        The sources ``piece`` and ``batch`` are pieces, every other one is gauge.
    """
    level = level_of(level)
    share = _shares(study, averaged or {})
    found = _found(study, share, history, level)
    gauge = found["gauge"]
    ratio = found["ratio"]
    fraction, rules = of_tolerance(gauge, tolerance, study.mean, spread)
    return Quantities(
        sd={name: found[f"sd {name}"] for name in study.terms},
        gauge=gauge,
        pieces=found["pieces"],
        total=found["total"],
        of_study=of_study(ratio),
        of_tolerance=fraction,
        distinct=distinct(ratio),
        correlation=correlation(ratio),
        hits=(averaged or {}).get(HIT, 1),
        spread=spread,
        tolerance_rule=rules,
        notes=(*study.notes, *([history.in_words()] if history else [])),
    )


def _found(
    study: RemlStudy, share: Mapping[str, float], history: History | None, level: float
) -> dict[str, Band]:
    """Return the bands of the whole study, each fit's points filled in."""
    names = [*(f"sd {name}" for name in study.terms), "gauge", "pieces", "total", "ratio"]
    points = study.mean.size
    parts = []
    for fit in study.fits:
        known = None if history is None else history.at(fit.points)
        parts.append((fit.points, _of_fit(fit, share, known, level)))
    without = np.flatnonzero(study.fit_of < 0)
    few = (without, missing(without.size, level, "fewer than two rows at this point"))
    return {
        name: joined([*((at, part[name]) for at, part in parts), few], points) for name in names
    }


def _of_fit(
    fit: Fit, share: Mapping[str, float], history: History | None, level: float
) -> dict[str, Band]:
    names, size = fit.problem.names, fit.points.size
    own = np.array([float(n in PIECE_SIDE) for n in names])
    noise = (1.0 - own) * np.array([share[n] for n in names])
    nothing = np.zeros(len(names))
    asked = {
        f"sd {name}": (unit, nothing) for name, unit in zip(names, np.eye(len(names)), strict=True)
    }
    no_gauge, no_pieces = _reasons(fit)
    if not no_gauge:
        asked["gauge"] = (noise, nothing)
    if not no_pieces and history is None:
        asked |= {"pieces": (own, nothing), "total": (own + noise, nothing), "ratio": (own, noise)}
    parts = {f"sd {m.name}": missing(size, level, m.reason) for m in fit.separable.merged}
    parts |= {n: missing(size, level, no_pieces) for n in ("pieces", "total", "ratio")}
    parts["gauge"] = missing(size, level, no_gauge)
    parts |= _bands(fit, asked, level)
    if history is not None and not no_gauge:
        dof = sum_dof(fit, noise)[None]
        squares = np.square(parts["gauge"].value)[None]
        bands = history_bands(squares, dof, np.ones_like(squares), squares[0], history, level)
        parts |= dict(zip(("ratio", "pieces", "total"), bands, strict=True))
    return parts


def _bands(
    fit: Fit, asked: Mapping[str, tuple[FloatArray, FloatArray]], level: float
) -> dict[str, Band]:
    """Return the band of each asked quantity (weights above, weights below the line)."""
    variances = np.where(zeros(fit), 0.0, fit.maximum.variances)
    size = fit.points.size
    estimates, dofs = [], []
    for top, bottom in asked.values():
        over, under = variances @ top, variances @ bottom
        ratio = bool(bottom.any())
        with np.errstate(divide="ignore", invalid="ignore"):  # no gauge variance to divide by
            estimates.append(np.where(under > 0, over / under, np.nan) if ratio else over)
        dofs.append(np.minimum(sum_dof(fit, bottom if ratio else top), _levels(fit, top)))
    wanted = Wanted(
        points=np.tile(np.arange(size), len(asked)),
        top=np.repeat([top for top, _ in asked.values()], size, axis=0),
        bottom=np.repeat([bottom for _, bottom in asked.values()], size, axis=0),
        estimate=np.nan_to_num(np.concatenate(estimates), nan=1.0),
        dof=np.concatenate(dofs),
        levels=np.array([fit.separable.levels[n] - 1.0 for n in fit.problem.names]),
    )
    low, high = profile_bounds(fit.problem, fit.maximum, wanted, level)
    ends = zip(np.split(low, len(asked)), np.split(high, len(asked)), strict=True)
    found = {}
    for (name, (_, bottom)), value, end in zip(asked.items(), estimates, ends, strict=True):
        if bottom.any():
            found[name] = _scaled(fit, value, *end, level, np.ones(size))
        else:
            found[name] = _scaled(fit, value, *end, level, fit.scale**2).root()
    return found


def _shares(study: RemlStudy, averaged: Mapping[str, int]) -> dict[str, float]:
    for name, number in averaged.items():
        if name not in study.terms:
            raise DataError(f"'{name}' is no source of this study: {', '.join(study.terms)}")
        counted(number, name=f"averaged {name}", least=1)
    return {name: 1.0 / averaged.get(name, 1) for name in study.terms}


def _reasons(fit: Fit) -> tuple[str, str]:
    """Return why there is no gauge and why there are no pieces; empty where there are."""
    kept = fit.problem.names
    gauge = piece = ""
    for m in fit.separable.merged:
        into = m.into.split(" and ")
        lost = m.name not in PIECE_SIDE and m.name != "operator_piece"
        if lost and any(i in PIECE_SIDE for i in into):
            gauge = f"{m.reason}; so the study says nothing about the gauge as a whole"
        if m.name == "piece" and any(i not in PIECE_SIDE for i in into):
            piece = m.reason
    if not any(n in PIECE_SIDE for n in kept):
        piece = piece or "one piece: the study says nothing about how far pieces differ"
    return gauge, piece or gauge


def _levels(fit: Fit, weights: FloatArray) -> float:
    """Return levels less one, summed over the sources in a sum: the most it can stand on."""
    counts = [fit.separable.levels[n] - 1.0 for n in fit.problem.names]
    return float(np.array(counts) @ (weights > 0))


def _scaled(
    fit: Fit, value: FloatArray, low: FloatArray, high: FloatArray, level: float, unit: FloatArray
) -> Band:
    """Return a band in its unit; without ends where nothing varies, since nothing bounds it."""
    flat = fit.scale == 0.0
    low, high = np.where(flat, np.nan, low), np.where(flat, np.nan, high)
    note = "repeated readings do not differ at all: read with more digits"
    none = flat.any() or np.isnan(value).any()
    return Band(
        value=value * unit,
        low=np.minimum(low, value) * unit,
        high=np.maximum(high, value) * unit,
        level=level,
        method=_METHOD,
        note=note if none else "",
    )
