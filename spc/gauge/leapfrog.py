"""What moving the arm costs: error at patches from the noise of the seats that tie two places.

All patches probed after one move share its error, so it is a random effect of the move and no noise
of a patch: more hits do not help against it.

References
----------
.. [1] J. M. Fitzpatrick, J. B. West, C. R. Maurer, Predicting error in rigid-body point-based
   registration, IEEE Trans. Med. Imaging 17 (1998) 694-702.
.. [2] R. Sibson, Studies in the robustness of multidimensional scaling: perturbational analysis of
   classical scaling, J. R. Stat. Soc. B 41 (1979) 217-229 (residual² = (1 - 2/N) seat noise²).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, counted, level_of
from spc.gauge.mls import chi_square_bounds
from spc.interval import Estimate, Interval


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MoveError:
    """Error that one move puts into patches.

    Parameters
    ----------
    seat_noise
        Root mean square length of one seat's error (both readings together), mm, with its
        interval.
    rms
        Root mean square length of each patch's error, (patches,), mm.
    rms_low, rms_high
        Its interval, from that of the seat noise, (patches,), mm.
    covariance
        Covariance of each patch's error in x, y, z, (patches, 3, 3), mm².
    along
        Standard deviation along each patch's normal, (patches,), mm; NaN where none were given.
    shared
        Covariance between patches along their normals, (patches, patches), mm²; NaN where none
        were given.
    note
        What the reader must know.
    """

    seat_noise: Estimate
    rms: FloatArray
    rms_low: FloatArray
    rms_high: FloatArray
    covariance: FloatArray
    along: FloatArray
    shared: FloatArray
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MoveBudget:
    """Noise of a patch with moves of the arm between.

    Parameters
    ----------
    total_sd
        Standard deviation with all moves, (patches,), mm.
    moves_share
        Share of the moves in the variance, (patches,).
    """

    total_sd: FloatArray
    moves_share: FloatArray


def seat_noise(residuals: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Return the root mean square length of a seat's error from the residuals of a move [2]_.

    Residuals understate it: for N seats by √(1 - 2/N), which is 0.58, 0.71 and 0.82 for 3, 4
    and 6 seats.

    Parameters
    ----------
    residuals
        What each seat is off after the best rigid fit, (seats, 3), mm, or its length (seats,).
    level
        Confidence level of the χ² interval on 3 N - 6 degrees of freedom.

    Examples
    --------
    >>> round(seat_noise([0.03, 0.03, 0.03, 0.03]).value, 4)
    0.0424
    """
    r = np.asarray(residuals, dtype=np.float64)
    if r.ndim not in (1, 2) or not np.isfinite(r).all() or (r.ndim == 2 and r.shape[1] != 3):
        raise DataError(f"residuals must be finite, (seats, 3) or (seats,), not {r.shape}")
    seats = r.shape[0]
    if seats < 3:
        raise DataError(f"a move needs 3 seats or more, not {seats}")
    square, dof = float(np.square(r).sum()) / (seats - 2), 3 * seats - 6
    low, high = chi_square_bounds(np.array([square]), float(dof), level_of(level))
    note = "three seats: a small residual proves little" if seats == 3 else ""
    return Estimate(
        value=float(np.sqrt(square)),
        interval=Interval(
            low=float(np.sqrt(low[0])),
            high=float(np.sqrt(high[0])),
            level=level,
            method="chi-square",
        ),
        n=seats,
        note=note,
    )


def move_error(
    seats: ArrayLike,
    patches: ArrayLike,
    noise: Estimate,
    *,
    normals: ArrayLike | None = None,
) -> MoveError:
    """Return the error that one move puts into patches [1]_.

    Squared error = noise²/N (1 + ⅓ Σ_k d_k²/f_k²), d_k the patch's distance from the seats'
    principal axis k, f_k the seats' own root mean square distance from it.

    Parameters
    ----------
    seats
        Positions of the seats, (seats, 3), mm.
    patches
        Positions of the patches, (patches, 3), mm.
    noise
        Seat noise, from `seat_noise`; the same in every direction and at every seat.
    normals
        Outward unit normals of the patches, (patches, 3), or None.

    Returns
    -------
    MoveError

    Raises
    ------
    DataError
        With fewer than three seats, or seats on one line.
    """
    x, p = _positions(seats, "seats"), _positions(patches, "patches")
    if x.shape[0] < 3:
        raise DataError(f"a move needs 3 seats or more, not {x.shape[0]}")
    centre = x.mean(axis=0)
    about = _inertia(x - centre)
    lever = _cross(p - centre)
    axis_variance = noise.value**2 / 3.0
    turn = np.asarray(np.linalg.inv(about), dtype=np.float64)
    covariance = axis_variance * (np.eye(3) / len(x) + lever @ turn @ np.swapaxes(lever, 1, 2))
    rms = np.sqrt(np.trace(covariance, axis1=1, axis2=2))
    scale = noise.interval
    low, high = (np.nan, np.nan) if scale is None else (scale.low, scale.high)
    along, shared = _along(normals, lever, turn, len(x), axis_variance)
    with np.errstate(invalid="ignore"):  # no noise at all
        unit = rms / noise.value if noise.value > 0 else np.zeros_like(rms)
    return MoveError(
        seat_noise=noise,
        rms=rms,
        rms_low=unit * low,
        rms_high=unit * high,
        covariance=covariance,
        along=along,
        shared=shared,
        note=noise.note,
    )


def with_moves(arm_variance: ArrayLike, move_variance: ArrayLike, moves: int) -> MoveBudget:
    """Return a patch's noise after ``moves`` moves of the arm: arm² + moves · move².

    Parameters
    ----------
    arm_variance
        Variance of a patch without any move, (patches,), mm².
    move_variance
        Variance that one move adds, (patches,), mm²: `MoveError.along` squared.
    moves
        Number of moves between the alignment and the patch.
    """
    moves = counted(moves, name="moves", least=0)
    arm, move = (np.asarray(v, dtype=np.float64) for v in (arm_variance, move_variance))
    if (arm < 0).any() or (move < 0).any():
        raise DataError("variances must not be below zero")
    added = moves * move
    total = arm + added
    share = np.divide(added, total, out=np.zeros_like(total), where=total > 0)
    return MoveBudget(total_sd=np.sqrt(total), moves_share=share)


def _along(
    normals: ArrayLike | None, lever: FloatArray, turn: FloatArray, seats: int, variance: float
) -> tuple[FloatArray, FloatArray]:
    patches = lever.shape[0]
    if normals is None:
        return np.full(patches, np.nan), np.full((patches, patches), np.nan)
    n = _positions(normals, "normals")
    if n.shape[0] != patches:
        raise DataError(f"{n.shape[0]} normals for {patches} patches")
    turned = np.einsum("pi,pij->pj", n, lever)
    shared = variance * (n @ n.T / seats + turned @ turn @ turned.T)
    return np.sqrt(np.diagonal(shared)), np.asarray(shared, dtype=np.float64)


def _inertia(x: FloatArray) -> FloatArray:
    """Return Σ (|x|² I - x xᵀ) of seats about their centre; seats on a line are refused."""
    square = float(np.square(x).sum())
    about = square * np.eye(3) - x.T @ x
    least = float(np.linalg.eigvalsh(about)[0])
    if least <= 1e-9 * square:
        raise DataError("the seats lie on one line: a move about it is not held")
    return np.asarray(about, dtype=np.float64)


def _cross(p: FloatArray) -> FloatArray:
    """Return the matrices that turn a small rotation into the motion of each point."""
    x, y, z = p.T
    zero = np.zeros_like(x)
    rows = np.array([[zero, z, -y], [-z, zero, x], [y, -x, zero]])
    return np.asarray(np.moveaxis(rows, 2, 0), dtype=np.float64)


def _positions(points: ArrayLike, name: str) -> FloatArray:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3 or not np.isfinite(array).all():
        raise DataError(f"{name} must be finite positions (n, 3), not shape {array.shape}")
    return array
