"""The pose of a piece that nobody moved: by general-purpose libraries, and by the fit itself."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from spc.alignment.fit import fit_planes
from spc.alignment.geometry import geometry
from spc.gauge.pose import pose_repeat, probed_pose
from spc.studies.same_setup import motions

RNG = np.random.default_rng(8)
NOMINALS = RNG.uniform(-400, 400, (9, 3)) * [1.0, 1.0, 0.4]
NORMALS = np.repeat(np.eye(3), [2, 3, 4], axis=0)[:, ::-1].copy()
WEIGHTS = np.array([1.0, 1, 1, 1, 1, 1, 1, 2, 2])


def test_variance_is_pooled_within_groups_with_the_interval_of_chi_square():
    moves, group = RNG.normal(size=(7, 6)), np.array([0, 1, 1, 2, 2, 2, 9])
    got = pose_repeat(moves, group, np.ones(6), 300.0)
    squares = sum(
        (np.var(moves[group == g], axis=0, ddof=1) * ((group == g).sum() - 1)) for g in (1, 2)
    )
    assert (got.dof, got.groups) == (3, 2)
    np.testing.assert_allclose(got.sd.value, np.sqrt(squares / 3))
    np.testing.assert_allclose(got.sd.low, np.sqrt(squares / chi2.ppf(0.975, 3)))
    np.testing.assert_allclose(got.sd.high, np.sqrt(squares / chi2.ppf(0.025, 3)))


def test_without_a_group_of_two_there_is_no_figure():
    assert pose_repeat(RNG.normal(size=(5, 6)), np.arange(5), np.ones(6), 300.0) is None


def test_what_probing_makes_is_the_standard_error_of_least_squares():
    held = geometry(NOMINALS, NORMALS, np.ones(9))
    model = sm.OLS(RNG.normal(size=9), held.design).fit()
    want = 0.03 * np.sqrt(np.diag(model.normalized_cov_params))
    np.testing.assert_allclose(probed_pose(held.design, np.ones(9), 0.03), want, rtol=1e-9)


def test_points_that_do_not_hold_the_part_predict_nothing():
    held = geometry(NOMINALS, NORMALS, np.ones(9))
    assert np.isnan(probed_pose(held.design, np.arange(9) < 5, 0.03)).all()


@pytest.mark.parametrize("weights", [np.ones(9), WEIGHTS], ids=["alike", "weighted"])
def test_the_fit_moves_a_still_piece_by_as_much_as_predicted(weights):
    groups, times, noise = 60, 5, 0.03
    rng = np.random.default_rng(4)
    group = np.repeat(np.arange(groups), times)
    turn = Rotation.random(groups, random_state=rng).as_matrix()[group]
    shift = rng.uniform(-900, 900, (groups, 3))[group]
    off = rng.normal(0, noise, (len(group), 9))
    points = NOMINALS + off[..., None] * NORMALS
    measured = np.einsum("rij,rpj->rpi", turn, points) + shift[:, None]
    fitted = fit_planes(measured, NOMINALS, NORMALS, weights)
    held = geometry(NOMINALS, NORMALS, weights)
    moves = np.vstack([
        motions(fitted.rotation[mine], fitted.translation[mine], fitted.rotation[mine[0]],
                fitted.translation[mine[0]], held.centre, held.size)
        for mine in np.arange(len(group)).reshape(groups, times)
    ])  # fmt: skip
    predicted = probed_pose(held.design, weights, noise)
    got = pose_repeat(moves, group, predicted, held.size)
    # 240 degrees of freedom: a standard deviation is known to 4.6 %; three times that.
    np.testing.assert_allclose(got.sd.value, predicted, rtol=0.14)
