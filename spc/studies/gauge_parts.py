"""Parts of a gauge study: the split of re-alignment, the order of trials, means over points."""

from dataclasses import fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from spc.alignment.hits import hit_spread
from spc.alignment.reliability import reliability
from spc.gauge.answer import GaugeStudy as Answered
from spc.gauge.band import Band, missing
from spc.gauge.effects import order_effect
from spc.gauge.layout import Counts
from spc.gauge.propagation import HitNoise, SetupSplit, split_setup
from spc.gauge.quantities import Quantities
from spc.studies.arrays import Array
from spc.studies.history import History

Codes = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]


def setup_split(
    past: History, deviations: Array, found: Answered, at: npt.NDArray[np.int64]
) -> tuple[SetupSplit | None, tuple[str, ...]]:
    """Split re-alignment into what probing explains through the fit, and the rest.

    The spread of hits at the fit points moves every check patch through the geometry of the fit;
    what was seen beyond that is fixture, hand force and flexing of the piece.
    """
    if found.anova is None or not found.anova_points.size:
        return None, ()
    geometry = past.geometry
    trust = reliability(geometry.nominals, geometry.normals, geometry.weights)
    fit = np.flatnonzero(geometry.weights > 0)
    checks = at[found.anova_points]
    spread = hit_spread(deviations[:, fit])
    dof = float(spread.pooled_dof.sum())
    if not dof:
        return None, ()
    pooled = float((spread.pooled**2 * spread.pooled_dof)[spread.pooled_dof > 0].sum() / dof)
    hits = float(np.isfinite(deviations[:, fit]).sum(axis=2).mean())
    noise = HitNoise(variance=pooled, dof=dof, hits=hits, pooled=True)
    split = split_setup(found.anova, trust.response[np.ix_(checks, fit)], noise)
    return split, tuple(geometry.names[k] for k in checks)


def order_change(past: History, y: Array, codes: Codes) -> tuple[Array, Array]:
    """Return the change from the first to the last set-up of a piece, mm, and its chance.

    Set-ups are put in the order of their measuring times within each piece.
    """
    unknown = np.full(y.shape[1], np.nan)
    piece, operator, setup = codes
    times = past.runs["measured_at"].to_numpy(dtype="datetime64[us]")
    if np.isnat(times).any() or np.isnan(y).any():
        return unknown, unknown
    serial = past.runs["serial"].to_numpy(dtype=object)
    place = np.zeros(len(times))
    for name in set(serial):
        mine = np.flatnonzero(serial == name)
        place[mine[np.argsort(times[mine], kind="stable")]] = np.arange(len(mine))
    rows = np.unique(setup, return_index=True)[1]
    means = np.array([y[setup == k].mean(axis=0) for k in setup[rows]])
    cell = piece[rows] * (operator.max() + 1) + operator[rows]
    order = place[setup[rows]]
    if len(rows) <= len(set(cell)) + 1 or not order.max():
        return unknown, unknown
    slope, p = order_effect(means, cell, order)
    return slope.value * order.max(), p


#: Fewest pieces whose spread is worth a figure: with two it stands on one degree of freedom.
FEWEST_PIECES = 3


def without_pieces(found: Quantities, pieces: int) -> Quantities:
    """Return the quantities without those that need pieces, and why, where the pieces are too few.

    Parameters
    ----------
    found
        Quantities of a study that stands on its own pieces.
    pieces
        How many it has.
    """
    if pieces >= FEWEST_PIECES:
        return found
    gauge = found.gauge
    none = missing(
        len(gauge.value), gauge.level,
        f"{pieces} pieces tell nothing of how far pieces differ: measure five or more, from "
        "several batches",
    )  # fmt: skip
    return replace(
        found, sd={name: none if name == "piece" else band for name, band in found.sd.items()},
        pieces=none, total=none, of_study=none, distinct=none, correlation=none,
    )  # fmt: skip


def what_is_missing(counts: Counts, second: str) -> tuple[str, ...]:
    """Return what a design lacks to answer the usual questions, and what to do, in words."""
    said = []
    if counts.pieces < 5:
        said.append(
            f"{counts.pieces} pieces say little of how far pieces differ: five or more, from "
            "several batches, would"
        )
    if counts.setups == 1:
        said.append(
            "no piece was set up twice by the same person: re-alignment cannot be told from the "
            "rest; lift, place and align each piece twice"
        )
    if counts.hits == 1:
        said.append("one hit a point: probing cannot be told from the rest; probe each three times")
    if counts.operators == 2:
        said.append(
            f"two {second}s: the {second}'s part is known to within 0.45 and 32 times itself at "
            "best; three or more would tell far more"
        )
    return tuple(f"missing: {text}" for text in said)


def spoken(text: str, second: str) -> str:
    """Return a sentence with what stands in the place of operators named by its name."""
    return text if second == "operator" else text.replace("operator", second)


def mean_quantities(
    found: Quantities, columns: npt.NDArray[np.int64], groups: npt.NDArray[np.int64]
) -> Quantities:
    """Return root mean squares over groups of points, with the interval of one of them.

    Points of one run share its alignment, and an unbalanced study does not say how much: so pooling
    claims no gain, and the ends are the root mean squares of the points' own ends. Where points
    move as one that is their interval; where they do not it is too wide.

    Parameters
    ----------
    found
        Quantities of every point.
    columns, groups
        (entries,), a point and the group that it goes into; a point may go into several.
    """
    number = int(groups.max()) + 1

    def over(band: Band) -> Band:
        known = np.isfinite(band.value) & np.isfinite(band.low) & ~np.isnan(band.high)
        return replace(
            band, value=_roots(band.value, np.isfinite(band.value)[columns]),
            low=_roots(band.low, known[columns]), high=_roots(band.high, known[columns]),
            method=f"{band.method}, as of one point",
            note="the study is unbalanced: like points are averaged, and pooling claims no gain",
        )  # fmt: skip

    def _roots(values: Array, use: npt.NDArray[np.bool_]) -> Array:
        squares = values[columns] ** 2
        return np.array(
            [np.sqrt(squares[(groups == g) & use].mean()) if ((groups == g) & use).any()
             else np.nan for g in range(number)]
        )  # fmt: skip

    changed: dict[str, Any] = {
        f.name: over(getattr(found, f.name))
        for f in fields(found)
        if isinstance(getattr(found, f.name), Band)
    }
    changed["sd"] = {name: over(band) for name, band in found.sd.items()}
    changed["tolerance_rule"] = ("",) * number
    return replace(found, **changed)
