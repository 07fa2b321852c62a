"""From the hits on a patch to its point, and the probing noise that the hits themselves show.

A patch's deviation is taken hit by hit against the nominal and then averaged. Averaging the
coordinates first is biased on a curved wall, and the spread of the hits is free evidence of the
hand and the arm, apart from the part.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats, as_plan
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HitSpread:
    """Spread of the hits within patches; NaN where there are fewer than two hits.

    Parameters
    ----------
    sd
        (runs, points), mm, standard deviation of the hits' deviations within a patch.
    dof
        (runs, points), hits − 1, zero where there are none.
    pooled
        (runs,), mm, pooled over the patches of a run.
    pooled_dof
        (runs,), degrees of freedom of ``pooled``.
    """

    sd: Array
    dof: Ints
    pooled: Array
    pooled_dof: Ints


def _as_hits(hits: ArrayLike) -> Array:
    h = as_floats(hits, "hits")
    if h.ndim != 4 or h.shape[-1] != 3:
        raise DataError(f"hits must be (runs, points, hits, 3), not {h.shape}")
    # A sum is missing where one of its parts is, and costs less than asking each of them.
    missing = np.isnan(_total(h))
    return np.where(missing[..., None], np.nan, h) if missing.any() else h


def _total(values: NDArray[Any]) -> NDArray[Any]:
    """Return sums along the last axis; of a few values each this takes a third of `sum`'s time."""
    return np.asarray(np.einsum("...k->...", values))


def average_hits(hits: ArrayLike) -> tuple[Array, Ints]:
    """Return the mean position of each patch's hits and how many there were.

    Parameters
    ----------
    hits
        (runs, points, hits, 3), mm; NaN = no such hit. A hit with one coordinate missing is
        missing.

    Returns
    -------
    means
        (runs, points, 3), mm; NaN where a patch has no hit.
    counts
        (runs, points).
    """
    h = _as_hits(hits)
    present = ~np.isnan(h[..., 0])
    counts = _total(present.astype(np.int64))
    total = np.einsum("...hk->...k", np.where(present[..., None], h, 0.0))
    means = np.where(counts[..., None] > 0, total / np.maximum(counts, 1)[..., None], np.nan)
    return means, counts


def hit_deviations(
    hits: ArrayLike,
    rotation: ArrayLike,
    translation: ArrayLike,
    nominals: ArrayLike,
    normals: ArrayLike,
) -> Array:
    """Return each hit's signed distance from the nominal plane of its patch after the fit.

    Parameters
    ----------
    hits
        (runs, points, hits, 3), mm.
    rotation, translation
        (runs, 3, 3) and (runs, 3) of the fit.
    nominals, normals
        (points, 3).

    Returns
    -------
    numpy.ndarray
        (runs, points, hits), mm, positive outwards; NaN where the hit or the fit is missing.
    """
    h = _as_hits(hits)
    p, n = as_plan(nominals, normals)
    r, t = as_floats(rotation, "rotation"), as_floats(translation, "translation")
    runs = h.shape[0]
    if h.shape[1] != len(p) or r.shape != (runs, 3, 3) or t.shape != (runs, 3):
        raise DataError(
            f"hits {h.shape}, rotation {r.shape}, translation {t.shape} and {len(p)} points "
            "do not belong together"
        )
    # n·(R h + t − p) = (Rᵀ n)·h + n·(t − p): one product a hit instead of a motion.
    along = h @ (n @ r)[..., None]
    return np.asarray(along[..., 0] + _total((t[:, None] - p) * n)[..., None])


def hit_spread(deviations: ArrayLike) -> HitSpread:
    """Return the spread of the hits within patches and pooled over each run.

    Parameters
    ----------
    deviations
        (runs, points, hits), mm, from :func:`hit_deviations`; NaN = missing.

    Returns
    -------
    HitSpread
    """
    d = as_floats(deviations, "deviations")
    if d.ndim != 3:
        raise DataError(f"deviations must be (runs, points, hits), not {d.shape}")
    present = ~np.isnan(d)
    counts = _total(present.astype(np.int64))
    mean = _total(np.where(present, d, 0.0)) / np.maximum(counts, 1)
    squares = _total(np.where(present, (d - mean[..., None]) ** 2, 0.0))
    dof = np.maximum(counts - 1, 0)
    pooled_dof = dof.sum(-1)
    return HitSpread(
        sd=_root(squares, dof),
        dof=dof,
        pooled=_root(np.where(dof > 0, squares, 0.0).sum(-1), pooled_dof),
        pooled_dof=pooled_dof,
    )


def _root(squares: Array, dof: Ints) -> Array:
    return np.asarray(np.sqrt(np.where(dof > 0, squares / np.maximum(dof, 1), np.nan)))
