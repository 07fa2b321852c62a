"""Layouts and helpers that the alignment tests share; every coordinate is invented."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

REFERENCE = Path(__file__).parents[1] / "reference"


@dataclass(frozen=True)
class Layout:
    p: np.ndarray
    n: np.ndarray
    w: np.ndarray

    @property
    def fit(self):
        return np.flatnonzero(self.w > 0)


def _layout(rows):
    rows = np.array(rows, dtype=float)
    return Layout(rows[:, :3], rows[:, 3:6], rows[:, 6])


# Five vertical points, a side and an end pair; three check patches on the opposite faces.
TIED = [
    (450, 250, 0, 0, 0, 1, 1),
    (450, -250, 0, 0, 0, 1, 1),
    (-450, -250, 0, 0, 0, 1, 1),
    (-450, 250, 0, 0, 0, 1, 1),
    (0, 0, 0, 0, 0, 1, 1),
    (400, 300, -100, 0, 1, 0, 1),
    (-400, 300, -100, 0, 1, 0, 1),
    (500, 200, -100, 1, 0, 0, 1),
    (500, -200, -100, 1, 0, 0, 1),
    (0, -300, -100, 0, -1, 0, 0),
    (-500, 0, -100, -1, 0, 0, 0),
    (0, 0, -400, 0, 0, -1, 0),
]

# A hood 0.6 x 0.9 x 0.3 m: 4 deck, 3 flank and 2 nose points, and four check patches.
HOOD = [
    (30, 40, 300, 0, 0, 1, 1),
    (570, 40, 300, 0, 0, 1, 1),
    (560, 860, 300, 0, 0, 1, 1),
    (40, 850, 300, 0, 0, 1, 1),
    (600, 75, 150, 1, 0, 0, 1),
    (600, 450, 150, 1, 0, 0, 1),
    (600, 825, 150, 1, 0, 0, 1),
    (72, 900, 150, 0, 1, 0, 1),
    (528, 900, 150, 0, 1, 0, 1),
    (0, 450, 150, -1, 0, 0, 0),
    (300, 0, 120, 0, -1, 0, 0),
    (300, 450, 0, 0, 0, -1, 0),
    (300, 450, 300, 0, 0, 1, 0),
]


@pytest.fixture(scope="session")
def tied():
    return _layout(TIED)


@pytest.fixture(scope="session")
def hood():
    return _layout(HOOD)


@pytest.fixture
def rng():
    return np.random.default_rng(20260704)


@pytest.fixture(scope="session")
def reference():
    def read(name):
        return json.loads((REFERENCE / f"alignment_{name}.json").read_text())

    return read


@pytest.fixture(scope="session")
def random_rotations():
    from scipy.spatial.transform import Rotation

    def make(count, rng):
        return Rotation.random(count, rng=rng).as_matrix()

    return make


@pytest.fixture(scope="session")
def measure(random_rotations):
    """Return measured points: noise along the normals, hands that miss the place, a random pose."""

    def make(layout, runs, rng, sigma=0.05, aside=2.0, off=0.0, posed=True):
        n = layout.n
        noise = (rng.normal(0.0, sigma, (runs, len(n))) + off)[..., None] * n
        missed = rng.normal(0.0, aside, (runs, len(n), 3))
        points = layout.p + noise + missed - (missed * n).sum(-1, keepdims=True) * n
        if not posed:
            return points
        shift = rng.uniform(-2000.0, 2000.0, (runs, 1, 3))
        return points @ random_rotations(runs, rng) + shift

    return make
