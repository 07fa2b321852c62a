"""What a plan can see: against published values, a general regression library and closed forms."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.alignment.cofactors import cofactors
from spc.alignment.fit import fit_planes
from spc.alignment.geometry import Holds, geometry, holds, unique_rows
from spc.alignment.naming import naming_table, wrong_of_two
from spc.alignment.reliability import noncentrality, reliability
from spc.alignment.residuals import studentise
from spc.errors import DataError

# --- published ----------------------------------------------------------------------------------


def test_noncentrality_of_baarda_and_teunissen(reference):
    """Baarda (1968), Teunissen: λ₀ to three decimals."""
    known = reference("noncentrality")
    for case in known["cases"]:
        found = noncentrality(case["alpha"], case["power"]) ** 2
        assert found == pytest.approx(float(case["lambda0"]), abs=5e-4)
    assert round(noncentrality(0.001, 0.80), 2) == float(known["sqrt_lambda0_baarda"])


def test_noncentrality_of_the_overall_test_agrees_with_scipy():
    from scipy.stats import chi2, ncx2

    for dof in (1, 2, 3, 10):
        delta = noncentrality(0.0027, 0.9, dof)
        assert ncx2.sf(chi2.isf(0.0027, dof), dof, delta**2) == pytest.approx(0.9, rel=1e-9)


def _regression(x):
    """Put a plain regression into the shape of a held plan."""
    r = np.linalg.qr(x)[1]
    lever = (x @ np.linalg.inv(r))[None]
    runs, columns = x.shape
    return Holds(
        weights=np.ones((1, runs)),
        centre=np.zeros((1, 3)),
        size=np.ones(1),
        design=x[None],
        lever=lever,
        singular=np.ones((1, columns)),
        motions=np.eye(columns)[None],
        rank=np.array([6]),
        condition=np.ones(1),
    )


def test_stack_loss_hat_values_and_studentised_residuals(reference):
    """Brownlee (1965), hat values to three places from Rousseeuw and Leroy (1987)."""
    known = reference("stackloss")
    data, published = np.array(known["rows"]), known["published"]
    x = np.c_[np.ones(21), data[:, 1:]]
    found = cofactors(_regression(x))
    np.testing.assert_allclose(found.leverage[0], published["hat"], atol=6e-4)
    residual = data[:, 0] - x @ np.linalg.lstsq(x, data[:, 0], rcond=None)[0]
    internal, external = studentise(
        (residual / np.sqrt(found.redundancy[0]))[None],
        np.array([residual @ residual]),
        np.array([17]),
    )
    assert internal[0, 20] == pytest.approx(published["studentized_internal_21"], abs=0.006)
    assert external[0, 20] == pytest.approx(published["studentized_external_21"], abs=0.006)


# --- against a regression library ---------------------------------------------------------------


def test_reliability_agrees_with_weighted_regression(hood, rng):
    weights = hood.w * rng.uniform(0.3, 3.0, len(hood.w))
    found = reliability(hood.p, hood.n, weights)
    fit = weights > 0
    x = np.c_[hood.n, np.cross(hood.p, hood.n)][fit]
    y = rng.normal(size=fit.sum())
    model = sm.OLS(np.sqrt(weights[fit]) * y, np.sqrt(weights[fit])[:, None] * x).fit()
    influence = model.get_influence()
    np.testing.assert_allclose(found.leverage[fit], influence.hat_matrix_diag, atol=1e-9)
    np.testing.assert_allclose(found.redundancy[fit], 1 - influence.hat_matrix_diag, atol=1e-9)
    assert np.isnan(found.leverage[~fit]).all()
    g = np.c_[hood.n, np.cross(hood.p, hood.n)]
    covariance = model.cov_params() / model.scale
    np.testing.assert_allclose(
        found.alignment_sigma**2, np.einsum("pi,ij,pj->p", g, covariance, g), rtol=1e-6
    )


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_redundancies_add_up_and_cofactors_are_a_projection(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(6, 15))
    p, n = rng.uniform(-500, 500, (count, 3)), rng.normal(size=(count, 3))
    n /= np.linalg.norm(n, axis=1)[:, None]
    weights = rng.uniform(0.2, 4.0, count)
    found = reliability(p, n, weights)
    assert found.rank == 6
    assert found.redundancy.sum() == pytest.approx(count - 6, abs=1e-6)
    projection = found.cofactor * weights
    np.testing.assert_allclose(projection @ projection, projection, atol=1e-6)
    np.testing.assert_allclose(found.response, projection, atol=1e-9)
    moved = reliability(p + rng.uniform(-1e4, 1e4, 3), n, 7.0 * weights)
    np.testing.assert_allclose(moved.redundancy, found.redundancy, atol=1e-6)


# --- closed forms -------------------------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(side=st.floats(100, 2000), end=st.floats(100, 2000), height=st.floats(-500, 500))
def test_the_tied_four_in_closed_form(side, end, height):
    """A side pair (baseline a) and an end pair (baseline b) can only say: corner not square.

    r_side = b²/(2(a² + b²)), r_end = a²/(2(a² + b²)); the larger residual is always at the pair
    with the shorter baseline. Derived by hand; see the project's trade notes.
    """
    up = [[x, y, 0.0] for x in (-400.0, 400.0) for y in (-300.0, 300.0)]
    p = np.array([*up, [-side / 2, 300, height], [side / 2, 300, height]])
    p = np.vstack([p, [[500, -end / 2, height], [500, end / 2, height]]])
    n = np.array([[0, 0, 1]] * 4 + [[0, 1, 0]] * 2 + [[1, 0, 0]] * 2, dtype=float)
    found = reliability(p, n, np.ones(8))
    both = side**2 + end**2
    np.testing.assert_allclose(found.redundancy[:4], 0.25, atol=1e-9)
    np.testing.assert_allclose(found.redundancy[4:6], end**2 / (2 * both), atol=1e-9)
    np.testing.assert_allclose(found.redundancy[6:], side**2 / (2 * both), atol=1e-9)
    assert (4, 5, 6, 7) in found.groups
    # An error of 1 mm at one side point shows as ±(a/2)·δ·b²/(a²+b²) with δ = 1/a.
    shown = found.response[4:, 4]
    np.testing.assert_allclose(np.abs(shown[:2]), end**2 / (2 * both), atol=1e-9)
    np.testing.assert_allclose(np.abs(shown[2:]), end * side / (2 * both), atol=1e-9)


def test_the_second_layout_of_the_trade_notes(tied, reference):
    known = reference("layouts")["tied"]
    found = reliability(tied.p, tied.n, tied.w)
    np.testing.assert_allclose(found.redundancy[5:7], known["redundancy"]["side"], atol=1e-9)
    np.testing.assert_allclose(found.redundancy[7:9], known["redundancy"]["end"], atol=1e-9)
    expected = known["detectable_sigmas"]
    for index, name in ((5, "side"), (0, "corner"), (7, "end"), (4, "middle")):
        assert found.detectable[index] == pytest.approx(expected[name], abs=0.05)
    assert found.groups == ((0, 2), (1, 3), (4,), (5, 6, 7, 8))
    assert found.near_ties == ()
    assert found.unchecked == ()
    assert found.correlation[0, 2] == pytest.approx(1.0)
    # External reliability: mm at a check patch for 1 mm at a fit point.
    assert abs(found.response[9, 5]) == pytest.approx(known["side_on_opposite_wall"])
    assert abs(found.response[10, 7]) == pytest.approx(known["end_on_opposite_end"])
    np.testing.assert_allclose(found.hidden_shift[9, 5], found.response[9, 5] * found.detectable[5])


def test_a_corner_error_at_the_edge_and_outside_the_base(tied, reference):
    """One corner off by 1 mm, at vertical points on the base's edge and 250 mm outside it.

    By hand: 1/5 + x x_c / Σx² + y y_c / Σy² with Σx² = 810,000 and Σy² = 250,000.
    """
    p = np.vstack([tied.p, [450.0, 0.0, 0.0], [700.0, 0.0, 0.0]])
    n = np.vstack([tied.n, [[0.0, 0.0, 1.0]] * 2])
    response = reliability(p, n, np.r_[tied.w, 0.0, 0.0]).response[12:, 0]
    known = reference("layouts")["tied"]
    assert abs(response[0]) == pytest.approx(known["corner_at_edge"], abs=0.005)
    assert abs(response[1]) == pytest.approx(known["corner_250_outside"], abs=0.005)


def test_equal_baselines_share_equally(tied, reference):
    p = tied.p.copy()
    p[5:9] = [[300, 300, -100], [-300, 300, -100], [500, 300, -100], [500, -300, -100]]
    found = reliability(p, tied.n, tied.w)
    known = reference("layouts")["tied"]["redundancy_equal_baselines"]
    np.testing.assert_allclose(found.redundancy[5:9], known, atol=1e-9)


def test_the_first_layout_of_the_trade_notes(hood, reference):
    """Coordinates were not given there; ours follow the description, so two digits must agree."""
    known = reference("layouts")["hood"]["leverage"]
    h = reliability(hood.p, hood.n, hood.w).leverage
    low, high = known["deck"]
    assert ((h[:4] > low - 0.005) & (h[:4] < high + 0.005)).all()
    np.testing.assert_allclose(h[[4, 6]], known["flank_outer"], atol=0.006)
    assert h[5] == pytest.approx(known["flank_middle"], abs=0.006)
    np.testing.assert_allclose(h[7:9], known["nose"], atol=0.006)


def test_draft_on_the_walls_leaves_near_ties(tied):
    """5° of draft on side and end walls: still |corr| > 0.999."""
    n = tied.n.copy()
    lean = np.radians(5.0)
    n[5:7] = [0.0, np.cos(lean), np.sin(lean)]
    n[7:9] = [np.cos(lean), 0.0, np.sin(lean)]
    found = reliability(tied.p, n, tied.w)
    four = np.abs(found.correlation[5:9, 5:9])
    assert four.min() > 0.999
    told = {(one.first, one.second) for one in found.near_ties}
    groups = [g for g in found.groups if set(g) & {5, 6, 7, 8}]
    together = {(a, b) for g in groups for a in g for b in g if a < b}
    assert told | together >= {(a, b) for a in range(5, 9) for b in range(a + 1, 9)}


# --- against simulation and full fits -----------------------------------------------------------


def test_response_is_what_a_full_fit_does(tied):
    """A thousandth of a millimetre at each fit point in turn, refitted in full."""
    step = 1e-3
    fit = tied.fit
    points = np.repeat(tied.p[None], len(fit), axis=0)
    points[np.arange(len(fit)), fit] += step * tied.n[fit]
    deviations = fit_planes(points, tied.p, tied.n, tied.w).deviations
    found = reliability(tied.p, tied.n, tied.w)
    np.testing.assert_allclose(deviations.T / step, found.response[:, fit], atol=1e-5)
    np.testing.assert_array_equal(found.response[:, 9:], np.eye(12)[:, 9:])


def test_alignment_sigma_is_what_simulation_shows(tied, measure, rng):
    """20,000 runs: SE of a SD 0.5 %."""
    runs = fit_planes(measure(tied, 20_000, rng, aside=0.0), tied.p, tied.n, tied.w)
    found = reliability(tied.p, tied.n, tied.w)
    spread = runs.deviations[:, 9:].std(axis=0) / 0.05
    np.testing.assert_allclose(spread, found.inflation[9:], rtol=0.02)
    fit_spread = runs.deviations[:, :9].std(axis=0) / 0.05
    np.testing.assert_allclose(fit_spread, np.sqrt(found.redundancy[:9]), rtol=0.02)


def test_the_smallest_detectable_error_is_found_as_often_as_promised(tied, measure, rng):
    """Power 0.80 at α 0.001, 4000 runs: SE 0.006."""
    found = reliability(tied.p, tied.n, tied.w)
    for point in (0, 4, 5, 7):
        off = np.zeros(12)
        off[point] = 0.05 * found.detectable[point]
        runs = fit_planes(measure(tied, 4000, rng, aside=0.0, off=off), tied.p, tied.n, tied.w)
        w = runs.deviations[:, point] / (0.05 * np.sqrt(found.redundancy[point]))
        assert (np.abs(w) > 3.2905).mean() == pytest.approx(0.80, abs=0.025)


def test_wrong_of_two_against_simulation(rng):
    """Förstner's two suspects; 200,000 draws: SE 0.001."""
    for rho in (0.0, 0.6, -0.95, 0.999):
        draws = rng.multivariate_normal([3.0, 3.0 * rho], [[1, rho], [rho, 1]], 200_000)
        share = (np.abs(draws[:, 1]) > np.abs(draws[:, 0])).mean()
        assert wrong_of_two(rho, 3.0) == pytest.approx(share, abs=0.005)
    assert wrong_of_two(1.0, 50.0) == pytest.approx(0.5)
    assert wrong_of_two(-1.0, 50.0) == pytest.approx(0.5)
    assert wrong_of_two(0.0, 0.0) == pytest.approx(0.5)


def test_naming_table_adds_up_and_counts_sets_once(hood, rng):
    table = naming_table(hood.p, hood.n, hood.w, size=0.6, sigma=0.05, trials=20_000, rng=rng)
    fit = hood.fit
    np.testing.assert_allclose(table.right[fit] + table.wrong[fit] + table.missed[fit], 1.0)
    np.testing.assert_allclose(table.named[fit].sum(axis=1) + table.missed[fit], 1.0)
    assert np.isnan(table.right[9:]).all()
    assert np.isnan(table.named[9:]).all()
    # The four deck points are one set, which stands under its lowest index; so do the nose points.
    assert (table.named[:9, [1, 2, 3, 8]] == 0.0).all()
    assert reliability(hood.p, hood.n, hood.w).groups == ((0, 1, 2, 3), (4,), (5,), (6,), (7, 8))
    # 12 σ at the middle of the flank: 9.8 of its own SDs, 7.3 of its neighbours'.
    assert table.right[5] == pytest.approx(1.0, abs=0.01)


def test_nothing_wrong_is_named_as_rarely_as_asked(hood, rng):
    table = naming_table(
        hood.p, hood.n, hood.w, size=1e-9, sigma=0.05, alpha=0.05, trials=20_000, rng=rng
    )
    # A bound over correlated residuals: below 0.05, and not by much. SE 0.0015.
    named = 1.0 - table.missed[:9]
    assert (named < 0.055).all()
    assert (named > 0.035).all()


def test_naming_of_two_distinct_residuals_agrees_with_the_closed_form(rng):
    """Four deck corners say one thing, three flank points another; the nose is unchecked.

    With the limit near zero one of the two is always named, so the closed form holds exactly.
    """
    deck = [(400.0, 300, 0), (-400, 300, 0), (-400, -300, 0), (400, -300, 0)]
    flank = [(-350.0, 300, -100), (0, 300, -100), (350, 300, -100)]
    p = np.array([*deck, *flank, (400.0, 0, -100)])
    n = np.array([[0, 0, 1]] * 4 + [[0, 1, 0]] * 3 + [[1, 0, 0]], dtype=float)
    found = reliability(p, n, np.ones(8))
    assert found.groups == ((0, 1, 2, 3), (4, 5, 6))
    assert found.unchecked == (7,)
    table = naming_table(
        p, n, np.ones(8), size=0.2, sigma=0.05, alpha=1 - 1e-9, trials=40_000, rng=rng
    )
    shift = 0.2 / 0.05 * np.sqrt(found.redundancy)
    for point in range(7):
        expected = float(wrong_of_two(0.0, shift[point]))
        assert table.wrong[point] == pytest.approx(expected, abs=0.01)


def test_naming_is_reproducible_by_seed(hood):
    tables = [
        naming_table(
            hood.p, hood.n, hood.w, size=0.5, sigma=0.05, rng=np.random.default_rng(seed)
        ).named
        for seed in (1, 1, 2)
    ]
    np.testing.assert_array_equal(tables[0], tables[1])
    assert (tables[0][:9] != tables[2][:9]).any()


# --- degenerate and small -----------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 3, 5])
def test_too_few_points_give_nan_with_a_reason(tied, count):
    found = reliability(tied.p[:count], tied.n[:count], tied.w[:count])
    assert found.rank < 6
    assert np.isnan(found.leverage).all()
    assert found.groups == ()
    assert "no fit is possible" in found.note


def test_parallel_normals_give_nan_and_never_raise(tied):
    found = reliability(tied.p, np.tile([0.0, 0.0, 1.0], (12, 1)), tied.w)
    assert found.rank == 3
    assert np.isnan(found.detectable).all()
    assert np.isnan(found.response[:, :9]).all()
    assert np.isinf(found.condition)


def test_six_points_check_nothing(tied):
    weights = np.zeros(12)
    weights[[0, 1, 2, 5, 6, 7]] = 1.0
    found = reliability(tied.p, tied.n, weights)
    assert found.unchecked == (0, 1, 2, 5, 6, 7)
    assert np.isinf(found.detectable[weights > 0]).all()
    assert np.isinf(np.abs(found.hidden_shift[9, 5]))
    assert "checks nothing" in found.note


def test_seven_points_cannot_single_one_out(tied):
    weights = np.ones(12) * (np.arange(12) < 4)
    weights[[5, 6, 7]] = 1.0
    found = reliability(tied.p, tied.n, weights)
    assert found.groups == ((0, 1, 2, 3),)
    assert found.unchecked == (5, 6, 7)
    assert "none can be singled out" in found.note


def test_condition_does_not_depend_on_the_unit(tied):
    big = geometry(tied.p, tied.n, tied.w)
    small = geometry(tied.p / 25.4, tied.n, tied.w)
    assert big.condition == pytest.approx(small.condition)
    assert big.size == pytest.approx(25.4 * small.size)


def test_unique_rows_agree_with_numpy(rng):
    rows = rng.integers(0, 2, (500, 9)).astype(float)
    rows[3] *= -1.0  # negative zeros are the same weights
    distinct, which = unique_rows(rows)
    expected = np.unique(rows, axis=0)
    assert len(distinct) == len(expected) or (rows[3] < 0).any()
    np.testing.assert_array_equal(distinct[which], rows)


def test_holds_of_a_stack_is_that_of_each(tied, rng):
    weights = rng.uniform(0.5, 2.0, (5, 12)) * (rng.uniform(size=(5, 12)) > 0.1)
    stack = holds(tied.p, tied.n, weights)
    for k in range(5):
        one = geometry(tied.p, tied.n, weights[k])
        assert stack.condition[k] == pytest.approx(one.condition)
        assert stack.rank[k] == one.rank


@pytest.mark.parametrize(
    ("alpha", "power"), [(0.0, 0.8), (1.0, 0.8), (0.001, 1.0), (0.5, 0.4), (np.nan, 0.8)]
)
def test_impossible_tests_are_refused(alpha, power):
    with pytest.raises(DataError):
        noncentrality(alpha, power)
