"""Patches in the middle of a soft panel: how far the probe pushes them in."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.panel import CLAMPED, SUPPORTED, panel_push
from spc.plan import Plan, PlanPoint

#: A push of one newton may take this share of the tolerance before it is said.
SHARE = 0.1
#: Poisson's ratio where the plan states none: polyethylene (common practice, no published source).
ASSUMED_POISSON = 0.42


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCheck:
    """One patch on a panel; lengths in mm.

    Parameters
    ----------
    point
        The patch.
    supported, clamped
        How far one newton moves it inwards with edges free to tilt, and with edges held; a real
        panel lies between. NaN where wall or modulus is not stated.
    share
        ``supported`` over the width of the tolerance; NaN without one.
    beyond
        True where that is more than a tenth.
    note
        What limits the figure; empty where nothing does.
    """

    point: str
    supported: float
    clamped: float
    share: float
    beyond: bool
    note: str


def panels_checked(plan: Plan) -> tuple[PanelCheck, ...]:
    """Work out the give of every point of which the plan states the panel."""
    return tuple(_checked(plan, p, p.panel) for p in plan.points if p.panel is not None)


def _checked(plan: Plan, point: PlanPoint, panel: tuple[float, float]) -> PanelCheck:
    material = plan.material
    if material is None or material.wall is None or material.modulus_gpa is None:
        return PanelCheck(
            point=point.id, supported=np.nan, clamped=np.nan, share=np.nan, beyond=False,
            note="wall and modulus_gpa under [material] are needed to say how far it gives way",
        )  # fmt: skip
    poisson = ASSUMED_POISSON if material.poisson is None else material.poisson
    soft, stiff = (
        panel_push(
            wall=material.wall, modulus=1000.0 * material.modulus_gpa, poisson=poisson,
            side=panel[0], other_side=panel[1], edges=edges,
        )
        for edges in (SUPPORTED, CLAMPED)
    )  # fmt: skip
    width = np.nan if point.lower is None or point.upper is None else point.upper - point.lower
    share = soft.per_newton / width
    notes = [soft.note] if soft.note else []
    if material.poisson is None:
        notes.append(f"poisson {ASSUMED_POISSON} assumed: common practice, no published source")
    return PanelCheck(
        point=point.id, supported=soft.per_newton, clamped=stiff.per_newton, share=share,
        beyond=bool(share > SHARE), note="; ".join(notes),
    )  # fmt: skip
