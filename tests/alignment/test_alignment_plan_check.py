"""What holds a plan, what would hold it better, and how far a soft panel gives way."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.alignment.fit import fit_planes
from spc.alignment.improve import improvements
from spc.alignment.motions import free_motions, motion_of
from spc.alignment.panel import panel_push, panel_sag
from spc.alignment.plan_check import check_plan
from spc.alignment.reliability import reliability
from spc.errors import DataError

UP = np.array([0.0, 0.0, 1.0])


def _unit(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def _moved(motion, p):
    """Return where a small motion takes points, by its kind, axis and pitch alone."""
    if motion.kind == "shift":
        return np.tile(motion.direction, (len(p), 1))
    about = np.cross(motion.direction, p - motion.point)
    return about + motion.pitch * motion.direction


# --- degenerate plans ---------------------------------------------------------------------------


def test_all_normals_parallel(rng):
    p = rng.uniform(-300, 300, (8, 3))
    found = check_plan(p, np.tile(UP, (8, 1)), np.ones(8))
    assert found.rank == 3
    assert [motion.words.split(" through")[0] for motion in found.free] == [
        "a shift along x",
        "a shift along y",
        "a turn about the axis along z",
    ]
    assert found.causes == ("all fit points look along z",)
    # Any upright axis would do; the one through the middle is told.
    np.testing.assert_allclose(found.free[2].point[:2], p[:, :2].mean(axis=0), atol=1e-9)
    assert found.weakest is None
    assert np.isinf(found.condition)


def test_collinear_points(rng):
    p = np.outer(rng.uniform(-300, 300, 8), [0.0, 1.0, 0.0]) + np.array([50.0, 0.0, 70.0])
    found = check_plan(p, _unit(rng.normal(size=(8, 3))), np.ones(8))
    assert found.rank == 5
    (motion,) = found.free
    assert motion.kind == "turn"
    np.testing.assert_allclose(motion.direction, [0, 1, 0], atol=1e-6)
    np.testing.assert_allclose(motion.point[[0, 2]], [50.0, 70.0], atol=1e-4)
    assert found.causes == ("all fit points are on one line",)


def test_coincident_points(rng):
    found = check_plan(np.tile([10.0, 20, 30], (8, 1)), _unit(rng.normal(size=(8, 3))), np.ones(8))
    assert found.rank == 3
    assert {motion.kind for motion in found.free} == {"turn"}
    assert found.causes == ("all fit points are at one place",)


def test_a_sphere_turns_about_its_centre(rng):
    n = _unit(rng.normal(size=(9, 3)))
    centre = np.array([100.0, -50.0, 20.0])
    found = check_plan(150.0 * n + centre, n, np.ones(9))
    assert found.rank == 3
    assert found.causes == ("the directions of all fit points meet in one point",)
    for motion in found.free:
        # The centre lies on each axis.
        off = np.cross(centre - motion.point, motion.direction)
        np.testing.assert_allclose(off, 0.0, atol=1e-4)


def test_a_missing_direction_is_named(tied):
    weights = tied.w * (np.arange(12) < 7)
    found = check_plan(tied.p, tied.n, weights)
    assert found.rank == 5
    assert found.causes == ("no fit point looks along x",)
    assert found.free[0].words == "a shift along x"


def test_a_thread_is_free_to_screw():
    """Normals square to the path of a screw of 30 mm a radian: a turn with that pitch is free."""
    angle = np.linspace(0.0, 5.0, 9)
    p = np.c_[100 * np.cos(angle), 100 * np.sin(angle), 30 * angle]
    path = np.c_[-100 * np.sin(angle), 100 * np.cos(angle), np.full(9, 30.0)]
    n = _unit(np.cross(path, np.random.default_rng(3).normal(size=(9, 3))))
    (motion,) = check_plan(p, n, np.ones(9)).free
    assert motion.kind == "screw"
    assert motion.pitch == pytest.approx(30.0, abs=1e-4)
    np.testing.assert_allclose(motion.direction, UP, atol=1e-6)
    np.testing.assert_allclose(motion.point[:2], 0.0, atol=1e-3)
    assert "0.52 mm per degree" in motion.words


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_too_few_points_never_raise(tied, count):
    found = check_plan(tied.p[:count], tied.n[:count], tied.w[:count])
    assert found.rank < 6
    assert len(found.free) == 6 - found.rank
    assert f"only {count} fit points" in found.causes[0]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), kind=st.sampled_from(["cylinder", "plane", "pair", "few"]))
def test_no_fit_point_sees_a_free_motion(seed, kind):
    rng = np.random.default_rng(seed)
    p, n = rng.uniform(-300, 300, (8, 3)), _unit(rng.normal(size=(8, 3)))
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    if kind == "cylinder":
        n[:, 2] = 0.0
        n = _unit(n)
        p = 100.0 * n + np.outer(rng.uniform(-300, 300, 8), UP)
    elif kind == "plane":
        n[:] = UP
    elif kind == "pair":
        n[:4], n[4:] = UP, np.array([0.0, 1.0, 0.0])
    else:
        p, n = p[:4], n[:4]
    p, n = p @ turn.T + rng.uniform(-500, 500, 3), n @ turn.T
    found = check_plan(p, n, np.ones(len(p)))
    assert len(found.free) == 6 - found.rank > 0
    motions = np.stack([_moved(motion, p) for motion in found.free])
    seen = (motions * n).sum(-1) / np.abs(motions).max(axis=(1, 2))[:, None]
    assert np.abs(seen).max() < 1e-5
    # Together they are independent: as many different motions as there are.
    flat = motions.reshape(len(motions), -1)
    if len(p) >= 6:
        flat = flat / np.linalg.norm(flat, axis=1)[:, None]
        assert np.linalg.matrix_rank(flat, tol=1e-6) == len(motions)


# --- held plans ---------------------------------------------------------------------------------


def test_the_weakest_motion_is_what_noise_moves_most(hood, measure, rng):
    """8000 runs of noise: the pose spreads most along the weakest motion, by the gain told."""
    found = check_plan(hood.p, hood.n, hood.w)
    fit = fit_planes(measure(hood, 8000, rng, aside=0.0, posed=False), hood.p, hood.n, hood.w)
    moved = hood.p @ np.swapaxes(fit.rotation, -1, -2) + fit.translation[:, None] - hood.p
    motion = _moved(found.weakest, hood.p)
    motion *= found.weakest_gain / np.linalg.norm(motion[found.weakest_point])
    # Project the scatter of the pose, in scaled units, on its largest principal direction.
    about = moved.reshape(8000, -1) / 0.05
    spread = np.sqrt(np.linalg.eigvalsh(np.cov(about.T))[-1])
    assert np.linalg.norm(found.displacement) == pytest.approx(np.linalg.norm(motion), rel=0.05)
    assert spread >= 0.95 * np.linalg.norm(found.displacement)
    assert found.displacement.argmax() == found.weakest_point
    assert found.words.startswith("all six motions are held; the weakest is")


def test_deviation_along_the_weakest_motion_fits_the_alignment_sigma(hood):
    """One of six parts of the alignment's SD at any point, so never above the whole."""
    found = check_plan(hood.p, hood.n, hood.w)
    whole = reliability(hood.p, hood.n, hood.w).alignment_sigma
    assert (np.abs(found.deviation) <= whole + 1e-12).all()
    assert (np.abs(found.deviation) <= found.displacement + 1e-12).all()


def test_readings_twice_as_good_halve_the_gain(hood):
    one, two = (check_plan(hood.p, hood.n, c * hood.w) for c in (1.0, 4.0))
    assert two.weakest_gain == pytest.approx(0.5 * one.weakest_gain)
    assert two.condition == pytest.approx(one.condition)


def test_a_narrow_base_is_weak_about_its_long_axis(tied):
    p = tied.p.copy()
    p[:4, 1] *= 0.02
    found = check_plan(p, tied.n, tied.w)
    assert found.rank == 6
    assert abs(found.weakest.direction[0]) > 0.9
    assert found.condition > check_plan(tied.p, tied.n, tied.w).condition


def test_motions_in_words():
    shift = motion_of(np.array([0.0, -2.0, 0.0]), np.zeros(3), np.zeros(3), 100.0)
    assert (shift.kind, shift.words) == ("shift", "a shift along y")
    turn = motion_of(np.array([0.0, 0.0, 0.1]), np.array([1e-3, 0, 0]), np.zeros(3), 100.0)
    assert turn.kind == "turn"
    np.testing.assert_allclose(turn.point, [0.0, -100.0, 0.0])
    assert free_motions(np.zeros((0, 6)), np.zeros(3), 1.0) == ()


# --- one more point -----------------------------------------------------------------------------


def test_the_best_tenth_point_of_the_trade_notes(tied, reference):
    """A third side point at another height breaks all ties but the end pair; others do less."""
    known = reference("layouts")["tied"]
    z = known["third_side_elsewhere"]["z"]
    extra = np.array([[0, 300, z], [0, 300, -100], [500, 0, -100]], dtype=float)
    p = np.vstack([tied.p[:9], extra])
    n = np.vstack([tied.n[:9], [[0, 1, 0], [0, 1, 0], [1, 0, 0]]])
    weights = np.r_[np.ones(9), np.zeros(3)]
    found = improvements(p, n, weights, new_points=False)
    assert [one.index for one in found.ranked] == [9, 10, 11]
    assert (found.before.tied, found.before.min_redundancy) == (8, pytest.approx(0.1))
    best, same_height, end = (one.after for one in found.ranked)
    assert best.tied == 2
    assert same_height.tied == 6
    with_best = reliability(p, n, np.r_[np.ones(10), 0, 0])
    expected = known["third_side_elsewhere"]
    np.testing.assert_allclose(with_best.redundancy[5:7], expected["side"], atol=0.005)
    np.testing.assert_allclose(with_best.redundancy[:4].min(), expected["corner"], atol=0.005)
    assert best.min_redundancy == pytest.approx(expected["side"], abs=0.005)
    assert same_height.min_redundancy == pytest.approx(
        known["third_side_same_height"]["side"], abs=0.005
    )
    assert end.min_redundancy == pytest.approx(known["third_end"]["side"], abs=0.005)


def test_figures_are_those_of_the_plan_with_the_point(hood):
    found = improvements(hood.p, hood.n, hood.w)
    assert len(found.ranked) > 20
    check = np.flatnonzero(hood.w == 0)
    for one in found.ranked:
        p, n = np.vstack([hood.p, one.nominal]), np.vstack([hood.n, one.normal])
        full = reliability(p, n, np.r_[hood.w, 1.0])
        assert one.after.min_redundancy == pytest.approx(np.nanmin(full.redundancy))
        assert one.after.worst_alignment == pytest.approx(full.alignment_sigma[check].max())
        assert one.after.tied == sum(len(group) for group in full.groups if len(group) > 1)
        assert one.after.condition == pytest.approx(full.condition)
    kinds = {one.kind for one in found.ranked}
    assert kinds == {"check patch", "new point"}


def test_a_point_that_restores_the_rank_comes_first(tied):
    weights = tied.w * (np.arange(12) < 7)
    found = improvements(tied.p, tied.n, weights)
    assert found.before.rank == 5
    assert np.isnan(found.before.min_redundancy)
    assert found.ranked[0].after.rank == 6
    ranks = [one.after.rank for one in found.ranked]
    assert ranks == sorted(ranks, reverse=True)


# --- panels -------------------------------------------------------------------------------------


def test_panels_of_the_trade_notes(reference):
    """E 0.9 GPa, ν 0.42, two digits. Their density is not given; polyethylene's is about 950."""
    for row in reference("plates")["panels"]:
        size = dict(wall=row["wall"], modulus=900.0, poisson=0.42, side=row["side"])
        for edges, push, sag in zip(("supported", "clamped"), row["push"], row["sag"], strict=True):
            assert panel_push(edges=edges, **size).per_newton == pytest.approx(push, abs=0.005)
            found = panel_sag(edges=edges, density=950.0, **size)
            assert found == pytest.approx(sag, abs=0.05 if sag > 1.0 else 0.005)


def test_plate_factors_of_timoshenko(reference):
    """0.01160 and 0.00560 for a square under a central force."""
    known = reference("plates")
    for edges in ("supported", "clamped"):
        push = panel_push(wall=1.0, modulus=12.0, poisson=0.0, side=100.0, edges=edges)
        assert push.stiffness == pytest.approx(1.0)
        assert push.per_newton / 1e4 == pytest.approx(known[f"{edges}_force"], abs=5e-6)


def _ritz(ratio, terms=14):
    """Clamped rectangle under a central force by Ritz's method, w D / (F a²), short side a = 1."""
    x, weight = np.polynomial.legendre.leggauss(60)
    # Legendre series times (1 − x²)²: zero deflection and slope at the edges, even in x.
    clamp, power = np.polynomial.Polynomial([1, 0, -2, 0, 1]), np.polynomial.Polynomial
    base = [clamp * np.polynomial.Legendre.basis(2 * j).convert(kind=power) for j in range(terms)]
    f0, f1, f2 = (np.stack([(b.deriv(m) if m else b)(x) for b in base]) for m in (0, 1, 2))
    norm = np.sqrt((f2**2 * weight).sum(axis=1))[:, None]
    f0, f1, f2 = f0 / norm, f1 / norm, f2 / norm

    def inner(a, b):
        return (a * weight) @ b.T

    sx, sy = 2.0, 2.0 / ratio
    energy = np.einsum("ik,jl->ijkl", inner(f2, f2) * sx**4, inner(f0, f0))
    energy += np.einsum("ik,jl->ijkl", inner(f0, f0), inner(f2, f2) * sy**4)
    cross = np.einsum("ik,jl->ijkl", inner(f2, f0) * sx**2, inner(f0, f2) * sy**2)
    energy = (energy + cross + cross.transpose(2, 3, 0, 1)) / (sx * sy)
    middle = np.array([b(0.0) for b in base]) / norm[:, 0]
    load = np.outer(middle, middle).ravel()
    size = terms * terms
    return load @ np.linalg.solve(energy.reshape(size, size), load)


@pytest.mark.parametrize("ratio", [1.0, 1.2, 1.4, 1.6, 1.8, 2.0])
def test_clamped_factors_from_memory_agree_with_a_ritz_solution(ratio):
    """A Ritz solution is a lower bound and converges slowly under a point force: within 1.5 %."""
    push = panel_push(
        wall=1.0, modulus=12.0, poisson=0.0, side=100.0, other_side=100.0 * ratio, edges="clamped"
    )
    found = _ritz(ratio)
    assert found == pytest.approx(push.per_newton / 1e4, rel=0.015)
    assert found <= push.per_newton / 1e4 * 1.002


def test_supported_rectangle_agrees_with_the_double_series():
    """Navier: w = 4F/(π⁴ D a b) ΣΣ 1/(m²/a² + n²/b²)² over odd m, n."""
    a, b = 300.0, 450.0
    m = np.arange(1, 800, 2)
    terms = 1.0 / ((m[:, None] / a) ** 2 + (m / b) ** 2) ** 2
    expected = 4.0 / (np.pi**4 * a * b) * terms.sum()
    push = panel_push(wall=1.0, modulus=12.0, poisson=0.0, side=a, other_side=b)
    assert push.per_newton == pytest.approx(expected, rel=1e-5)


def test_a_thick_wall_is_told_and_nonsense_refused():
    assert "thin-plate" in panel_push(wall=30, modulus=900, poisson=0.4, side=200).note
    assert panel_push(wall=3, modulus=900, poisson=0.4, side=200).note == ""
    with pytest.raises(DataError, match=r"poisson is 0\.6"):
        panel_push(wall=3, modulus=900, poisson=0.6, side=200)
    with pytest.raises(DataError, match="'glued'"):
        panel_push(wall=3, modulus=900, poisson=0.4, side=200, edges="glued")
    with pytest.raises(DataError, match="wall is 0"):
        panel_push(wall=0, modulus=900, poisson=0.4, side=200)
