from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from spc.demo.hood import Hood
from spc.demo.scenario import Scenario, build

Array = NDArray[np.float64]
SAMPLES = Path(__file__).parents[2] / "sample-runs"


@pytest.fixture(scope="session")
def full() -> Scenario:
    return build()


@pytest.fixture(scope="session")
def samples() -> Path:
    return SAMPLES


@dataclass(frozen=True)
class Superposition:
    """Brings hits back onto a hood by general-purpose scipy routines, one run at a time."""

    hood: Hood

    def deviations(self, hits: Array) -> Array:
        """Return each hit's deviation (points, hits) after the fit of the rigid pose."""
        points = np.array([h[np.isfinite(h).all(axis=1)].mean(axis=0) for h in hits])
        centre = points.mean(axis=0)
        start, _ = Rotation.align_vectors(
            self.hood.nominal - self.hood.nominal.mean(axis=0), points - centre
        )
        shift = self.hood.nominal.mean(axis=0) - start.apply(centre)
        chosen = start.apply(points[self.hood.fit]) + shift

        def residuals(pose: Array) -> Array:
            moved = Rotation.from_rotvec(pose[3:] / 1000.0).apply(chosen) + pose[:3]
            off = moved - self.hood.nominal[self.hood.fit]
            return np.einsum("ij,ij->i", off, self.hood.normal[self.hood.fit])

        pose = least_squares(residuals, np.zeros(6), method="lm", xtol=1e-14, ftol=1e-14).x
        flat = start.apply(hits.reshape(-1, 3)) + shift
        moved = Rotation.from_rotvec(pose[3:] / 1000.0).apply(flat) + pose[:3]
        off = moved.reshape(hits.shape) - self.hood.nominal[:, None]
        return np.einsum("phj,pj->ph", off, self.hood.normal)

    def of_deviation(self, deviation: Array) -> Array:
        """Return what is left (points,) of true deviations, put on the hood without any noise."""
        exact = self.hood.nominal + deviation[:, None] * self.hood.normal
        return self.deviations(exact[:, None, :])[:, 0]


@pytest.fixture(scope="session")
def superpose(full: Scenario) -> Superposition:
    return Superposition(full.hood)
