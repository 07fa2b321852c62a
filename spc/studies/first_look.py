"""The first look at runs just fitted: strangers are refused, mistakes are named."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from spc.errors import InputError
from spc.ingest.checked import Results
from spc.plan import Plan
from spc.studies.fitting import Fitted
from spc.studies.mistakes import Mistake, told
from spc.units import mixed_up, spoken_factor


def refuse_strangers(
    checked: Results,
    plan: Plan,
    runs: pd.DataFrame,
    fitted: Fitted,
    wrong: Sequence[tuple[Mistake, ...]],
) -> None:
    """Refuse a file of which no run resembles the plan: a wrong unit, part or set of names."""
    if fitted.resembles.any():
        return
    if (fitted.fit.rank < 6).all():
        held = int(fitted.fit.n_points.max())
        raise InputError(
            f"no run can be aligned: {held} of {len(plan.fit_points)} fit points of "
            f"{plan.part} {plan.revision} were measured where six independent ones are needed",
            file=checked.name,
            row=int(runs["line"].iloc[0]),
            do="measure the missing fit points, or add a plan that suits what was measured",
        )
    raise InputError(
        f"no run fits the plan of {plan.part} {plan.revision}",
        file=checked.name,
        row=int(runs["line"].iloc[0]),
        do=_why_strange(checked, runs, fitted, wrong),
    )


#: How far the ratio of sizes may be from a factor: no moulded part is so much off its size.
_SLACK = 0.05


def _why_strange(
    checked: Results, runs: pd.DataFrame, fitted: Fitted, wrong: Sequence[tuple[Mistake, ...]]
) -> str:
    ratio = float(np.nanmedian(fitted.size_ratio))
    seen = f"the points span {ratio:.4g} times the plan's extent"
    for words, factor in mixed_up(checked.unit).items():
        if abs(ratio / factor - 1.0) < _SLACK:
            return (
                f"{seen}: a factor of {spoken_factor(factor)}, {words}; "
                "find out which is right, the file's unit or the plan's"
            )
    said = told(wrong, _labels(runs))
    if said:
        return said[0]
    return (
        f"the points span {ratio:.3g} times the plan's extent; check part, unit and the names of "
        "the points"
    )


def _labels(runs: pd.DataFrame) -> list[str]:
    return [f"'{run}' of serial '{s}'" for run, s in zip(runs["run"], runs["serial"], strict=True)]


def first_notes(
    runs: pd.DataFrame, fitted: Fitted, wrong: Sequence[tuple[Mistake, ...]]
) -> list[str]:
    """Return what should be said of runs that are kept: mistakes, and runs not aligned."""
    said = told(wrong, _labels(runs))
    fit = fitted.fit
    known = np.array([bool(some) for some in wrong])
    for k in np.flatnonzero(~fit.converged | ~(fitted.resembles | known)):
        run = f"run '{runs['run'].iloc[k]}' of serial '{runs['serial'].iloc[k]}'"
        said.append(
            f"{run} does not look like the plan" if fit.converged[k]
            else f"{run} was kept but not aligned: {int(fit.n_points[k])} fit points do not hold "
            "six degrees of freedom"
        )  # fmt: skip
    return said
