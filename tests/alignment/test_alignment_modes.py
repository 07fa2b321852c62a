"""Named residual modes: an orthonormal basis, the same from any alignment, with sensible names."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import null_space, subspace_angles

from spc.alignment.faces import direction_name, find_faces
from spc.alignment.fit import fit_planes
from spc.alignment.modes import mode_scores, residual_modes

SEEDS = st.integers(0, 2**32 - 1)


def _random_plan(rng, low=7, high=14):
    count = int(rng.integers(low, high))
    p, n = rng.uniform(-500, 500, (count, 3)), rng.normal(size=(count, 3))
    return p, n / np.linalg.norm(n, axis=1)[:, None], rng.uniform(0.3, 3.0, count)


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_the_modes_span_the_null_space_that_scipy_finds(seed):
    p, n, w = _random_plan(np.random.default_rng(seed))
    modes = residual_modes(p, n, w)
    expected = null_space((np.sqrt(w)[:, None] * np.c_[n, np.cross(p, n) / 300.0]).T)
    whitened = modes.loadings / np.sqrt(w)[:, None]
    assert whitened.shape == expected.shape == (len(p), len(p) - 6)
    np.testing.assert_allclose(whitened.T @ whitened, np.eye(len(p) - 6), atol=1e-9)
    assert subspace_angles(whitened, expected).max() < 1e-7
    assert len(set(modes.names)) == len(modes.names)


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS)
def test_scores_are_those_of_any_alignment(hood, measure, seed):
    rng = np.random.default_rng(seed)
    points = measure(hood, 4, rng, aside=0.0)
    modes = residual_modes(hood.p, hood.n, hood.w)
    ways = [hood.w, hood.w * rng.uniform(0.3, 3.0, len(hood.w)), np.ones(len(hood.w))]
    scores = [
        mode_scores(modes, fit_planes(points, hood.p, hood.n, way).deviations) for way in ways
    ]
    np.testing.assert_allclose(scores[1], scores[0], atol=2e-4)
    np.testing.assert_allclose(scores[2], scores[0], atol=2e-4)


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS)
def test_the_order_of_points_changes_no_name_and_no_loading(hood, tied, seed):
    rng = np.random.default_rng(seed)
    for layout in (hood, tied):
        order = rng.permutation(len(layout.w))
        one = residual_modes(layout.p, layout.n, layout.w)
        two = residual_modes(layout.p[order], layout.n[order], layout.w[order])
        assert two.names == one.names
        np.testing.assert_allclose(two.loadings, one.loadings[order], atol=1e-9)


def test_squares_of_the_scores_add_to_the_sum_of_squares(hood, measure, rng):
    weights = hood.w * rng.uniform(0.3, 3.0, len(hood.w))
    points = measure(hood, 50, rng, aside=0.0)
    fit = fit_planes(points, hood.p, hood.n, weights)
    scores = mode_scores(residual_modes(hood.p, hood.n, weights), fit.deviations)
    np.testing.assert_allclose((scores**2).sum(axis=1), fit.ssr, rtol=2e-3)


def test_scores_are_uncorrelated_with_the_variance_of_a_reading(hood, measure, rng):
    """20,000 runs: SE of a SD 0.5 %, of a correlation 0.007."""
    fit = fit_planes(measure(hood, 20_000, rng, aside=0.0), hood.p, hood.n, hood.w)
    scores = mode_scores(residual_modes(hood.p, hood.n, hood.w), fit.deviations)
    np.testing.assert_allclose(scores.std(axis=0), 0.05, rtol=0.02)
    off = np.corrcoef(scores.T) - np.eye(3)
    assert np.abs(off).max() < 0.03


def test_names_of_the_hood(hood):
    labels = tuple(f"deck-{k}" for k in range(1, 5))
    labels += ("flank-1", "flank-2", "flank-3", "nose-1", "nose-2")
    labels += tuple(f"check-{k}" for k in range(1, 5))
    modes = residual_modes(hood.p, hood.n, hood.w, labels)
    by_kind = dict(zip(modes.kinds, range(3), strict=True))
    assert set(by_kind) == {"twist", "bow", "squareness"}
    twist, bow, square = (by_kind[kind] for kind in ("twist", "bow", "squareness"))
    assert modes.names[twist] == "twist of the +z face"
    assert {modes.positive[twist], modes.negative[twist]} == {(0, 2), (1, 3)}
    assert modes.names[bow] == "bow of the +x face along y"
    assert (modes.positive[bow], modes.negative[bow]) == ((5,), (4, 6))
    assert "flank-2 out against flank-1 and flank-3" in modes.descriptions[bow]
    assert modes.names[square] == "squareness of +y and +x"
    assert sorted(modes.positive[square] + modes.negative[square]) == [4, 6, 7, 8]
    assert (modes.loadings[9:] == 0.0).all()


def test_names_of_the_second_layout(tied):
    """The trade notes: twist, middle against corners (−,−,−,−,4)/√20, and the tied four."""
    modes = residual_modes(tied.p, tied.n, tied.w)
    assert modes.kinds == ("twist", "bow", "squareness")
    assert "along either direction" in modes.descriptions[1]
    np.testing.assert_allclose(modes.loadings[:5, 1], np.array([-1, -1, -1, -1, 4]) / 20**0.5)
    np.testing.assert_allclose(np.abs(modes.loadings[:4, 0]), 0.5)
    np.testing.assert_allclose(
        np.abs(modes.loadings[5:9, 2]), np.sqrt([0.1, 0.1, 0.4, 0.4]), atol=1e-9
    )


def test_squareness_is_the_disagreement_about_yaw_with_its_sigma(tied, reference):
    """δ = θ_side − θ_end and σ_δ = σ sqrt(2/a² + 2/b²) (closed form in the trade notes)."""
    known = reference("layouts")["tied"]
    modes = residual_modes(tied.p, tied.n, tied.w)
    d = np.zeros((1, 12))
    d[0, 5:9] = [0.8, -0.4, 0.3, -0.1]
    by_side, by_end = (d[0, 5] - d[0, 6]) / 800, -(d[0, 7] - d[0, 8]) / 400
    amplitude = modes.scale[2] * mode_scores(modes, d)[0, 2]
    assert modes.units[2] == "mm/m"
    assert abs(amplitude) == pytest.approx(1000 * abs(by_side - by_end))
    sigma = modes.scale[2] * known["square_at_sigma"]
    assert abs(sigma) == pytest.approx(known["square_sigma_mm_per_m"], abs=0.005)
    assert abs(sigma) == pytest.approx(0.05e3 * np.sqrt(2 / 800**2 + 2 / 400**2))


def test_amplitudes_of_twist_and_bow_are_in_millimetres(tied):
    modes = residual_modes(tied.p, tied.n, tied.w)
    d = np.zeros((1, 12))
    d[0, :5] = [0.3, -0.1, 0.5, -0.2, 0.7]
    amplitude = modes.scale * mode_scores(modes, d)[0]
    # Rock of four corners, |z1 − z2 + z3 − z4| / 4, and the middle over their mean.
    assert amplitude[0] == pytest.approx((0.3 + 0.1 + 0.5 + 0.2) / 4)
    assert amplitude[1] == pytest.approx(0.7 - np.mean([0.3, -0.1, 0.5, -0.2]))


def test_opposite_faces_in_the_fit_give_sizes(tied):
    modes = residual_modes(tied.p, tied.n, np.ones(12))
    assert modes.kinds.count("size") == 3
    assert {name for name in modes.names if name.startswith("distance")} == {
        "distance between -x and +x",
        "distance between -y and +y",
        "distance between -z and +z",
    }


def test_a_score_is_kept_where_the_missing_point_has_no_part_in_it(hood, measure, rng):
    points = measure(hood, 2, rng, aside=0.0)
    modes = residual_modes(hood.p, hood.n, hood.w)
    whole = mode_scores(modes, fit_planes(points, hood.p, hood.n, hood.w).deviations)
    points[0, 5] = np.nan
    holed = mode_scores(modes, fit_planes(points, hood.p, hood.n, hood.w).deviations)
    needs = np.abs(modes.loadings[5]) > 1e-9
    assert needs.any()
    assert not needs.all()
    assert np.isnan(holed[0, needs]).all()
    np.testing.assert_allclose(holed[0, ~needs], whole[0, ~needs], atol=2e-4)
    np.testing.assert_allclose(holed[1], whole[1], atol=1e-12)


def test_where_no_shape_fits_the_mode_is_told_by_its_heaviest_point():
    """A deck of 4 × 4 points says 13 things: a twist, two bows and ten of higher order."""
    deck = [(x, y, 0.0) for x in (-450, -150, 150, 450) for y in (-300, -100, 100, 300)]
    p = np.array([*deck, (-300, 400, -100), (300, 400, -100), (500, 0, -100)])
    n = np.array([[0, 0, 1]] * 16 + [[0, 1, 0]] * 2 + [[1, 0, 0]], dtype=float)
    modes = residual_modes(p, n, np.ones(19))
    assert modes.kinds[:3] == ("bow", "bow", "twist") or modes.kinds[:3] == ("twist", "bow", "bow")
    assert modes.kinds[3:] == ("other",) * 10
    assert all(name.startswith("mode of point") for name in modes.names[3:])
    assert np.isnan(modes.scale[3:]).all()
    heaviest = np.abs(modes.loadings[:, 3]).argmax()
    assert modes.names[3] == f"mode of point {heaviest}"
    np.testing.assert_allclose(modes.loadings[16:], 0.0, atol=1e-12)


def test_degenerate_and_exactly_held_plans_have_no_modes(tied):
    loose = residual_modes(tied.p, np.tile([0.0, 0.0, 1.0], (12, 1)), tied.w)
    assert loose.names == ()
    assert "no fit" in loose.note
    six = np.zeros(12)
    six[[0, 1, 2, 5, 6, 7]] = 1.0
    held = residual_modes(tied.p, tied.n, six)
    assert held.loadings.shape == (12, 0)
    assert "always zero" in held.note
    assert mode_scores(held, np.zeros((3, 12))).shape == (3, 0)


def test_faces_are_grouped_and_named(tied):
    faces = find_faces(tied.p, tied.n, np.ones(12, dtype=bool))
    assert [face.name for face in faces] == ["+x", "-x", "+y", "-y", "+z", "-z"]
    assert faces[4].points == (0, 1, 2, 3, 4)
    assert faces[4].across_names == ("x", "y")
    np.testing.assert_allclose(faces[4].span, [900.0, 500.0])
    assert direction_name(np.array([0.7, 0.7, 0.1])) == "(0.70, 0.70, 0.10)"
    assert direction_name(np.array([0.0, -0.99, 0.1])) == "-y"


def test_two_faces_that_look_nearly_one_way_get_numbers():
    lean = np.radians(22.0)
    n = np.array([[0, 0, 1], [0, 0, 1], [np.sin(lean), 0, np.cos(lean)]])
    faces = find_faces(np.eye(3) * 100.0, n, np.ones(3, dtype=bool))
    assert sorted(face.name for face in faces) == ["+z (1)", "+z (2)"]
