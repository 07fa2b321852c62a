"""Robust fits, exact hold, joining stations, and gross mistakes."""

from itertools import combinations

import numpy as np
import pytest

from spc.alignment.exact_hold import exact_hold
from spc.alignment.fit import fit_planes
from spc.alignment.recognise import recognise, wrong_face
from spc.alignment.reliability import reliability
from spc.alignment.robust import huber_fit, trimmed_fit
from spc.alignment.stations import join_stations, target_error
from spc.errors import DataError

# --- robust -------------------------------------------------------------------------------------


def test_trimmed_fit_is_the_best_of_all_subsets(hood, measure, rng):
    points = measure(hood, 4, rng)
    points[0, 3] = np.nan
    for omit in (1, 2):
        found = trimmed_fit(points, hood.p, hood.n, hood.w, omit=omit)
        best = np.full(4, np.inf)
        for gone in combinations(range(9), omit):
            weights = hood.w.copy()
            weights[list(gone)] = 0.0
            fit = fit_planes(points, hood.p, hood.n, weights)
            fair = (fit.rank == 6) & (fit.dof >= 1)
            fair &= ~np.isnan(points[:, gone, 0]).any(axis=1)
            best = np.where(fair, np.minimum(best, fit.ssr), best)
        best = np.where(np.isinf(best), np.nan, best)
        # Of three sets and more within a thousandth of each other any may be chosen.
        np.testing.assert_allclose(found.ssr, best, rtol=1e-3, atol=1e-12)
        assert (found.rival_ssr[~np.isnan(best)] >= found.ssr[~np.isnan(best)]).all()


def test_a_bad_point_is_left_out(hood, measure, rng):
    points = measure(hood, 50, rng, posed=False)
    points[:, 5] += 1.0 * hood.n[5]
    found = trimmed_fit(points, hood.p, hood.n, hood.w, omit=1)
    assert (found.omitted[:, 0] == 5).all()
    assert (found.ssr < 0.25 * found.ssr_full).mean() > 0.9
    np.testing.assert_allclose(found.fit.ssr, found.ssr)


def test_a_tie_has_a_rival_as_good(tied, measure, rng):
    off = np.zeros(12)
    off[7] = 1.0
    found = trimmed_fit(measure(tied, 10, rng, off=off), tied.p, tied.n, tied.w, omit=1)
    assert np.isin(found.omitted[:, 0], [5, 6, 7, 8]).all()
    assert np.isin(found.rival[:, 0], [5, 6, 7, 8]).all()
    np.testing.assert_allclose(found.rival_ssr, found.ssr, atol=0.05 * found.ssr_full.min())


def test_nothing_can_be_left_out_of_seven_points(tied, measure, rng):
    weights = tied.w.copy()
    weights[[4, 8]] = 0.0
    found = trimmed_fit(measure(tied, 3, rng), tied.p, tied.n, weights, omit=1)
    assert (found.omitted == -1).all()
    assert np.isnan(found.ssr).all()
    with pytest.raises(DataError, match="omit is 0"):
        trimmed_fit(tied.p[None], tied.p, tied.n, tied.w, omit=0)


def test_huber_agrees_with_least_squares_where_all_is_well(hood, measure, rng):
    points = measure(hood, 20, rng, sigma=0.01)
    found = huber_fit(points, hood.p, hood.n, hood.w, sigma=1.0)
    plain = fit_planes(points, hood.p, hood.n, hood.w)
    np.testing.assert_allclose(found.fit.deviations, plain.deviations, rtol=0, atol=1e-9)
    assert (found.factors[:, :9] == 1.0).all()
    assert np.isnan(found.factors[:, 9:]).all()
    assert found.settled.all()


def test_huber_minimises_its_own_sum(hood, measure, rng):
    """Against scipy: the convex sum of Huber's ρ of the linear problem, in its six unknowns."""
    from scipy.optimize import minimize

    points = measure(hood, 3, rng, aside=0.0, posed=False)
    points[:, 5] += 1.0 * hood.n[5]
    found = huber_fit(points, hood.p, hood.n, hood.w, sigma=0.05, bound=1.5)
    r = reliability(hood.p, hood.n, hood.w).redundancy[:9]
    limit = 1.5 * 0.05 * np.sqrt(r)
    design = np.c_[hood.n, np.cross(hood.p, hood.n) / 400.0][:9]
    for k in range(3):
        d = ((points[k] - hood.p) * hood.n).sum(axis=1)[:9]

        def total(x, d=d):
            v = np.abs(d + design @ x)
            return np.where(v <= limit, 0.5 * v**2, limit * (v - 0.5 * limit)).sum()

        best = minimize(total, np.zeros(6), method="BFGS", options=dict(gtol=1e-12))
        v = found.fit.deviations[k, :9]
        ours = np.where(np.abs(v) <= limit, 0.5 * v**2, limit * (np.abs(v) - 0.5 * limit)).sum()
        assert ours == pytest.approx(best.fun, rel=2e-3)


def test_huber_moves_less_than_least_squares_for_a_bad_point(hood, measure, rng):
    points = measure(hood, 30, rng, posed=False)
    bad = points.copy()
    bad[:, 5] += 2.0 * hood.n[5]
    clean = fit_planes(points, hood.p, hood.n, hood.w).deviations[:, 9:]
    plain = fit_planes(bad, hood.p, hood.n, hood.w).deviations[:, 9:]
    found = huber_fit(bad, hood.p, hood.n, hood.w, sigma=0.05)
    ours = np.abs(found.fit.deviations[:, 9:] - clean).max(axis=1)
    theirs = np.abs(plain - clean).max(axis=1)
    assert np.median(ours) < 0.15 * np.median(theirs)
    assert (ours < 0.5 * theirs).all()
    assert (found.factors[:, :9].argmin(axis=1) == 5).all()


# --- exact hold ---------------------------------------------------------------------------------


def test_exact_hold_brings_six_points_to_zero(tied, measure, rng):
    six = np.zeros(12)
    six[[0, 1, 2, 5, 6, 7]] = 2.0
    found = exact_hold(measure(tied, 10, rng, sigma=1.0), tied.p, tied.n, six)
    assert np.abs(found.fit.deviations[:, six > 0]).max() < 1e-9
    assert found.classic
    assert found.order == ((0, 1, 2), (5, 6), (7,))
    assert "nothing is checked" in found.note


def test_exact_hold_agrees_with_solving_six_equations(tied, rng):
    """Small deviations: the six by six linear system, to second order."""
    six = np.array([0, 1, 2, 5, 6, 7])
    weights = np.zeros(12)
    weights[six] = 1.0
    d = rng.normal(0.0, 0.01, 12)
    design = np.c_[tied.n, np.cross(tied.p, tied.n)]
    pose = np.linalg.solve(design[six], d[six])
    found = exact_hold((tied.p + d[:, None] * tied.n)[None], tied.p, tied.n, weights)
    np.testing.assert_allclose(found.fit.deviations[0], d - design @ pose, atol=1e-5)


def test_exact_hold_needs_six(tied):
    with pytest.raises(DataError, match="exactly 6 fit points, not 9"):
        exact_hold(tied.p[None], tied.p, tied.n, tied.w)
    bad = np.zeros(12)
    bad[[0, 1, 2, 3, 4, 5]] = 1.0
    found = exact_hold(tied.p[None], tied.p, tied.n, bad)
    assert np.isnan(found.fit.deviations).all()
    assert not found.classic


# --- stations -----------------------------------------------------------------------------------


def _seats(count):
    angle = 2.0 * np.pi * np.arange(count) / count
    return 500.0 * np.c_[np.cos(angle), np.sin(angle), 0.3 * np.cos(2.0 * angle)]


def test_seat_residual_and_target_error_by_simulation(rng, random_rotations):
    """Fitzpatrick, West and Maurer (1998) against 20,000 moves: SE about 0.4 %."""
    targets = np.array([[0.0, 0.0, 0.0], [500.0, 0.0, 0.0], [1500.0, 200.0, -300.0]])
    for count in (3, 4, 6):
        seats = _seats(count)
        noise = rng.normal(0.0, 0.03, (20_000, count, 3))
        turns = random_rotations(20_000, rng)
        join = join_stations(np.tile(seats, (20_000, 1, 1)), (seats + noise) @ turns)
        moved = (targets @ turns) @ np.swapaxes(join.rotation, -1, -2) + join.translation[:, None]
        seen = np.sqrt((((moved - targets) ** 2).sum(-1)).mean(axis=0))
        expected = target_error(seats, targets, 0.03 * np.sqrt(3.0))
        np.testing.assert_allclose(seen, expected, rtol=0.02)
        assert np.sqrt((join.rms**2).mean()) == pytest.approx(
            0.03 * np.sqrt(3.0) * join.fitness[0], rel=0.02
        )
        assert np.sqrt((join.seat_noise**2).mean()) == pytest.approx(0.03, rel=0.02)


def test_the_figures_of_the_trade_notes(reference):
    """Targets as far from every axis as the seats: d = f and d = 2f."""
    known = reference("stations")
    for count, share, one, two in zip(
        known["seats"],
        known["residual_share"],
        known["target_at_f"],
        known["target_at_2f"],
        strict=True,
    ):
        seats = _seats(count)
        join = join_stations(seats[None], seats[None])
        assert join.fitness[0] == pytest.approx(share, abs=0.005)
        about = seats - seats.mean(axis=0)
        axes = np.linalg.svd(about)[2]
        f2 = (((about @ axes.T) ** 2).sum(1)[:, None] - (about @ axes.T) ** 2).mean(axis=0)
        # Squared coordinates of a point with d_k = f_k: half the sum of f² less f_k².
        square = 0.5 * f2.sum() - f2
        target = seats.mean(axis=0) + np.sqrt(np.maximum(square, 0.0)) @ axes
        found = target_error(seats, np.array([target]), 1.0)[0]
        far = target_error(seats, np.array([2.0 * (target - seats.mean(0)) + seats.mean(0)]), 1.0)
        assert found == pytest.approx(one, abs=0.006)
        assert far[0] == pytest.approx(two, abs=0.006)


def test_moves_without_enough_seats_are_told(rng):
    first = np.tile(_seats(5), (4, 1, 1))
    second = first + rng.normal(0.0, 0.03, first.shape)
    second[1, 2:] = np.nan
    second[2, 3:] = np.nan
    first[3] = np.outer(np.arange(5.0), [1.0, 2.0, 3.0])
    second[3] = first[3]
    found = join_stations(first, second)
    assert found.n_seats.tolist() == [5, 2, 3, 5]
    assert np.isnan(found.rms[[1, 3]]).all()
    assert np.isnan(found.rotation[[1, 3]]).all()
    assert found.note[0] == ""
    assert "three are needed" in found.note[1]
    assert "0.58" in found.note[2]
    assert "one line" in found.note[3]
    assert not np.isnan(found.rms[[0, 2]]).any()
    assert np.isnan(target_error(first[3], np.zeros((1, 3)), 0.03)).all()


# --- gross mistakes -----------------------------------------------------------------------------


def test_good_runs_raise_no_suspicion(hood, tied, measure, rng):
    for layout in (hood, tied):
        points = measure(layout, 300, rng, sigma=1.0, aside=8.0)
        points[:100, 2] = np.nan
        found = recognise(points, layout.p, layout.n)
        assert (found.exchanged == -1).all()
        assert not found.mirrored.any()
        assert set(found.unit) == {""}
        np.testing.assert_allclose(found.ratio, 1.0, atol=0.05)


def test_any_two_exchanged_points_are_recognised(hood, measure, rng):
    pairs = list(combinations(range(13), 2))
    points = measure(hood, len(pairs), rng, sigma=0.5, aside=4.0)
    for k, (a, b) in enumerate(pairs):
        points[k, [a, b]] = points[k, [b, a]]
    found = recognise(points, hood.p, hood.n)
    apart = np.array([np.linalg.norm(hood.p[a] - hood.p[b]) for a, b in pairs])
    right = (found.exchanged == np.array(pairs)).all(axis=1)
    assert right[apart > 100.0].all()
    assert not found.mirrored.any()


def test_exchanges_agree_with_trying_every_pair(hood, measure, rng):
    """Slow twin: each pair in turn, nine and thirteen points, one missing here and there."""
    for count in (9, 13):
        p, n = hood.p[:count], hood.n[:count]
        points = measure(hood, 40, rng, aside=5.0)[:, :count]
        points[np.arange(40), rng.integers(0, count, 40)] = np.nan
        swaps = rng.permuted(np.tile(np.arange(count), (40, 1)), axis=1)[:, :2]
        for k, (a, b) in enumerate(swaps[:30]):
            points[k, [a, b]] = points[k, [b, a]]
        found = recognise(points, p, n)
        best = np.full(40, np.inf)
        for a, b in combinations(range(count), 2):
            undone = points.copy()
            undone[:, [a, b]] = undone[:, [b, a]]
            both = ~np.isnan(points[:, [a, b], 0]).any(axis=1)
            best = np.where(both, np.minimum(best, recognise(undone, p, n).rms), best)
        np.testing.assert_allclose(found.rms_exchanged[:30], best[:30], rtol=1e-6)
        there = ~np.isnan(np.take_along_axis(points[..., 0], swaps, axis=1)).any(axis=1)[:30]
        right = (found.exchanged[:30] == np.sort(swaps[:30], axis=1)).all(axis=1)
        assert right[there].all()
        assert np.isnan(found.rms_exchanged[30:]).all()


def test_a_mirrored_part_is_recognised_in_any_pose(hood, measure, rng):
    found = recognise(measure(hood, 50, rng, aside=5.0) * [1, 1, -1], hood.p, hood.n)
    assert found.mirrored.all()
    assert (found.exchanged == -1).all()


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (25.4, "a factor of 25.4, as where mm are taken for inches"),
        (1 / 25.4, "a factor of 1/25.4, as where inches are taken for mm"),
        (1000.0, "a factor of 1000, as where micrometres are taken for mm, or thou for inches"),
        (0.001, "a factor of 1/1000, as where metres are taken for mm, or inches for thou"),
        (1 / 0.0254, "a factor of 39.37, as where thou are taken for mm"),
    ],
)
def test_a_mixed_up_unit_is_recognised_and_hides_no_other_mistake(
    hood, measure, rng, factor, words
):
    points = measure(hood, 20, rng, sigma=0.5) * factor
    points[0, [1, 7]] = points[0, [7, 1]]
    found = recognise(points, hood.p, hood.n)
    assert all(words in text for text in found.unit)
    assert found.exchanged[0].tolist() == [1, 7]
    assert (found.exchanged[1:] == -1).all()
    # Three per cent of shrink is no other unit.
    assert recognise(points * 0.97 / factor, hood.p, hood.n).unit[1] == ""


def test_too_few_points_say_nothing(hood, measure, rng):
    points = measure(hood, 2, rng)
    points[0, 3:] = np.nan
    found = recognise(points, hood.p, hood.n)
    assert np.isnan(found.rms[0])
    assert found.exchanged[0].tolist() == [-1, -1]
    assert not found.mirrored[0]
    assert found.unit[0] == ""
    assert not np.isnan(found.rms[1])


def test_wrong_face_by_distance_or_angle():
    far = np.array([[1.0, 40.0, 2.0, np.nan]])
    assert wrong_face(far).tolist() == [[False, True, False, False]]
    angles = np.array([[2.0, 1.0, 80.0, np.nan]])
    assert wrong_face(far, angles).tolist() == [[False, True, True, False]]
    with pytest.raises(DataError, match="normal_angles"):
        wrong_face(far, np.zeros((2, 4)))
