"""Probing noise through a fit and errors of moves, against simulated fits and formulas."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.errors import DataError
from spc.gauge.anova import crossed_study
from spc.gauge.leapfrog import move_error, seat_noise, with_moves
from spc.gauge.propagation import (
    EXPLAINED,
    LESS,
    MORE,
    HitNoise,
    alignment_noise,
    split_setup,
)


def plane_fit_moves(fit, check):
    """Return G of a least-squares fit of height and two tilts to points of a flat deck."""
    a, b = (np.column_stack([np.ones(len(p)), p]) for p in (fit, check))
    return -b @ np.linalg.pinv(a)


FIT = np.array([[-400.0, -200.0], [400.0, -200.0], [400.0, 200.0], [-400.0, 200.0], [0.0, 0.0]])
CHECK = np.array([[0.0, 100.0], [300.0, 50.0], [700.0, 400.0]])
G = plane_fit_moves(FIT, CHECK)


def test_noise_at_check_patches_is_that_of_simulated_alignments():
    sd, hits = np.array([0.02, 0.03, 0.05, 0.02, 0.04]), np.array([3, 3, 5, 3, 4])
    rng = np.random.default_rng(1)
    seen = (rng.normal(size=(100_000, 5)) * sd / np.sqrt(hits)) @ G.T
    got = alignment_noise(G, HitNoise(variance=sd**2, dof=np.inf, hits=hits))
    np.testing.assert_allclose(got.covariance, np.cov(seen.T), rtol=0.03, atol=1e-6)
    np.testing.assert_allclose(got.variance, np.diag(got.covariance))
    np.testing.assert_allclose(got.shares.sum(axis=1), 1.0)
    # A patch outside the fit points is moved more than one between them.
    assert got.variance[2] > 2 * got.variance[0]


def studied(rest_sd, studies, seed, shape=(6, 3, 3, 3), hit=0.05):
    """Return studies whose set-ups carry alignment noise of the fit and a known rest."""
    (p, o, s, n), rng = shape, np.random.default_rng(seed)
    fit = hit / np.sqrt(3) * rng.normal(size=(p, o, s, 1, studies, 5)) @ G.T
    y = np.moveaxis(fit, -1, -2).reshape(p, o, s, 1, -1)
    y = y + rest_sd * rng.normal(size=(p, o, s, 1, 3 * studies))
    y = y + rng.normal(size=(p, 1, 1, 1, 3 * studies))
    y = y + hit * rng.normal(size=(p, o, s, n, 3 * studies))
    index = np.indices((p, o, s, n)).reshape(4, -1)
    return crossed_study(y.reshape(-1, 3 * studies), *index[:3], pool="never")


def many(studies):
    """Return G for check patches of many studies side by side, patch after patch."""
    return np.repeat(G, studies, axis=0)


@pytest.mark.parametrize("pooled", [True, False])
def test_rest_is_found_and_its_interval_covers(pooled):
    study = studied(0.08, 600, 2)
    rng = np.random.default_rng(3)
    dof = 54.0
    variance = 0.05**2 * rng.chisquare(dof * 5) / (dof * 5) if pooled else np.full(5, 0.05**2)
    noise = HitNoise(variance=variance, dof=dof * 5 if pooled else np.inf, hits=3, pooled=pooled)
    got = split_setup(study, many(600), noise)
    hold = np.mean((got.rest_low <= 0.0064) & (0.0064 <= got.rest_high))
    assert 0.93 <= hold <= 0.97
    assert np.mean(got.rest) == pytest.approx(0.0064, rel=0.05)
    assert np.mean([s == MORE for s in got.sentences]) > 0.95
    np.testing.assert_allclose(got.rest, got.observed - got.predicted)


def test_nothing_but_probing_is_mostly_not_called_more():
    study = studied(0.0, 600, 4)
    got = split_setup(study, many(600), HitNoise(variance=0.0025, dof=np.inf, hits=3))
    # Two-sided 95 %: one in forty each way.
    assert np.mean([s == MORE for s in got.sentences]) == pytest.approx(0.025, abs=0.012)
    assert np.mean([s == LESS for s in got.sentences]) == pytest.approx(0.025, abs=0.012)
    assert 0.3 < got.negative.mean() < 0.7
    np.testing.assert_array_equal(got.rest_sd.value[got.negative], 0.0)
    hold = np.mean((got.ratio.low <= 1) & (1 <= got.ratio.high))
    assert hold == pytest.approx(0.95, abs=0.015)


def test_a_large_study_can_say_that_probing_explains_it():
    study = studied(0.0, 1, 5, shape=(40, 4, 10, 3))
    got = split_setup(study, G, HitNoise(variance=0.0025, dof=np.inf, hits=3))
    assert EXPLAINED in got.sentences


def test_hits_that_hold_form_predict_too_much():
    study = studied(0.0, 1, 6, shape=(30, 4, 6, 3))
    got = split_setup(study, G, HitNoise(variance=4 * 0.0025, dof=1000.0, hits=3, pooled=True))
    assert set(got.sentences) == {LESS}
    assert got.negative.all()


def test_patch_means_need_their_own_noise_taken_off():
    (p, o, s), rng = (6, 3, 3), np.random.default_rng(7)
    fit = 0.05 / np.sqrt(3) * rng.normal(size=(p, o, s, 500, 5)) @ G.T
    y = np.moveaxis(fit, -1, -2).reshape(p, o, s, -1) + rng.normal(size=(p, 1, 1, 1500))
    y = y + 0.05 / np.sqrt(3) * rng.normal(size=(p, o, s, 1500))
    index = np.indices((p, o, s)).reshape(3, -1)
    study = crossed_study(y.reshape(-1, 1500), *index, pool="never")
    noise = HitNoise(variance=0.0025, dof=np.inf, hits=3)
    silent = split_setup(study, many(500), noise)
    assert np.isnan(silent.rest).all()
    assert "own hit noise" in silent.note
    got = split_setup(study, many(500), noise, own_noise=noise)
    assert np.mean(got.rest) == pytest.approx(0.0, abs=5e-5)
    hold = np.mean((got.rest_low <= 0) & (0 <= got.rest_high))
    assert hold == pytest.approx(0.95, abs=0.015)


def test_one_setup_each_cannot_be_split():
    index = np.indices((6, 3, 1, 3)).reshape(4, -1)
    y = np.random.default_rng(8).normal(size=(54, 3))
    got = split_setup(crossed_study(y, *index[:3]), G, HitNoise(variance=0.0025, dof=10.0))
    assert np.isnan(got.observed).all()
    assert "one set-up" in got.note
    with pytest.raises(DataError, match="2 rows for 3 check patches"):
        split_setup(crossed_study(y, *index[:3]), G[:2], HitNoise(variance=0.0025, dof=10.0))


def rigid(a, b):
    """Twin: best rotation and shift from points a onto b, by singular values."""
    ca, cb = a.mean(axis=0), b.mean(axis=0)
    u, _, vt = np.linalg.svd((a - ca).T @ (b - cb))
    d = np.diag([1.0, 1.0, np.sign(np.linalg.det(vt.T @ u.T))])
    r = vt.T @ d @ u.T
    return r, cb - r @ ca


SEATS = np.array([[0.0, 0.0, 0.0], [900.0, 50.0, 0.0], [850.0, 600.0, 30.0], [40.0, 620.0, -20.0]])
PATCHES = np.array([[400.0, 300.0, 100.0], [1500.0, 300.0, 700.0]])


def test_move_error_is_that_of_simulated_moves():
    rng = np.random.default_rng(9)
    per_axis, normal = 0.03, np.array([[0.0, 0.0, 1.0], [0.6, 0.0, 0.8]])
    errors, squares = [], []
    for _ in range(4000):
        moved = SEATS + rng.normal(0, per_axis, SEATS.shape)
        r, t = rigid(SEATS, moved)
        errors.append(PATCHES @ r.T + t - PATCHES)
        squares.append(np.square(moved - SEATS @ r.T - t).sum())
    errors = np.array(errors)
    got = move_error(SEATS, PATCHES, _known(per_axis * np.sqrt(3)), normals=normal)
    seen = np.sqrt(np.square(errors).sum(axis=2).mean(axis=0))
    np.testing.assert_allclose(got.rms, seen, rtol=0.03)
    np.testing.assert_allclose(got.covariance[1], np.cov(errors[:, 1].T), rtol=0.1, atol=4e-5)
    along = np.einsum("spi,pi->sp", errors, normal)
    np.testing.assert_allclose(got.shared, np.cov(along.T), rtol=0.06)
    np.testing.assert_allclose(got.along, along.std(axis=0), rtol=0.03)
    # Residuals understate seat noise by √(1 - 2/N).
    assert np.mean(squares) / 4 == pytest.approx((1 - 2 / 4) * 3 * per_axis**2, rel=0.03)


def _known(value):
    from spc.interval import Estimate

    return Estimate(value=value)


def formula(seats, patch, noise):
    """Twin: Fitzpatrick, West & Maurer (1998) from principal axes."""
    x, p = seats - seats.mean(axis=0), patch - seats.mean(axis=0)
    axes = np.linalg.svd(x)[2]
    distance = lambda v, k: np.linalg.norm(v - np.outer(v @ axes[k], axes[k]), axis=1)  # noqa: E731
    f = [np.sqrt(np.mean(distance(x, k) ** 2)) for k in range(3)]
    d = [distance(p[None], k)[0] for k in range(3)]
    return np.sqrt(
        noise**2 / len(x) * (1 + sum(a**2 / b**2 for a, b in zip(d, f, strict=True)) / 3)
    )


@given(st.integers(3, 8), st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_move_error_is_the_published_formula(number, seed):
    rng = np.random.default_rng(seed)
    seats, patch = rng.normal(0, 500, (number, 3)), rng.normal(0, 900, (2, 3))
    got = move_error(seats, patch, _known(0.05))
    want = [formula(seats, p, 0.05) for p in patch]
    np.testing.assert_allclose(got.rms, want, rtol=1e-6)


@pytest.mark.parametrize(
    ("seats", "near", "far"), [(3, 0.82, 1.29), (4, 0.71, 1.12), (6, 0.58, 0.91)]
)
def test_error_at_the_seats_own_distance_and_at_twice_it(seats, near, far):
    # All d_k = f_k gives √(2/N) of seat noise, all d_k = 2 f_k √(5/N).
    assert np.sqrt(2 / seats) == pytest.approx(near, abs=0.005)
    assert np.sqrt(5 / seats) == pytest.approx(far, abs=0.005)
    angle = np.arange(seats) * 2 * np.pi / seats
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(seats)])
    # A ring of radius 1 has f = (√½, √½, 1): a patch at (√⅙, √⅙, √⅓)... each d solved below.
    f2 = np.array([0.5, 0.5, 1.0])
    total = f2.sum() / 2
    patch = np.sqrt(np.maximum(total - f2, 0.0))
    got = move_error(ring, np.stack([patch, 2 * patch]), _known(1.0))
    np.testing.assert_allclose(got.rms, [np.sqrt(2 / seats), np.sqrt(5 / seats)], rtol=1e-9)


@pytest.mark.parametrize(("seats", "understated"), [(3, 0.58), (4, 0.71), (6, 0.82)])
def test_seat_noise_undoes_what_the_residual_hides_and_its_interval_covers(seats, understated):
    assert np.sqrt(1 - 2 / seats) == pytest.approx(understated, abs=0.005)
    rng, hold = np.random.default_rng(10), []
    angle = np.arange(seats) * 2 * np.pi / seats
    ring = 500 * np.column_stack([np.cos(angle), np.sin(angle), 0.2 * np.sin(2 * angle)])
    for _ in range(600):
        moved = ring + rng.normal(0, 0.03, ring.shape)
        r, t = rigid(ring, moved)
        got = seat_noise(moved - ring @ r.T - t)
        hold.append(got.interval.low <= 0.03 * np.sqrt(3) <= got.interval.high)
    assert np.mean(hold) == pytest.approx(0.95, abs=0.025)
    lengths = seat_noise(np.full(seats, 0.03))
    assert lengths.value == pytest.approx(0.03 / np.sqrt(1 - 2 / seats))
    assert bool(lengths.note) == (seats == 3)


def test_moves_add_up_and_take_their_share():
    got = with_moves([0.01, 0.01], [0.0025, 0.0], 4)
    np.testing.assert_allclose(got.total_sd, [np.sqrt(0.02), 0.1])
    np.testing.assert_allclose(got.moves_share, [0.5, 0.0])
    assert with_moves([0.0], [0.0], 2).moves_share[0] == 0.0


def test_seats_that_hold_nothing_are_refused():
    line = np.array([[0.0, 0, 0], [1, 1, 1], [2, 2, 2]])
    with pytest.raises(DataError, match="one line"):
        move_error(line, PATCHES, _known(0.1))
    with pytest.raises(DataError, match="3 seats"):
        seat_noise(np.zeros((2, 3)))
