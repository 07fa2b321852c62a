"""The shapes of every piece as series: size, twist and bow, apart from how it was aligned."""

from dataclasses import dataclass

import numpy as np

from spc.alignment.form import FormFit, fit_form
from spc.alignment.formplan import COMBINED as COMBINED_SHAPES
from spc.alignment.formplan import HIDDEN as HIDDEN_SHAPE
from spc.alignment.formplan import FormPlan, form_plan
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.series import SeriesSet

#: The headline where sizes along the axes are fitted: their common part.
SIZE = "size"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shapes:
    """Shapes of the pieces of a history.

    Parameters
    ----------
    plan
        What the plan's points can tell.
    fit
        The amplitudes of every run.
    series
        The shapes as series, in their own units.
    units
        Unit of each series: ``%``, ``mm`` or ``mm/m``.
    patterns
        Index of the plan's pattern that each series is, or that leads its sum.
    hidden
        Shapes that cannot be seen, each with the reason.
    combined
        Shapes that are seen only added to one another, in words.
    """

    plan: FormPlan
    fit: FormFit
    series: SeriesSet
    units: tuple[str, ...]
    patterns: tuple[int, ...]
    hidden: tuple[str, ...]
    combined: tuple[str, ...]


def shapes_of(past: History) -> Shapes:
    """Take every run's deviations apart into rigid misfit, size, twist, bow and the rest."""
    geometry = past.geometry
    plan = form_plan(geometry.nominals, geometry.normals)
    fit = fit_form(plan, past.deviations)
    names, units, at, values = _columns(plan, fit)
    nothing = np.full(len(names), np.nan)
    series = SeriesSet(
        names=names,
        spoken=names,
        values=values,
        skewed=np.zeros(len(names), dtype=bool),
        fit_point=np.zeros(len(names), dtype=bool),
        lower=nothing,
        upper=nothing,
        units=tuple("" if unit == "mm" else unit for unit in units),
    )
    return Shapes(
        plan=plan, fit=fit, series=series, units=units, patterns=at, hidden=_hidden(plan),
        combined=_combined(plan),
    )  # fmt: skip


def _columns(
    plan: FormPlan, fit: FormFit
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[int, ...], Array]:
    """Return the kept shapes, led by the size as one number where it can be seen."""
    kinds = [p.name for p in plan.patterns]
    names, at = list(plan.meanings), list(plan.kept)
    values = [fit.amplitudes[:, k] for k in range(len(plan.kept))]
    size = kinds.index(SIZE) if SIZE in kinds else -1
    if size >= 0 and SIZE not in names and np.isfinite(plan.sd_alone[size]):
        names.insert(0, SIZE)
        at.insert(0, size)
        values.insert(0, fit.alone[:, size])
    laid = np.column_stack(values) if values else np.empty((len(fit.ssr), 0))
    return tuple(names), tuple(plan.patterns[k].unit for k in at), tuple(at), laid


def _combined(plan: FormPlan) -> tuple[str, ...]:
    """Return which shapes are seen only in a sum, one sentence a shape without its own number."""
    said = []
    for k, status in enumerate(plan.status):
        if status != COMBINED_SHAPES or k in plan.kept:
            continue
        sums = [m for m, row in zip(plan.meanings, plan.mixing, strict=True) if row[k]]
        said.append(f"{plan.patterns[k].name} has no number of its own: these points see it only "
                    f"in {'; '.join(sums)}")  # fmt: skip
    return tuple(said)


def _hidden(plan: FormPlan) -> tuple[str, ...]:
    """Return the reasons of hidden shapes; those of faces with too few points in one sentence."""
    reasons = [
        reason
        for status, reason in zip(plan.status, plan.reasons, strict=True)
        if status == HIDDEN_SHAPE
    ]
    few = [r for r in reasons if "too few points" in r or "no point between" in r]
    rest = [r for r in reasons if r not in few]
    if few:
        rest.append(
            f"{len(few)} twists and bows of single faces cannot be seen: too few points on those "
            "faces"
        )
    return tuple(rest)
