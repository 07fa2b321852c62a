"""The best fit against general-purpose libraries and what must hold for any fit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares, root
from scipy.spatial.transform import Rotation

from spc.alignment.fit import fit_planes
from spc.alignment.rotation import (
    rotation_from_vector,
    superpose,
    vector_from_rotation,
)
from spc.errors import DataError

# --- against scipy ------------------------------------------------------------------------------


def _matrix(q):
    a, b, c, d = q / np.sqrt((q * q).sum())
    return np.array(
        [
            [1 - 2 * (c * c + d * d), 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), 1 - 2 * (b * b + d * d), 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), 1 - 2 * (b * b + c * c)],
        ]
    )


def _twin(points, layout, weights):
    """Fit one run another way: quaternion, scipy's trust region, then its root finder.

    scipy stops when the sum of squares no longer changes, which is about 1e-7 mm from the minimum;
    the root of the gradient (complex-step derivative) takes it the rest of the way.
    """
    fit = weights > 0
    centre = points[fit].mean(axis=0)
    start, _ = Rotation.align_vectors(
        layout.p[fit] - layout.p[fit].mean(axis=0), points[fit] - centre
    )
    x0 = np.r_[start.as_quat(scalar_first=True), layout.p[fit].mean(axis=0) / 300.0]

    def deviations(x):
        moved = (points - centre) @ _matrix(x[:4]).T + 300.0 * x[4:]
        return ((moved - layout.p) * layout.n).sum(axis=1)

    def residuals(x):
        return np.sqrt(weights[fit]) * deviations(x)[fit]

    def slope(x):
        steps = np.eye(7) * 1e-30j
        jacobian = np.stack([residuals(x + step).imag for step in steps], axis=1) / 1e-30
        # The length of the quaternion is free; hold it at one.
        return jacobian.T @ residuals(x) + np.r_[x[:4] * (x[:4] @ x[:4] - 1.0), 0, 0, 0]

    close = least_squares(residuals, x0, jac="cs", xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    close[:4] /= np.linalg.norm(close[:4])
    x = root(slope, close, tol=1e-14).x
    turn = _matrix(x[:4])
    return deviations(x), turn, 300.0 * x[4:] - turn @ centre


@pytest.mark.parametrize("sigma", [0.05, 2.0])
def test_agrees_with_scipy_on_random_poses(tied, measure, rng, sigma):
    weights = tied.w * np.r_[1.0, 2.0, 0.5, 1.0, 1.0, 3.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    points = measure(tied, 100, rng, sigma=sigma, aside=5.0)
    fit = fit_planes(points, tied.p, tied.n, weights)
    assert fit.converged.all()
    for k, run in enumerate(points):
        deviations, turn, shift = _twin(run, tied, weights)
        np.testing.assert_allclose(fit.deviations[k], deviations, rtol=0, atol=1e-9)
        moved, expected = run @ fit.rotation[k].T + fit.translation[k], run @ turn.T + shift
        np.testing.assert_allclose(moved, expected, rtol=0, atol=1e-9)


def test_superposition_agrees_with_scipy(rng, random_rotations):
    measured = rng.normal(0.0, 300.0, (200, 9, 3))
    weights = rng.uniform(0.1, 2.0, (200, 9))
    nominal = measured @ random_rotations(200, rng) + rng.normal(0.0, 5.0, (200, 9, 3))
    found = superpose(measured, nominal, weights)
    for k in range(200):
        m = measured[k] - np.average(measured[k], axis=0, weights=weights[k])
        p = nominal[k] - np.average(nominal[k], axis=0, weights=weights[k])
        expected, rssd = Rotation.align_vectors(p, m, weights=weights[k])
        np.testing.assert_allclose(found.rotation[k], expected.as_matrix(), atol=1e-12)
        assert found.rms[k] == pytest.approx(rssd / np.sqrt(weights[k].sum()), rel=1e-9)


def test_rotation_vectors_agree_with_scipy(rng):
    vectors = rng.normal(0.0, 1.0, (100, 3)) * np.geomspace(1e-12, 1.8, 100)[:, None]
    expected = Rotation.from_rotvec(vectors).as_matrix()
    np.testing.assert_allclose(rotation_from_vector(vectors), expected, atol=1e-15)
    np.testing.assert_allclose(vector_from_rotation(expected), vectors, atol=1e-12)


# --- against published examples -----------------------------------------------------------------


def test_umeyama_1991_example(reference):
    """Umeyama (1991), the numerical example in which the naive solution is a reflection."""
    known = reference("umeyama")
    x, y = np.array([known["x"]]), np.array([known["y"]])
    found = superpose(x, y, np.ones((1, 3)), scaled=True)
    assert np.linalg.det(found.rotation[0]) == pytest.approx(1.0)
    np.testing.assert_allclose(found.rotation[0], known["R"], atol=known["tolerance"])
    np.testing.assert_allclose(found.translation[0], known["t"], atol=known["tolerance"])
    assert found.scale[0] == pytest.approx(known["c"], abs=known["tolerance"])
    # Mean squared error 8/15, by hand from the three distances.
    assert found.rms[0] ** 2 == pytest.approx(8 / 15)
    assert found.rms_mirrored[0] == pytest.approx(0.0, abs=1e-7)


def test_conformal_transformation_of_ghilani(reference):
    """Ghilani, Adjustment Computations, example 18.1: scale, turn and shift of a 2-D similarity."""
    known = reference("conformal_ghilani")
    found = superpose(
        np.array([known["xy"]]), np.array([known["EN"]]), np.ones((1, 3)), scaled=True
    )
    published = known["published"]
    turn = np.degrees(np.arctan2(found.rotation[0, 1, 0], found.rotation[0, 0, 0])) % 360.0
    a = found.scale[0] * found.rotation[0, 0, 0]
    assert found.scale[0] == pytest.approx(float(published["scale"]), abs=5e-6)
    assert turn == pytest.approx(float(published["rotation_deg"]), abs=5e-5)
    assert a == pytest.approx(float(published["a"]), abs=5e-6)
    np.testing.assert_allclose(
        found.translation[0], [float(published["Te"]), float(published["Tn"])], atol=5e-4
    )


# --- what must hold for any fit -----------------------------------------------------------------


SEEDS = st.integers(0, 2**32 - 1)


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, angle=st.floats(-np.pi, np.pi))
def test_the_start_pose_does_not_matter(tied, seed, angle):
    rng = np.random.default_rng(seed)
    points = tied.p + rng.normal(0.0, 0.5, (3, 12, 3))
    axis = rng.normal(size=3)
    turn = Rotation.from_rotvec(angle * axis / np.linalg.norm(axis)).as_matrix()
    moved = points @ turn.T + rng.uniform(-1e4, 1e4, 3)
    one, two = (fit_planes(m, tied.p, tied.n, tied.w) for m in (points, moved))
    np.testing.assert_allclose(two.deviations, one.deviations, rtol=0, atol=1e-9)
    np.testing.assert_allclose(two.tangential, one.tangential, rtol=0, atol=1e-9)
    np.testing.assert_allclose(two.rotation @ turn, one.rotation, rtol=0, atol=1e-11)


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS)
def test_the_order_of_points_and_runs_does_not_matter(tied, measure, seed):
    rng = np.random.default_rng(seed)
    points = measure(tied, 5, rng)
    runs, order = rng.permutation(5), rng.permutation(12)
    one = fit_planes(points, tied.p, tied.n, tied.w)
    two = fit_planes(points[runs][:, order], tied.p[order], tied.n[order], tied.w[order])
    np.testing.assert_allclose(two.deviations, one.deviations[runs][:, order], rtol=0, atol=1e-9)
    np.testing.assert_allclose(two.sigma, one.sigma[runs], rtol=1e-9)
    # Tied points share the largest residual, so its size is compared, not its bearer.
    largest = np.abs(one.deviations[runs])[np.arange(5), order[two.worst]]
    np.testing.assert_allclose(largest, np.abs(one.deviations[:, :9]).max(axis=1)[runs], rtol=1e-6)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, gone=st.sets(st.integers(0, 11), max_size=4))
def test_a_missing_point_is_one_left_out(tied, measure, seed, gone):
    points = measure(tied, 2, np.random.default_rng(seed))
    holed, without = points.copy(), np.setdiff1d(np.arange(12), list(gone))
    holed[0, list(gone)] = np.nan
    fit = fit_planes(holed, tied.p, tied.n, tied.w)
    alone = fit_planes(points[:1, without], tied.p[without], tied.n[without], tied.w[without])
    whole = fit_planes(points[1:], tied.p, tied.n, tied.w)
    np.testing.assert_allclose(fit.deviations[:1, without], alone.deviations, rtol=0, atol=1e-9)
    assert np.isnan(fit.deviations[0, list(gone)]).all()
    for name in ("n_points", "dof", "rank", "converged"):
        assert getattr(fit, name)[0] == getattr(alone, name)[0]
    assert fit.ssr[0] == pytest.approx(alone.ssr[0], rel=1e-6, abs=1e-18, nan_ok=True)
    # The other run of the batch is not touched by it.
    np.testing.assert_allclose(fit.deviations[1:], whole.deviations, rtol=0, atol=1e-12)


def test_a_point_with_one_coordinate_missing_is_missing(tied, measure, rng):
    points = measure(tied, 2, rng)
    points[0, 4, 1] = np.nan
    whole = points.copy()
    whole[0, 4] = np.nan
    one, two = (fit_planes(m, tied.p, tied.n, tied.w) for m in (points, whole))
    np.testing.assert_array_equal(one.deviations, two.deviations)
    assert one.n_points.tolist() == [8, 9]


def test_weight_zero_by_run_is_a_point_left_out_but_still_measured(tied, measure, rng):
    points = measure(tied, 3, rng)
    weights = np.tile(tied.w, (3, 1))
    weights[1, 4] = 0.0
    fit = fit_planes(points, tied.p, tied.n, weights)
    holed = points.copy()
    holed[1, 4] = np.nan
    alone = fit_planes(holed, tied.p, tied.n, tied.w)
    np.testing.assert_allclose(fit.ssr, alone.ssr, rtol=1e-9)
    assert fit.dof.tolist() == [3, 2, 3]
    assert not np.isnan(fit.deviations[1, 4])


def test_a_weight_of_four_is_a_reading_twice_as_good(tied, measure, rng):
    points = measure(tied, 20, rng)
    one, two = (fit_planes(points, tied.p, tied.n, c * tied.w) for c in (1.0, 4.0))
    np.testing.assert_allclose(two.deviations, one.deviations, rtol=0, atol=1e-9)
    np.testing.assert_allclose(two.sigma, 2.0 * one.sigma, rtol=1e-9)


def test_sigma_is_unbiased_with_three_degrees_of_freedom(tied, measure, rng):
    """E(SSR / (N − 6)) = σ²; SSR/N would read a third of it. 20,000 runs: SE 0.6 % of σ²."""
    fit = fit_planes(measure(tied, 20_000, rng, sigma=0.05), tied.p, tied.n, tied.w)
    assert np.mean(fit.sigma**2) == pytest.approx(0.05**2, rel=0.025)
    assert (fit.dof == 3).all()


def test_exact_points_come_back_exactly_wherever_they_are(tied, random_rotations, rng):
    for far in (0.0, 1e5):
        shift = rng.uniform(-far, far, (50, 1, 3))
        points = tied.p @ random_rotations(50, rng) + shift
        fit = fit_planes(points, tied.p + far, tied.n, tied.w)
        # Coordinates of 1e5 mm carry rounding of 1.5e-11 mm each.
        assert np.abs(fit.deviations).max() < 1e-9
        assert np.abs(fit.tangential).max() < 1e-9
        assert fit.converged.all()


def test_worst_is_the_largest_residual_of_a_fit_point(tied, measure, rng):
    points = measure(tied, 50, rng)
    points[:, 11] += 500.0
    fit = fit_planes(points, tied.p, tied.n, tied.w)
    expected = np.abs(fit.deviations[:, :9]).argmax(axis=1)
    assert (fit.worst == expected).all()


def test_gross_errors_still_converge(tied, measure, rng):
    points = measure(tied, 200, rng, posed=False)
    points[np.arange(200), rng.integers(0, 9, 200)] += rng.normal(0.0, 60.0, (200, 3))
    fit = fit_planes(points, tied.p, tied.n, tied.w)
    assert fit.converged.all()
    assert not fit.mirrored.any()


def test_a_mirrored_part_is_told(tied, measure, rng):
    points = measure(tied, 100, rng, aside=5.0)
    assert not fit_planes(points, tied.p, tied.n, tied.w).mirrored.any()
    assert fit_planes(points * [1, -1, 1], tied.p, tied.n, tied.w).mirrored.all()


def test_coplanar_points_are_never_called_mirrored(rng):
    """A flat arrangement is its own mirror image."""
    p = np.c_[rng.uniform(-300, 300, (8, 2)), np.zeros(8)]
    n = rng.normal(size=(8, 3))
    n /= np.linalg.norm(n, axis=1)[:, None]
    fit = fit_planes((p + rng.normal(0, 1, (50, 8, 3))) * [1, 1, -1], p, n, np.ones(8))
    assert not fit.mirrored.any()


def test_a_run_that_has_not_come_to_rest_has_no_numbers(tied, measure, rng):
    fit = fit_planes(measure(tied, 5, rng), tied.p, tied.n, tied.w, max_iterations=1)
    assert not fit.converged.any()
    assert (fit.iterations == 1).all()
    assert (fit.rank == 6).all()
    for values in (fit.deviations, fit.rotation, fit.translation, fit.ssr, fit.sigma):
        assert np.isnan(values).all()
    assert (fit.worst == -1).all()


def test_points_that_are_far_off_still_come_to_rest(hood, rng):
    """Every point up to 150 mm from its place: far beyond anything that is probed."""
    points = hood.p + rng.normal(0.0, 50.0, (2000, 13, 3))
    fit = fit_planes(points, hood.p, hood.n, hood.w)
    assert fit.converged.all()


# --- degenerate plans ---------------------------------------------------------------------------


def _unit(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def _degenerate(kind, rng):
    p, n = rng.uniform(-300, 300, (9, 3)), _unit(rng.normal(size=(9, 3)))
    if kind == "parallel":
        n = np.tile([0.0, 0.0, 1.0], (9, 1))
    elif kind == "collinear":
        p = np.outer(rng.uniform(-300, 300, 9), [1.0, 2.0, 2.0])
    elif kind == "coincident":
        p = np.tile([10.0, 20.0, 30.0], (9, 1))
    elif kind == "sphere":
        p = 200.0 * n
    elif kind == "two directions":
        n = np.tile([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], (3, 1))
    return p, n


@pytest.mark.parametrize(
    "kind", ["parallel", "collinear", "coincident", "sphere", "two directions"]
)
def test_degenerate_plans_give_nan_and_never_raise(kind, rng):
    p, n = _degenerate(kind, rng)
    fit = fit_planes(p + rng.normal(0, 0.1, (4, 9, 3)), p, n, np.ones(9))
    assert (fit.rank < 6).all()
    assert not fit.converged.any()
    assert np.isnan(fit.deviations).all()
    assert np.isnan(fit.ssr).all()
    assert np.isnan(fit.sigma).all()
    assert (fit.worst == -1).all()


def test_one_degenerate_run_does_not_spoil_the_batch(tied, measure, rng):
    points = measure(tied, 4, rng)
    alone = fit_planes(points[1:], tied.p, tied.n, tied.w)
    points[0, 5:9] = np.nan
    fit = fit_planes(points, tied.p, tied.n, tied.w)
    assert fit.rank.tolist() == [3, 6, 6, 6]
    np.testing.assert_array_equal(fit.deviations[1:], alone.deviations)


def test_six_points_fit_exactly_and_have_no_sigma(tied, measure, rng):
    weights = np.zeros(12)
    weights[[0, 1, 2, 5, 6, 7]] = 1.0
    fit = fit_planes(measure(tied, 5, rng), tied.p, tied.n, weights)
    assert np.abs(fit.deviations[:, weights > 0]).max() < 1e-9
    assert np.isnan(fit.sigma).all()
    assert (fit.dof == 0).all()
    assert fit.converged.all()


@pytest.mark.parametrize("runs", [0, 1])
def test_small_batches(tied, measure, rng, runs):
    fit = fit_planes(measure(tied, runs, rng), tied.p, tied.n, tied.w)
    assert fit.deviations.shape == (runs, 12)
    assert fit.sigma.shape == (runs,)


def test_no_points_at_all():
    fit = fit_planes(np.zeros((2, 0, 3)), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0))
    assert fit.rank.tolist() == [0, 0]
    assert fit.worst.tolist() == [-1, -1]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (dict(normals=lambda t: 2.0 * t.n), "length 2"),
        (dict(points=lambda t: np.full((1, 12, 3), np.inf)), "infinite"),
        (dict(points=lambda t: np.zeros((1, 11, 3))), r"\(runs, 12, 3\)"),
        (dict(weights=lambda t: -t.w), "a weight is -1"),
        (dict(weights=lambda t: np.full(12, np.nan)), "a weight is nan"),
        (dict(weights=lambda t: np.ones(5)), "do not fit"),
        (dict(nominals=lambda t: np.full((12, 3), np.nan)), "no missing"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_value(tied, change, message):
    given = dict(points=tied.p[None], nominals=tied.p, normals=tied.n, weights=tied.w)
    given |= {name: make(tied) for name, make in change.items()}
    with pytest.raises(DataError, match=message):
        fit_planes(**given)
