"""Which changes of a part's form a plan sees, with what error, and which it cannot."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.formplan import HIDDEN, FormPlan, form_plan
from spc.alignment.patterns import BOW, SIZE, TWIST
from spc.plan import Plan
from spc.studies.arrays import plan_arrays

KINDS = (SIZE, TWIST, BOW)
#: Linear expansion where the plan states none, per kelvin: polyethylene (common practice, no
#: published source), and its relative standard deviation.
ASSUMED_EXPANSION, EXPANSION_SPREAD = 150e-6, 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeCheck:
    """One change of form.

    Parameters
    ----------
    name, kind, face
        ``size``, ``twist`` or ``bow``, and of which face; empty where of the whole part.
    meaning, unit
        What one unit of it is, in words; ``%`` or ``mm``.
    state
        ``fitted``, ``in combination``, ``left out`` (of the joint fit, seen by itself) or
        ``hidden``.
    visible
        Share of it that no rigid motion takes up.
    error
        Standard deviation of its amount, in its unit, where it is the only change; NaN if hidden.
    error_joint
        The same where all fitted shapes are told together; NaN where it is not one of them.
    reason
        Why it is hidden, left out or only seen with others; empty where it is simply seen.
    face_points
        Points of the plan on that face; all of them for the whole part.
    """

    name: str
    kind: str
    face: str
    meaning: str
    unit: str
    state: str
    visible: float
    error: float
    error_joint: float
    reason: str
    face_points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapesChecked:
    """Which changes of form a plan's points, fit and check ones together, can tell.

    Parameters
    ----------
    shapes
        All that were considered.
    combined
        What the fitted numbers stand for where they mix shapes.
    blind_to_size
        Why size cannot be seen, as a whole or along an axis; empty where it can.
    residuals_see
        Names of the shapes that the residuals of the fit points alone show.
    temperature
        How warmth looks like size, in words.
    expansion, expansion_source
        Linear expansion per kelvin that it stands on.
    note
        What limits it all; empty where nothing does.
    """

    shapes: tuple[ShapeCheck, ...]
    combined: tuple[str, ...]
    blind_to_size: str
    residuals_see: tuple[str, ...]
    temperature: str
    expansion: float
    expansion_source: str
    note: str


def shapes_checked(plan: Plan, sigma: float) -> ShapesChecked:
    """Work out which shapes a plan sees at a probing noise of ``sigma`` mm."""
    geometry = plan_arrays(plan)
    found = form_plan(geometry.nominals, geometry.normals, kinds=KINDS)
    alone = form_plan(geometry.nominals, geometry.normals, geometry.weights, kinds=KINDS)
    shapes = tuple(_shape(found, k, sigma) for k, p in enumerate(found.patterns) if p.kind in KINDS)
    stated = plan.material.expansion if plan.material else None
    alpha = ASSUMED_EXPANSION if stated is None else stated
    source = (
        "assumed for polyethylene: common practice, no published source"
        if stated is None
        else "set by the plan"
    )
    return ShapesChecked(
        shapes=shapes,
        combined=tuple(
            meaning
            for meaning, row in zip(found.meanings, found.mixing, strict=True)
            if (row != 0).sum() > 1
        ),
        blind_to_size=_blind_to_size(shapes),
        residuals_see=tuple(
            p.name
            for p, state in zip(alone.patterns, alone.status, strict=True)
            if p.kind in KINDS and state != HIDDEN
        ),
        temperature=_temperature(shapes, alpha, source),
        expansion=alpha,
        expansion_source=source,
        note=found.note,
    )


def _shape(found: FormPlan, at: int, sigma: float) -> ShapeCheck:
    pattern = found.patterns[at]
    joint = found.sd_joint[found.kept.index(at)] if at in found.kept else np.nan
    on_face = pattern.flat[:, 0] != 0.0 if pattern.face else np.ones(len(found.nominals), bool)
    return ShapeCheck(
        name=pattern.name, kind=pattern.kind, face=pattern.face, meaning=pattern.meaning,
        unit=pattern.unit, state=found.status[at], visible=float(found.visible[at]),
        error=float(found.sd_alone[at] * sigma), error_joint=float(joint * sigma),
        reason=found.reasons[at], face_points=int(on_face.sum()),
    )  # fmt: skip


def _blind_to_size(shapes: tuple[ShapeCheck, ...]) -> str:
    """Return why size cannot be seen: as a whole, else along which axes."""
    hidden = [s for s in shapes if s.kind == SIZE and s.state == HIDDEN]
    whole = [s.reason for s in hidden if s.name == SIZE]
    return whole[0] if whole else "; ".join(s.reason for s in hidden)


def _temperature(shapes: tuple[ShapeCheck, ...], alpha: float, source: str) -> str:
    each = 100.0 * alpha
    words = (
        f"1 K of the part's temperature changes its size by {each:.3g} % (expansion "
        f"{alpha * 1e6:.3g}e-6 per K, {source}; uncertain by {EXPANSION_SPREAD:.0%}), in the same "
        "pattern as shrinkage: only a thermometer on the part tells them apart"
    )
    size = next(s for s in shapes if s.kind == SIZE)
    if np.isfinite(size.error):
        words += f"; the plan's error of size, {size.error:.2g} %, is {size.error / each:.2g} K"
    return words
