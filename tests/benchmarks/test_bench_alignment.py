"""A hundred thousand alignments in one call, against a loop over a general optimiser."""

import time

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from spc.alignment.assess import assess

P = np.array(
    [
        (30, 40, 300),
        (570, 40, 300),
        (560, 860, 300),
        (40, 850, 300),
        (600, 75, 150),
        (600, 450, 150),
        (600, 825, 150),
        (72, 900, 150),
        (528, 900, 150),
    ],
    dtype=float,
)
N = np.array([(0, 0, 1)] * 4 + [(1, 0, 0)] * 3 + [(0, 1, 0)] * 2, dtype=float)
RUNS, LOOPED = 100_000, 100


def _measured(rng):
    noise = rng.normal(0.0, 0.05, (RUNS, 9, 1)) * N
    turns = Rotation.from_rotvec(rng.normal(0.0, 0.02, (RUNS, 3))).as_matrix()
    return (P + noise) @ turns + rng.uniform(-5.0, 5.0, (RUNS, 1, 3))


def _loop(points):
    """One run at a time from a close start; the pose only, no reliability."""

    def residuals(x, run):
        moved = run @ Rotation.from_rotvec(x[:3]).as_matrix().T + 300.0 * x[3:]
        return ((moved - P) * N).sum(axis=1)

    return [least_squares(residuals, np.zeros(6), args=(run,)).fun for run in points]


def test_a_hundred_thousand_fits_with_reliability_are_fifty_times_faster_than_a_loop():
    points = _measured(np.random.default_rng(8))
    started = time.perf_counter()
    looped = np.array(_loop(points[:LOOPED]))
    per_looped = (time.perf_counter() - started) / LOOPED
    started = time.perf_counter()
    found = assess(points, P, N, np.ones(9), sigma=0.05)
    per_batched = (time.perf_counter() - started) / RUNS
    np.testing.assert_allclose(found.fit.deviations[:LOOPED], looped, atol=1e-5)
    assert found.tests.p_standardised_family.shape == (RUNS, 9)
    assert found.fit.converged.all()
    ratio = per_looped / per_batched
    print(f"{1e6 * per_batched:.1f} µs a run, {ratio:.0f} times faster than the loop")
    assert ratio > 50.0
