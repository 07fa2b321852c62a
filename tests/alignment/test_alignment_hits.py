"""From hits to points, and what the hits say by themselves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from spc.alignment.ball import ball_nominals, compensate_ball, direction_error
from spc.alignment.fit import fit_planes
from spc.alignment.hits import average_hits, hit_deviations, hit_spread
from spc.alignment.patch import patch_normals
from spc.alignment.thermal import to_reference
from spc.errors import DataError


def _hits(layout, measure, rng, runs=6, count=3, sigma=0.03, spread=8.0):
    """Hits on a ring within the surface of each patch, with noise along its normal."""
    centres = np.repeat(measure(layout, runs, rng, posed=False)[:, :, None], count, axis=2)
    n = layout.n[:, None]
    u = np.roll(n, 1, axis=-1)
    turn = rng.uniform(0.0, 2.0 * np.pi, (*centres.shape[:2], 1))
    angle = (turn + 2.0 * np.pi * np.arange(count) / count)[..., None]
    ring = spread * (np.cos(angle) * u + np.sin(angle) * np.cross(n, u))
    return centres + ring + rng.normal(0.0, sigma, centres.shape[:-1])[..., None] * n


def test_average_is_the_mean_of_what_is_there(tied, measure, rng):
    hits = _hits(tied, measure, rng)
    hits[0, 0, 2] = np.nan
    hits[0, 1, 1, 2] = np.nan
    hits[1, 3] = np.nan
    means, counts = average_hits(hits)
    np.testing.assert_allclose(means[2:], hits[2:].mean(axis=2), atol=1e-12)
    np.testing.assert_allclose(means[0, 0], hits[0, 0, :2].mean(axis=0), atol=1e-12)
    np.testing.assert_allclose(means[0, 1], hits[0, 1, ::2].mean(axis=0), atol=1e-12)
    assert counts[0].tolist() == [2, 2] + [3] * 10
    assert counts[1, 3] == 0
    assert np.isnan(means[1, 3]).all()


def test_hit_deviations_average_to_the_point_on_a_flat_patch(tied, measure, rng):
    hits = _hits(tied, measure, rng)
    means, _ = average_hits(hits)
    fit = fit_planes(means, tied.p, tied.n, tied.w)
    each = hit_deviations(hits, fit.rotation, fit.translation, tied.p, tied.n)
    np.testing.assert_allclose(each.mean(axis=2), fit.deviations, rtol=0, atol=1e-10)


def test_averaging_first_is_biased_on_a_curved_wall():
    """ρ²/(2R): three hits at 5 mm round a patch of radius 200 mm average 0.0625 mm inside."""
    angle = 2.0 * np.pi * np.arange(3) / 3.0
    radius, rho = 200.0, 5.0
    hits = np.stack([rho * np.cos(angle), rho * np.sin(angle)], axis=1)
    surface = np.c_[hits, np.sqrt(radius**2 - rho**2) * np.ones(3) - radius]
    plane = hit_deviations(
        surface[None, None], np.eye(3)[None], np.zeros((1, 3)), [[0, 0, 0]], [[0, 0, 1]]
    )
    assert plane.mean() == pytest.approx(-(rho**2) / (2 * radius), rel=1e-3)
    # Each hit against its own place on the surface has no deviation at all.
    assert np.abs(np.linalg.norm(surface + np.array([0, 0, radius]), axis=1) - radius).max() < 1e-12


@given(
    hnp.arrays(
        np.float64, (2, 3, 4), elements=st.floats(-5, 5) | st.just(np.nan), fill=st.nothing()
    )
)
def test_spread_agrees_with_numpy_patch_by_patch(deviations):
    found = hit_spread(deviations)
    for run in range(2):
        squares, dof = 0.0, 0
        for patch in range(3):
            values = deviations[run, patch][~np.isnan(deviations[run, patch])]
            assert found.dof[run, patch] == max(len(values) - 1, 0)
            if len(values) < 2:
                assert np.isnan(found.sd[run, patch])
                continue
            assert found.sd[run, patch] == pytest.approx(np.std(values, ddof=1), abs=1e-12)
            squares += (len(values) - 1) * np.var(values, ddof=1)
            dof += len(values) - 1
        assert found.pooled_dof[run] == dof
        expected = np.sqrt(squares / dof) if dof else np.nan
        assert found.pooled[run] == pytest.approx(expected, abs=1e-12, nan_ok=True)


def test_pooled_spread_has_eighteen_degrees_of_freedom_and_is_unbiased(hood, measure, rng):
    """Nine patches of three hits: 9 × 2 degrees of freedom of pure probing noise a piece."""
    hits = _hits(hood, measure, rng, runs=4000)[:, :9]
    means, _ = average_hits(hits)
    fit = fit_planes(means, hood.p[:9], hood.n[:9], np.ones(9))
    each = hit_deviations(hits, fit.rotation, fit.translation, hood.p[:9], hood.n[:9])
    spread = hit_spread(each)
    assert (spread.pooled_dof == 18).all()
    # SE of the mean of 4000 variances with 18 degrees of freedom each: 0.5 %.
    assert np.mean(spread.pooled**2) == pytest.approx(0.03**2, rel=0.02)


def test_the_plane_of_three_hits(tied, measure, rng, random_rotations):
    turns = random_rotations(6, rng)
    flat = _hits(tied, measure, rng, sigma=0.0)
    hits = flat @ turns[:, None]
    # The last patch of every run is on a wall that leans by 20 degrees.
    lean = np.array([[np.cos(0.349), 0, np.sin(0.349)], [0, 1, 0], [-np.sin(0.349), 0, 1]])
    lean[2, 2] = np.cos(0.349)
    hits[:, 11] = (flat[:, 11] @ lean.T) @ turns
    found = patch_normals(hits, turns, tied.n)
    assert np.abs(found.angles[:, :11]).max() < 1e-4
    np.testing.assert_allclose(found.angles[:, 11], np.degrees(0.349), atol=1e-6)
    np.testing.assert_allclose(found.normals[:, 0], np.tile([0, 0, 1], (6, 1)), atol=1e-6)


def test_two_hits_or_hits_on_a_line_make_no_plane(tied, measure, rng):
    hits = _hits(tied, measure, rng, runs=1)
    hits[0, 0, 2] = np.nan
    hits[0, 1] = hits[0, 1, 0] + np.outer([0.0, 1.0, 2.0], [1.0, 0.0, 0.0])
    found = patch_normals(hits, np.eye(3)[None], tied.n)
    assert np.isnan(found.angles[0, :2]).all()
    assert not np.isnan(found.angles[0, 2:]).any()


def test_ball_centres_by_either_way_give_the_same_deviations(tied, measure, rng):
    surface = measure(tied, 20, rng)
    fit = fit_planes(surface, tied.p, tied.n, tied.w)
    centres = compensate_ball(surface, fit.rotation, -tied.n, 3.0)
    offset = fit_planes(centres, ball_nominals(tied.p, tied.n, 3.0), tied.n, tied.w)
    np.testing.assert_allclose(offset.deviations, fit.deviations, rtol=0, atol=1e-9)
    back = compensate_ball(centres, offset.rotation, tied.n, 3.0)
    np.testing.assert_allclose(back, surface, rtol=0, atol=1e-8)


def test_compensation_along_a_wrong_direction():
    """r (1/cos α − 1), radius 3 mm, 10°: 0.046 mm (the project's trade notes)."""
    assert direction_error(3.0, 10.0) == pytest.approx(0.046, abs=5e-4)
    with pytest.raises(DataError, match="below 90"):
        direction_error(3.0, 90.0)


def test_one_metre_of_polyethylene_at_five_kelvin():
    """150e-6 per K on 1 m, 5 K: 0.75 mm (the project's trade notes), and L20 = L/(1 + α ΔT)."""
    points = np.array([[[0.0, 0.0, 0.0], [1000.75, 0.0, 0.0]]])
    found = to_reference(points, 25.0, 150e-6, fixed=[0.0, 0.0, 0.0])
    assert found.points[0, 1, 0] == pytest.approx(1000.0, abs=1e-9)
    assert found.largest[0] == pytest.approx(0.75, abs=0.005)
    assert found.uncertainty[0] == pytest.approx(0.3 * found.largest[0])


def test_the_fixed_point_of_the_correction_does_not_matter_after_the_fit(tied, measure, rng):
    points = measure(tied, 4, rng)
    points[1, 3] = np.nan
    temperature = np.array([25.0, 18.0, np.nan, 20.0])
    ways = [
        to_reference(points, temperature, 150e-6, fixed=at) for at in (None, [0.0, 500.0, 900.0])
    ]
    one, two = (fit_planes(way.points, tied.p, tied.n, tied.w).deviations for way in ways)
    np.testing.assert_allclose(one, two, rtol=0, atol=1e-9)
    assert np.isnan(one[2]).all()
    assert ways[0].largest[3] == 0.0
    np.testing.assert_array_equal(ways[0].points[3], points[3])


def test_shapes_and_sizes_are_refused_in_words(tied):
    with pytest.raises(DataError, match="hits must be"):
        average_hits(np.zeros((2, 3, 3)))
    with pytest.raises(DataError, match="do not belong together"):
        hit_deviations(np.zeros((1, 5, 3, 3)), np.eye(3)[None], np.zeros((1, 3)), tied.p, tied.n)
    with pytest.raises(DataError, match="expansion is 150"):
        to_reference(np.zeros((1, 2, 3)), 25.0, 150.0)
    with pytest.raises(DataError, match="0 or above"):
        ball_nominals(tied.p, tied.n, -1.0)
