"""Like points taken together: as many degrees of freedom as the points truly bring."""

import numpy as np
import pytest

from spc.gauge.anova import crossed_study
from spc.gauge.intervals import anova_quantities
from spc.gauge.like_points import effective_dof, like_points_study

INDEX = np.indices((8, 3, 2, 2)).reshape(4, -1)


def alike(together, seed, points=8):
    """Return rows whose points move together by the correlation ``together``."""
    rng = np.random.default_rng(seed)
    mix = np.linalg.cholesky(together * np.ones((points, points)) + (1 - together) * np.eye(points))
    p, o, s = INDEX[:3]
    cell, run = p * 3 + o, (p * 3 + o) * 2 + s
    y = rng.normal(size=(8, points))[p] @ mix.T
    y = y + 0.2 * rng.normal(size=(3, points))[o] @ mix.T
    y = y + 0.2 * rng.normal(size=(24, points))[cell] @ mix.T
    y = y + 0.5 * rng.normal(size=(48, points))[run] @ mix.T
    return y + 0.3 * rng.normal(size=(96, points))


@pytest.mark.parametrize(("together", "gain"), [(0.0, 8.0), (0.999, 1.4)])
def test_dof_of_points_lie_on_the_safe_side_by_as_much_as_theory_says(together, gain):
    dof = [
        like_points_study(alike(together, seed), *INDEX[:3], np.zeros(8, int)).dof[1, 0]
        for seed in range(40)
    ]
    # E tr S² = (1 + 1/ν) tr Σ² + (tr Σ)²/ν of a Wishart matrix with ν = 24 (Bai and Saranadasa
    # 1996). Hits are independent between points and carry a third of the set-up's mean square.
    expected = 24 / ((1 + 1 / 24) / gain + 1 / 24)
    assert np.mean(dof) == pytest.approx(expected, rel=0.1)
    assert np.mean(dof) < 24 * gain


@pytest.mark.parametrize("together", [0.0, 0.6, 0.95])
def test_interval_of_the_common_component_covers(together):
    hold = []
    for seed in range(150):
        study = like_points_study(alike(together, seed), *INDEX[:3], np.zeros(8, int), pool="never")
        sd = anova_quantities(study).sd
        hold.append(
            [
                sd["setup"].low[0] <= 0.5 <= sd["setup"].high[0],
                sd["hit"].low[0] <= 0.3 <= sd["hit"].high[0],
                sd["piece"].low[0] <= 1.0 <= sd["piece"].high[0],
            ]
        )
    # 150 studies: the standard error of a 95 % coverage is 1.8 %.
    assert (np.mean(hold, axis=0) > 0.90).all()


def test_a_group_of_one_point_is_that_point():
    y = alike(0.3, 1, points=3)
    got = like_points_study(y, *INDEX[:3], [5, 2, 9], pool="never")
    want = crossed_study(y[:, [1, 0, 2]], *INDEX[:3], pool="never")
    np.testing.assert_allclose(got.raw, want.raw)
    np.testing.assert_allclose(got.dof, want.dof)


def test_few_degrees_of_freedom_claim_no_gain():
    assert effective_dof(np.random.default_rng(1).normal(size=(3, 9)), 2.0) == 2.0
