"""Bringing points measured on a warm or cold part to 20 °C, the reference of ISO 1."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.alignment.checks import as_floats, as_points
from spc.errors import DataError

Array = NDArray[np.float64]

REFERENCE_C = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThermalCorrection:
    """Points brought to 20 °C; an estimate for study, shown beside the raw ones.

    Parameters
    ----------
    points
        (runs, points, 3), mm; NaN where the part's temperature is unknown.
    factor
        (runs,), by which lengths were multiplied, 1 / (1 + α (T − 20)).
    largest
        (runs,), mm, by which the point furthest from the fixed one was moved.
    uncertainty
        (runs,), mm, what the uncertainty of α leaves of it (SD).
    """

    points: Array
    factor: Array
    largest: Array
    uncertainty: Array


def to_reference(
    points: ArrayLike,
    temperature: ArrayLike,
    expansion: ArrayLike,
    *,
    fixed: ArrayLike | None = None,
    expansion_uncertainty: float = 0.3,
) -> ThermalCorrection:
    """Scale points to 20 °C about a fixed point.

    Parameters
    ----------
    points
        (runs, points, 3), mm.
    temperature
        Of the part, °C, one or (runs,); NaN = unknown.
    expansion
        Linear expansion coefficient α per kelvin, one or (runs,); about 150e-6 for polyethylene.
    fixed
        (3,) or (runs, 3), mm, in measured coordinates; each run's own centroid where not given.
        The fit takes up the choice, so deviations after it do not depend on this.
    expansion_uncertainty
        Relative SD of α; tables of polyethylene differ by about ±30 % (common practice, no
        published source).

    Returns
    -------
    ThermalCorrection
        One uniform temperature is assumed, and expansion alike in every direction.
    """
    raw = as_floats(points, "points")
    m = as_points(raw, raw.shape[1] if raw.ndim == 3 else 0)
    warm = _by_run(temperature, "temperature", len(m)) - REFERENCE_C
    alpha = _by_run(expansion, "expansion", len(m))
    if (np.abs(alpha) > 1e-2).any():
        raise DataError(f"expansion is {np.nanmax(np.abs(alpha)):g} per K; it must be below 0.01")
    present = ~np.isnan(m[..., 0])
    centre = _centre(m, present) if fixed is None else as_floats(fixed, "fixed")
    about = m - np.broadcast_to(centre, (len(m), 3))[:, None]
    factor = 1.0 / (1.0 + alpha * warm)
    reach = np.where(present, np.linalg.norm(about, axis=-1), 0.0).max(axis=-1, initial=0.0)
    largest = reach * np.abs(factor - 1.0)
    return ThermalCorrection(
        points=m + (factor - 1.0)[:, None, None] * about,
        factor=factor,
        largest=largest,
        uncertainty=largest * abs(expansion_uncertainty),
    )


def _centre(m: Array, present: NDArray[np.bool_]) -> Array:
    count = present.sum(-1)
    total = np.where(present[..., None], m, 0.0).sum(axis=1)
    return np.asarray(np.where(count[:, None] > 0, total / np.maximum(count, 1)[:, None], 0.0))


def _by_run(values: ArrayLike, name: str, runs: int) -> Array:
    array = as_floats(values, name)
    if array.shape not in ((), (1,), (runs,)):
        raise DataError(f"{name} must be one number or ({runs},), not {array.shape}")
    return np.broadcast_to(array, (runs,)).copy()
