"""How far a soft panel gives way to the probe and to its own weight: thin-plate theory.

References
----------
.. [1] Timoshenko, S. and Woinowsky-Krieger, S. (1959), Theory of Plates and Shells, 2nd ed.:
   simply supported rectangle under a central force, art. 34; clamped rectangle, table 37 (from
   memory, confirmed by a Ritz solution in the tests); uniform load, tables 8 and 35.
"""

from dataclasses import dataclass

import numpy as np

from spc.alignment.checks import as_positive
from spc.errors import DataError

SUPPORTED, CLAMPED = "supported", "clamped"
GRAVITY = 9.80665
#: Central deflection of a clamped rectangle, w D / (F a²), by long side over short side [1]_.
_CLAMPED_RATIO = np.array([1.0, 1.2, 1.4, 1.6, 1.8, 2.0])
_CLAMPED_FORCE = np.array([0.00560, 0.00647, 0.00691, 0.00712, 0.00720, 0.00722])
_CLAMPED_ENDLESS = 0.00725


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelPush:
    """Give of a flat panel at its middle.

    Parameters
    ----------
    stiffness
        Plate stiffness E t³ / (12 (1 − ν²)), N·mm.
    per_newton
        mm by which the middle moves inwards per newton of probing force.
    edges
        ``supported`` (free to tilt) or ``clamped``; a real panel lies between the two.
    note
        Where thin-plate theory stops; empty where it holds.
    """

    stiffness: float
    per_newton: float
    edges: str
    note: str


def panel_push(
    *,
    wall: float,
    modulus: float,
    poisson: float,
    side: float,
    other_side: float | None = None,
    edges: str = SUPPORTED,
) -> PanelPush:
    """Return how far the middle of a flat panel gives way per newton.

    Parameters
    ----------
    wall
        Wall thickness, mm.
    modulus
        Young's modulus, MPa (= N/mm²); about 600 to 900 for polyethylene at room temperature.
    poisson
        Poisson's ratio, 0 to 0.5.
    side, other_side
        Sides of the panel, mm; square where the other is not given.
    edges
        ``supported`` or ``clamped``.

    Returns
    -------
    PanelPush
        A deflection small against the wall is assumed.
    """
    a, b = sorted((as_positive(side, "side"), as_positive(other_side or side, "other_side")))
    t = as_positive(wall, "wall")
    if not 0.0 <= poisson < 0.5:
        raise DataError(f"poisson is {poisson:g}; it must lie from 0 to below 0.5")
    stiffness = as_positive(modulus, "modulus") * t**3 / (12.0 * (1.0 - poisson**2))
    factor = _force_factor(b / a, edges)
    thick = t > a / 10.0
    return PanelPush(
        stiffness=stiffness,
        per_newton=factor * a**2 / stiffness,
        edges=edges,
        note="wall above a tenth of the side: thin-plate theory understates the give"
        if thick
        else "",
    )


def _force_factor(ratio: float, edges: str) -> float:
    if edges == SUPPORTED:
        m = np.arange(1, 400, 2)
        # Above this sech² is zero to double precision and cosh would overflow.
        arm = np.minimum(0.5 * np.pi * m * ratio, 300.0)
        terms = (np.tanh(arm) - arm / np.cosh(arm) ** 2) / m**3
        return float(terms.sum() / (2.0 * np.pi**3))
    if edges == CLAMPED:
        inside = float(np.interp(ratio, _CLAMPED_RATIO, _CLAMPED_FORCE))
        return inside if ratio <= 2.0 else _CLAMPED_ENDLESS
    raise DataError(f"edges is {edges!r}; it must be {SUPPORTED!r} or {CLAMPED!r}")


def panel_sag(
    *,
    wall: float,
    modulus: float,
    poisson: float,
    side: float,
    density: float,
    edges: str = SUPPORTED,
) -> float:
    """Return how far the middle of a flat square panel lying flat sags by its own weight, mm.

    Parameters
    ----------
    wall, modulus, poisson, side, edges
        As in :func:`panel_push`.
    density
        kg/m³; about 940 for polyethylene.
    """
    push = panel_push(wall=wall, modulus=modulus, poisson=poisson, side=side, edges=edges)
    load = as_positive(density, "density") * 1e-9 * GRAVITY * wall
    factor = {SUPPORTED: 0.00406, CLAMPED: 0.00126}[edges]
    return factor * load * side**4 / push.stiffness
