"""The engine hood of the demonstration: its patches, and the plan that names them.

A rotationally moulded polyethylene hood, about 600 mm wide, 900 mm long and 300 mm high. Seen from
the driver's seat x points right, y forward and z up; the origin lies in the middle of the open
underside. The deck is the flat top, the right flank and the nose carry the other alignment points,
and everything the fit cannot see (left flank, tail, underside rim) is a check patch.
"""

from dataclasses import dataclass
from math import atan2, copysign, cos, degrees, radians, sin, tan

import numpy as np
from numpy.typing import NDArray

from spc.plan import CHECK, FIT

PART, REVISION, NAME = "LH-640", "C", "Engine hood"
RESIDUAL_LIMIT = 1.25
HALF_WIDTH, HALF_LENGTH, HEIGHT = 300.0, 450.0, 300.0
FLANK_DRAFT, NOSE_DRAFT, SHOULDER_RADIUS = 3.0, 4.0, 40.0

#: How far a patch gives way under the probe, mm per newton.
STIFF, EDGE, PANEL = 0.02, 0.05, 0.15

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """One patch of the hood as its plan states it.

    Parameters
    ----------
    id, role, group
        Name, ``fit`` or ``check``, and the letter of like patches.
    nominal, normal
        Position in mm and outward unit normal, exactly as the plan's text writes them.
    lower, upper
        Tolerance on the deviation, mm.
    give
        Compliance under the probe, mm per newton.
    """

    id: str
    role: str
    group: str
    nominal: Vector
    normal: Vector
    lower: float
    upper: float
    give: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hood:
    """The patches as arrays, in the plan's order.

    Parameters
    ----------
    patches
        The patches.
    nominal, normal
        Shape (points, 3); mm and unitless.
    fit
        Shape (points,), True where the point holds the alignment.
    give
        Shape (points,), mm per newton.
    """

    patches: tuple[Patch, ...]
    nominal: NDArray[np.float64]
    normal: NDArray[np.float64]
    fit: NDArray[np.bool_]
    give: NDArray[np.float64]

    def index(self, name: str) -> int:
        """Return the place of a patch in the plan's order."""
        return [p.id for p in self.patches].index(name)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the patches in the plan's order."""
        return tuple(p.id for p in self.patches)

    def by_name(self, values: NDArray[np.float64], *, checks: bool = False) -> dict[str, float]:
        """Return a value for each point by name, or for the check points only."""
        pairs = zip(self.names, values, self.fit, strict=True)
        return {name: float(v) for name, v, fit in pairs if not (checks and fit)}


def hood() -> Hood:
    """Return the hood's 33 patches, 9 that hold the alignment and 24 that are judged after it."""
    patches = (*_fit_patches(), *_walls(), *_rim(), *_deck(), *_mating(), *_shoulders())
    return Hood(
        patches=patches,
        nominal=np.array([p.nominal for p in patches]),
        normal=np.array([p.normal for p in patches]),
        fit=np.array([p.role == FIT for p in patches]),
        give=np.array([p.give for p in patches]),
    )


def direction(azimuth: float, elevation: float) -> Vector:
    """Return the unit vector at these angles (degrees, azimuth from x towards y), 12 decimals."""
    a, e = radians(azimuth), radians(elevation)
    parts = cos(e) * cos(a), cos(e) * sin(a), sin(e)
    x, y, z = (round(v, 12) + 0.0 for v in parts)
    return x, y, z


RIGHT, LEFT = direction(0.0, FLANK_DRAFT), direction(180.0, FLANK_DRAFT)
FRONT, BACK = direction(90.0, NOSE_DRAFT), direction(-90.0, NOSE_DRAFT)
UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)


def _patch(
    name: str,
    group: str,
    at: Vector,
    normal: Vector,
    tolerance: float | tuple[float, float],
    give: float,
) -> Patch:
    """Return a check patch; a tolerance of one number lies on both sides of nominal."""
    low, high = (-tolerance, tolerance) if isinstance(tolerance, float) else tolerance
    x, y, z = (round(v, 2) for v in at)
    role = FIT if group in "ABC" else CHECK
    return Patch(
        id=name,
        role=role,
        group=group,
        nominal=(x, y, z),
        normal=normal,
        lower=low,
        upper=high,
        give=give,
    )


def _flank(y: float, z: float, side: float = 1.0) -> Vector:
    """Return the point of a side wall at this height; the wall opens downwards by its draft."""
    return side * (HALF_WIDTH + (HEIGHT / 2 - z) * tan(radians(FLANK_DRAFT))), y, z


def _end(x: float, z: float, side: float = 1.0) -> Vector:
    """Return the point of an end wall at this height."""
    return x, side * (HALF_LENGTH + (HEIGHT / 2 - z) * tan(radians(NOSE_DRAFT))), z


def _fit_patches() -> tuple[Patch, ...]:
    return (
        _patch("deck-1", "A", (-230.0, 360.0, HEIGHT), UP, 1.5, EDGE),
        _patch("deck-2", "A", (230.0, 360.0, HEIGHT), UP, 1.5, EDGE),
        _patch("deck-3", "A", (230.0, -360.0, HEIGHT), UP, 1.5, EDGE),
        _patch("deck-4", "A", (-230.0, -360.0, HEIGHT), UP, 1.5, EDGE),
        _patch("flank-1", "B", _flank(380.0, 130.0), RIGHT, 1.5, EDGE),
        _patch("flank-2", "B", _flank(0.0, 160.0), RIGHT, 2.0, PANEL),
        _patch("flank-3", "B", _flank(-380.0, 130.0), RIGHT, 1.5, EDGE),
        _patch("nose-1", "C", _end(-230.0, 140.0), FRONT, 1.5, EDGE),
        _patch("nose-2", "C", _end(230.0, 140.0), FRONT, 1.5, EDGE),
    )


def _walls() -> tuple[Patch, ...]:
    return (
        _patch("left-flank-front", "D", _flank(370.0, 130.0, -1.0), LEFT, 2.5, EDGE),
        _patch("left-flank-middle", "D", _flank(10.0, 150.0, -1.0), LEFT, 3.0, PANEL),
        _patch("left-flank-rear", "D", _flank(-370.0, 130.0, -1.0), LEFT, 2.5, EDGE),
        _patch("tail-left", "E", _end(-220.0, 140.0, -1.0), BACK, 3.0, EDGE),
        _patch("tail-right", "E", _end(220.0, 140.0, -1.0), BACK, 3.0, EDGE),
        _patch("nose-middle", "E", _end(0.0, 190.0), FRONT, 2.0, PANEL),
    )


def _rim() -> tuple[Patch, ...]:
    return (
        _patch("rim-front-left", "F", (-298.0, 390.0, 0.0), DOWN, 2.0, STIFF),
        _patch("rim-front-right", "F", (298.0, 390.0, 0.0), DOWN, 2.0, STIFF),
        _patch("rim-rear-left", "F", (-298.0, -390.0, 0.0), DOWN, 2.0, STIFF),
        _patch("rim-rear-right", "F", (298.0, -390.0, 0.0), DOWN, 2.0, STIFF),
    )


def _deck() -> tuple[Patch, ...]:
    return (
        _patch("deck-middle", "G", (0.0, 15.0, HEIGHT), UP, (-1.0, 2.5), PANEL),
        _patch("deck-left-edge", "G", (-245.0, 0.0, HEIGHT), UP, 2.0, EDGE),
        _patch("deck-right-edge", "G", (245.0, 0.0, HEIGHT), UP, 2.0, EDGE),
        _corner("corner-front-left", -265.0, 425.0),
        _corner("corner-front-right", 265.0, 425.0),
        _corner("corner-rear-left", -265.0, -425.0),
        _corner("corner-rear-right", 265.0, -425.0),
    )


def _corner(name: str, x: float, y: float) -> Patch:
    """Return a patch near a corner of the deck, where it begins to fall away outwards."""
    normal = direction(degrees(atan2(copysign(1.0, y), copysign(1.0, x))), 86.0)
    return _patch(name, "H", (x, y, HEIGHT - 1.5), normal, 2.0, EDGE)


def _mating() -> tuple[Patch, ...]:
    return (
        _patch("hinge-pad-left", "J", (-150.0, -432.0, 282.0), UP, 0.8, STIFF),
        _patch("hinge-pad-right", "J", (150.0, -432.0, 282.0), UP, 0.8, STIFF),
        _patch("latch-face", "J", (0.0, 448.0, 60.0), (0.0, 1.0, 0.0), 0.8, STIFF),
    )


def _shoulders() -> tuple[Patch, ...]:
    return (
        _shoulder("shoulder-left-front", (-252.0, 330.0), 165.0, 50.0),
        _shoulder("shoulder-left-rear", (-252.0, -330.0), -160.0, 40.0),
        _shoulder("shoulder-right-front", (252.0, 330.0), 20.0, 40.0),
        _shoulder("shoulder-right-rear", (252.0, -330.0), -15.0, 50.0),
    )


def _shoulder(name: str, centre: tuple[float, float], azimuth: float, elevation: float) -> Patch:
    """Return a patch on the rounding between deck and flank, at these angles of its normal."""
    n = direction(azimuth, elevation)
    middle = (centre[0], centre[1], HEIGHT - SHOULDER_RADIUS)
    x, y, z = (m + SHOULDER_RADIUS * v for m, v in zip(middle, n, strict=True))
    return _patch(name, "K", (x, y, z), n, 2.0, EDGE)


def plan_text(model: Hood) -> str:
    """Return the measurement plan as TOML, in millimetres."""
    head = (
        "# Engine hood of a small loader, rotationally moulded polyethylene.\n"
        "# Seen from the driver's seat: x right, y forward, z up. Origin: middle of the open\n"
        "# underside, in the plane of the rim. Normals point out of the material.\n"
        f'part = "{PART}"\nrevision = "{REVISION}"\nname = "{NAME}"\nunit = "mm"\n\n'
        f'[fit]\nmethod = "least squares"\nresidual_limit = {RESIDUAL_LIMIT}\n'
    )
    return head + "".join(_point_text(p) for p in model.patches)


def _point_text(patch: Patch) -> str:
    def row(values: tuple[float, ...]) -> str:
        return "[" + ", ".join(repr(v) for v in values) + "]"

    return (
        f'\n[[point]]\nid = "{patch.id}"\nrole = "{patch.role}"\ngroup = "{patch.group}"\n'
        f"nominal = {row(patch.nominal)}\nnormal = {row(patch.normal)}\n"
        f"tolerance = {row((patch.lower, patch.upper))}\n"
    )
