"""The part laid out flat like a folded box: every patch once, on the side that it looks out of."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spc.pages.figures.strands import Floats
from spc.plan import Plan

#: Free space between the sides and round the patches of a side, as a share of the part's size.
GAP, RIM = 0.03, 0.055
#: A net higher than this times its width is laid on its side.
TALL = 1.25
#: The sides in the order in which a wrapped box opens, and what each is called.
SIDES = ("+z", "+x", "-x", "+y", "-y", "-z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of the net.

    Parameters
    ----------
    name
        Axis and direction that it looks to: ``+x``, ``-z`` ...
    low, high
        Its corners in the net's plane, mm.
    """

    name: str
    low: tuple[float, float]
    high: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Net:
    """Patches in a plane.

    Parameters
    ----------
    at
        (points, 2), place of each patch in the net's plane, mm.
    side
        (points,), name of the side that each lies on.
    sides
        The sides that have patches.
    """

    at: Floats
    side: tuple[str, ...]
    sides: tuple[Side, ...]


def net(plan: Plan) -> Net:
    """Lay the plan's points out."""
    nominals = np.array([p.nominal for p in plan.points])
    side = tuple(facing(p.normal) for p in plan.points)
    rim = RIM * float(np.ptp(nominals, axis=0).max() or 1.0)
    low, high = nominals.min(axis=0) - rim, nominals.max(axis=0) + rim
    used = set(side)
    at = np.array([_flat(s, p, low, high, used) for s, p in zip(side, nominals, strict=True)])
    corners = {s: np.array([_flat(s, c, low, high, used) for c in (low, high)]) for s in used}
    if _height(corners) > TALL * _width(corners):
        at, corners = _turned(at), {s: _turned(c) for s, c in corners.items()}
    return Net(at=at, side=side, sides=tuple(_side(s, corners[s]) for s in SIDES if s in used))


def facing(normal: Sequence[float]) -> str:
    """Return the side that a normal looks out of: its largest component."""
    at = int(np.argmax(np.abs(normal)))
    return f"{'+' if normal[at] > 0 else '-'}{'xyz'[at]}"


def _flat(side: str, point: Floats, low: Floats, high: Floats, used: set[str]) -> list[float]:
    """Fold a point of a side into the plane of the side that looks up.

    The four walls are folded outwards about their upper edges, the underside about the lower edge
    of the wall that looks to +x.
    """
    x, y, z = (float(v) for v in point)
    gap = GAP * float((high - low).max())
    down = gap + float(high[2]) - z
    wall = gap + float(high[2] - low[2]) if "+x" in used else 0.0
    return {
        "+z": [x, y],
        "+x": [float(high[0]) + down, y],
        "-x": [float(low[0]) - down, y],
        "+y": [x, float(high[1]) + down],
        "-y": [x, float(low[1]) - down],
        "-z": [float(high[0]) + wall + gap + float(high[0]) - x, y],
    }[side]


def _turned(points: Floats) -> Floats:
    return np.column_stack([points[:, 1], -points[:, 0]])


def _width(corners: dict[str, Floats]) -> float:
    return float(np.ptp(np.concatenate([c[:, 0] for c in corners.values()])))


def _height(corners: dict[str, Floats]) -> float:
    return float(np.ptp(np.concatenate([c[:, 1] for c in corners.values()])))


def _side(name: str, corners: Floats) -> Side:
    (left, low), (right, high) = corners.min(axis=0), corners.max(axis=0)
    return Side(name=name, low=(float(left), float(low)), high=(float(right), float(high)))
