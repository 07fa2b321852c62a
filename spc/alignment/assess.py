"""Fit and tests of a batch of runs in one call."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.alignment.fit import PlaneFit, fit_planes
from spc.alignment.reliability import NEAR_TIE
from spc.alignment.residuals import ResidualTests, examine


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assessment:
    """A batch of fits with what their residuals prove.

    Parameters
    ----------
    fit
        The poses and deviations.
    tests
        Leverage, standardised and studentised residuals, and their tests.
    """

    fit: PlaneFit
    tests: ResidualTests


def assess(
    points: ArrayLike,
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    *,
    sigma: ArrayLike | None = None,
    sigma_dof: float = np.inf,
    near: float = NEAR_TIE,
) -> Assessment:
    """Fit runs and test their residuals; parameters as in ``fit_planes`` and ``examine``."""
    fit = fit_planes(points, nominals, normals, weights)
    tests = examine(
        fit.deviations,
        nominals,
        normals,
        weights,
        sigma=sigma,
        sigma_dof=sigma_dof,
        near=near,
    )
    return Assessment(fit=fit, tests=tests)
