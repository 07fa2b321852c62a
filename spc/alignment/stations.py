"""Joining two stations of the arm by reference seats probed from both.

References
----------
.. [1] Fitzpatrick, J. M., West, J. B. and Maurer, C. R. (1998), Predicting error in rigid-body
   point-based registration, IEEE Trans. Medical Imaging 17, 694.
.. [2] Sibson, R. (1979), Studies in the robustness of multidimensional scaling, J. R. Statist.
   Soc. B 41, 217: the expected residual.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats
from spc.alignment.rotation import superpose, weighted_centroid
from spc.errors import DataError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StationJoin:
    """Moves of the arm, each joined by its seats. NaN where a move has too few seats.

    Parameters
    ----------
    rotation, translation
        (moves, 3, 3) and (moves, 3), mm: carry the second station's coordinates to the first's.
    residuals
        (moves, seats), mm, distance left at each seat; NaN where not probed from both.
    rms
        (moves,), root mean square of the residuals, mm.
    n_seats
        (moves,), seats probed from both stations.
    dof
        (moves,), 3 · n_seats − 6.
    seat_noise
        (moves,), mm, SD along one axis of the difference between the two probings of a seat,
        sqrt(Σ residual² / dof). Divide by sqrt(2) for one probing where both are alike.
    fitness
        Share of the seat noise that the residual shows, sqrt(1 − 2/n), (moves,).
    note
        Words for each move; empty where nothing limits it.
    """

    rotation: Array
    translation: Array
    residuals: Array
    rms: Array
    n_seats: Ints
    dof: Ints
    seat_noise: Array
    fitness: Array
    note: tuple[str, ...]


def join_stations(first: ArrayLike, second: ArrayLike) -> StationJoin:
    """Find the rigid motion that carries seats probed from a new station onto the old one.

    Parameters
    ----------
    first, second
        (moves, seats, 3), mm, the same seats before and after the move; NaN = not probed.

    Returns
    -------
    StationJoin
        Fewer than three seats, or seats on one line, give NaN with a note.
    """
    a, b = as_floats(first, "first"), as_floats(second, "second")
    if a.ndim != 3 or a.shape[-1] != 3 or a.shape != b.shape:
        raise DataError(f"seats must both be (moves, seats, 3), not {a.shape} and {b.shape}")
    both = ~np.isnan((a + b).sum(-1))
    n = both.sum(-1)
    flat = _flatness(a, both)
    good = (n >= 3) & (flat > 1e-6)
    weights = np.where(good[:, None], both, 1.0).astype(np.float64)
    usable = (both & good[:, None])[..., None]
    a0, b0 = np.where(usable, a, 0.0), np.where(usable, b, 0.0)
    found = superpose(b0, a0, weights)
    moved = b0 @ np.swapaxes(found.rotation, -1, -2) + found.translation[:, None]
    residuals = np.where(usable[..., 0], np.linalg.norm(moved - a0, axis=-1), np.nan)
    squares = np.where(usable[..., 0], residuals**2, 0.0).sum(-1)
    dof = 3 * n - 6
    noise = np.sqrt(np.where(good & (dof > 0), squares / np.maximum(dof, 1), np.nan))
    return StationJoin(
        rotation=np.where(good[:, None, None], found.rotation, np.nan),
        translation=np.where(good[:, None], found.translation, np.nan),
        residuals=residuals,
        rms=np.sqrt(np.where(good, squares / np.maximum(n, 1), np.nan)),
        n_seats=n,
        dof=dof,
        seat_noise=noise,
        fitness=np.sqrt(np.where(n >= 3, 1.0 - 2.0 / np.maximum(n, 1), np.nan)),
        note=tuple(_note(int(k), float(f)) for k, f in zip(n, flat, strict=True)),
    )


def target_error(seats: ArrayLike, targets: ArrayLike, seat_error: ArrayLike) -> Array:
    """Return the error to expect at targets after a move, by seat error [1]_.

    Parameters
    ----------
    seats
        (seats, 3), mm; at least three, not on one line.
    targets
        (targets, 3), mm.
    seat_error
        Root mean square distance error of a seat in space (all three axes; sqrt(3) times the SD
        along one axis), mm, of the difference between both probings; one or an array.

    Returns
    -------
    numpy.ndarray
        Root mean square distance error, (..., targets), mm; NaN where the seats do not hold the
        motion. It is common to everything probed after one move.

    Notes
    -----
    ⟨TRE²⟩ = FLE²/N · (1 + ⅓ Σ_k d_k²/f_k²) with d_k the target's distance from principal axis k
    of the seats and f_k the seats' root mean square distance from it.
    """
    s, t = as_floats(seats, "seats"), as_floats(targets, "targets")
    if s.ndim != 2 or s.shape[-1] != 3 or t.ndim != 2 or t.shape[-1] != 3:
        raise DataError(f"seats and targets must be (n, 3), not {s.shape} and {t.shape}")
    s = s[~np.isnan(s).any(-1)]
    error = as_floats(seat_error, "seat_error")
    if len(s) < 3:
        return np.full((*error.shape, len(t)), np.nan)
    centre = s.mean(axis=0)
    _, spread, axes = np.linalg.svd(s - centre, full_matrices=False)
    if spread[1] <= 1e-6 * spread[0]:
        return np.full((*error.shape, len(t)), np.nan)
    inside, outside = (s - centre) @ axes.T, (t - centre) @ axes.T
    f2 = ((inside**2).sum(-1, keepdims=True) - inside**2).mean(axis=0)
    d2 = (outside**2).sum(-1, keepdims=True) - outside**2
    return np.asarray(error[..., None] * np.sqrt((1.0 + (d2 / f2).sum(-1) / 3.0) / len(s)))


def _flatness(seats: Array, both: NDArray[np.bool_]) -> Array:
    """Return the second over the first extent of the seats of each move, zero on a line."""
    weights = both.astype(np.float64)
    safe = np.where(weights.sum(-1, keepdims=True) > 0.0, weights, 1.0)
    filled = np.where(both[..., None], seats, 0.0)
    centred = np.where(both[..., None], filled - weighted_centroid(filled, safe)[:, None], 0.0)
    padded = np.concatenate([centred, np.zeros((len(centred), 3, 3))], axis=1)
    s = np.linalg.svd(padded, compute_uv=False)
    return np.where(s[:, 0] > 0.0, s[:, 1] / np.where(s[:, 0] > 0.0, s[:, 0], 1.0), 0.0)


def _note(n: int, flat: float) -> str:
    if n < 3:
        return f"{n} seats probed from both stations; three are needed"
    if flat <= 1e-6:
        return "the seats are on one line; the turn about it stays free"
    if n == 3:
        return "three seats: the residual shows only 0.58 of the seat noise"
    return ""
