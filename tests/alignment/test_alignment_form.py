"""Size, twist and bow: what a plan can tell, and planted shapes found again."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spc.alignment.fit import fit_planes
from spc.alignment.form import INDEPENDENT, fit_form
from spc.alignment.formplan import form_plan, visible_share
from spc.errors import DataError

SEEDS = st.integers(0, 2**32 - 1)


def _index(plan, name):
    return [pattern.name for pattern in plan.patterns].index(name)


def _rich(rng, extra=30):
    """A box of 800 x 600 x 300 mm probed on all six faces, several points each."""
    half = np.array([400.0, 300.0, 150.0])
    axis, sign = rng.integers(0, 3, extra + 18), rng.choice([-1.0, 1.0], extra + 18)
    axis[:18], sign[:18] = np.repeat([0, 1, 2], 6), np.tile([1.0, -1.0], 9)
    p = rng.uniform(-0.9, 0.9, (extra + 18, 3)) * half
    n = np.zeros_like(p)
    rows = np.arange(len(p))
    p[rows, axis] = sign * half[axis]
    n[rows, axis] = sign
    return p, n


def test_what_nine_datum_points_can_tell(tied, reference):
    """The trade notes: scale 0.000, bow as x² 0.45, twist 1.00 of their length left."""
    known = reference("layouts")["tied"]
    p, n = tied.p[:9], tied.n[:9]
    columns = np.c_[(n * p).sum(1), n * p, n[:, 2] * p[:, 0] ** 2, n[:, 2] * p[:, 0] * p[:, 1]]
    share = visible_share(columns, p, n)
    np.testing.assert_allclose(share[:4], known["scale_share"], atol=1e-9)
    assert share[4] == pytest.approx(known["bow_share"], abs=0.005)
    assert share[5] == pytest.approx(known["twist_share"], abs=0.005)


def test_size_cannot_be_seen_without_an_opposite_face(tied):
    plan = form_plan(tied.p, tied.n, tied.w)
    size = _index(plan, "size")
    assert plan.status[size] == "hidden"
    assert plan.reasons[size] == (
        "size cannot be seen with this plan: no patch on an opposite face"
    )
    assert np.isnan(plan.sd_alone[size])
    found = fit_form(plan, np.ones((2, 12)))
    assert np.isnan(found.alone[:, size]).all()
    assert size not in plan.kept


def test_a_planted_shrink_is_invisible_to_the_fit_and_seen_with_opposite_faces(tied):
    """0.3 % shrink: nothing in nine datum points, all of it with three opposite patches."""
    shrunk = (tied.p * 0.997)[None]
    fit = fit_planes(shrunk, tied.p, tied.n, tied.w)
    assert fit.sigma[0] < 2e-3
    plan = form_plan(tied.p, tied.n)
    found = fit_form(plan, fit.deviations)
    assert found.alone[0, _index(plan, "size")] == pytest.approx(-0.3, abs=2e-3)
    sizes = [plan.kept.index(_index(plan, f"size along {axis}")) for axis in "xyz"]
    np.testing.assert_allclose(found.amplitudes[0, sizes], -0.3, atol=2e-3)


def test_bows_that_look_alike_are_told_as_a_sum(tied):
    plan = form_plan(tied.p, tied.n)
    along_x, along_y = (_index(plan, f"bow of the +z face along {axis}") for axis in "xy")
    assert plan.status[along_x] == plan.status[along_y] == "in combination"
    assert (along_x in plan.kept) != (along_y in plan.kept)
    row = next(k for k in plan.kept if k in (along_x, along_y))
    meaning = plan.meanings[plan.kept.index(row)]
    assert meaning == "bow of the +z face along x + bow of the +z face along y"
    assert meaning in plan.reasons[along_y]
    # The number is that sum, whichever of the two is there.
    d = 0.4 * plan.columns[:, along_x] + 0.3 * plan.columns[:, along_y]
    found = fit_form(plan, d[None])
    assert found.amplitudes[0, plan.kept.index(row)] == pytest.approx(0.7)


def test_three_points_on_a_face_have_no_twist(hood):
    plan = form_plan(hood.p, hood.n)
    twist = _index(plan, "twist of the +x face")
    assert plan.status[twist] == "hidden"
    assert "too few points" in plan.reasons[twist]
    bow = _index(plan, "bow of the +y face along x")
    assert plan.status[bow] == "hidden"
    assert "no point between the ends" in plan.reasons[bow]


def test_uniform_size_is_fitted_where_the_axes_cannot_be_told_apart():
    """Slanted faces square to (1, 1, 0) and its opposite see only the sum of x and y."""
    slant = np.array([1.0, 1.0, 0.0]) / np.sqrt(2.0)
    p = np.array([(350.0, 250, -90), (250, 350, 90), (-350, -250, -80), (-250, -350, 70)])
    p = np.vstack([p, [(200, -200, 100), (-150, 150, 100), (0, 0, 100), (90, 70, 100)]])
    p = np.vstack([p, [(250, -250, 0), (-250, 250, 0)]])
    across = np.array([1.0, -1.0, 0.0]) / np.sqrt(2.0)
    n = np.array([slant, slant, -slant, -slant] + [[0, 0, 1.0]] * 4 + [across, -across])
    plan = form_plan(p, n, kinds=("size",))
    assert plan.status[0] == "fitted"
    assert plan.kept == (0,)
    assert "uniform size is fitted" in plan.reasons[1]


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS)
def test_agrees_with_a_regression_library(seed):
    """Joint fit of motion and shapes as one ordinary regression."""
    rng = np.random.default_rng(seed)
    p, n = _rich(rng)
    weights = rng.uniform(0.3, 3.0, len(p))
    plan = form_plan(p, n, weights)
    d = rng.normal(0.0, 0.1, (2, len(p)))
    found = fit_form(plan, d)
    rigid = np.c_[n, np.cross(p, n)]
    x = np.c_[plan.columns[:, list(plan.kept)], rigid]
    for k in range(2):
        model = sm.WLS(d[k], x, weights=weights).fit()
        m = len(plan.kept)
        np.testing.assert_allclose(found.amplitudes[k], model.params[:m], rtol=1e-6, atol=1e-9)
        covariance = model.cov_params()[:m, :m] / model.scale
        np.testing.assert_allclose(found.cofactor[k], covariance, rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(np.sqrt(np.diag(covariance)), plan.sd_joint, rtol=1e-6)
        assert found.ssr[k] == pytest.approx(model.ssr, rel=1e-9)
        assert found.dof[k] == model.df_resid
        np.testing.assert_allclose(found.left[k], model.resid, atol=1e-9)
        alone = sm.WLS(d[k], np.c_[plan.columns[:, 0], rigid], weights=weights).fit()
        assert found.alone[k, 0] == pytest.approx(alone.params[0], rel=1e-6)
        assert found.alone_sd[k, 0] == pytest.approx(alone.bse[0] / np.sqrt(alone.scale), rel=1e-6)
        only = sm.WLS(d[k], rigid, weights=weights).fit()
        assert found.ssr_rigid[k] == pytest.approx(only.ssr, rel=1e-9)
        assert found.explained[k] == pytest.approx(1.0 - model.ssr / only.ssr, abs=1e-9)
        assert found.explained_alone[k, 0] == pytest.approx(1.0 - alone.ssr / only.ssr, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS)
def test_the_alignment_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    p, n = _rich(rng)
    plan = form_plan(p, n)
    d = rng.normal(0.0, 0.1, (1, len(p)))
    shift = np.c_[n, np.cross(p, n) / 300.0] @ rng.normal(0.0, 5.0, 6)
    one, two = fit_form(plan, d), fit_form(plan, d + shift)
    np.testing.assert_allclose(two.amplitudes, one.amplitudes, atol=1e-9)
    np.testing.assert_allclose(two.left, one.left, atol=1e-9)
    np.testing.assert_allclose(two.ssr_rigid, one.ssr_rigid, atol=1e-9)


def _smallest(shapes, motions):
    """How far the shapes are apart once the motions are out: least singular value, length 1."""
    q, _ = np.linalg.qr(motions)
    left = shapes - q @ (q.T @ shapes)
    return np.linalg.svd(left / np.linalg.norm(left, axis=0).clip(1e-9), compute_uv=False)[-1]


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, gone=st.sets(st.integers(0, 47), min_size=1, max_size=12))
@example(seed=306, gone={0, 23})
def test_missing_points_agree_with_a_regression_without_them(seed, gone):
    rng = np.random.default_rng(seed)
    p, n = _rich(rng)
    plan = form_plan(p, n)
    d = rng.normal(0.0, 0.1, (2, len(p)))
    d[0, list(gone)] = np.nan
    found = fit_form(plan, d)
    keep = np.setdiff1d(np.arange(len(p)), list(gone))
    shapes, motions = plan.columns[:, list(plan.kept)], np.c_[n, np.cross(p, n) / 300.0]
    x = np.c_[shapes, motions][keep]
    told = ~np.isnan(found.amplitudes[0])
    assert told.any()
    if _smallest(shapes[keep], motions[keep]) > INDEPENDENT:
        expected = np.linalg.lstsq(x, d[0, keep], rcond=None)[0][: len(plan.kept)]
        np.testing.assert_allclose(found.amplitudes[0, told], expected[told], rtol=1e-5, atol=1e-8)
    else:  # A regression would print huge figures of opposite sign: some get no number here.
        assert not told.all()
    whole = fit_form(plan, d[1:])
    np.testing.assert_allclose(found.amplitudes[1], whole.amplitudes[0], atol=1e-12)
    assert np.isnan(found.left[0, list(gone)]).all()


def test_a_run_without_the_opposite_patches_has_no_size(tied):
    plan = form_plan(tied.p, tied.n)
    d = 0.5 * np.tile(plan.columns[:, 0], (2, 1))
    d[0, 9] = np.nan
    found = fit_form(plan, d)
    at = {axis: plan.kept.index(_index(plan, f"size along {axis}")) for axis in "xyz"}
    assert np.isnan(found.amplitudes[0, at["y"]])
    assert found.amplitudes[0, at["x"]] == pytest.approx(0.5)
    assert found.amplitudes[0, at["z"]] == pytest.approx(0.5)
    np.testing.assert_allclose(found.amplitudes[1, [at[a] for a in "xyz"]], 0.5)


def test_a_run_with_a_corner_missing_has_no_twist(tied):
    plan = form_plan(tied.p, tied.n)
    twist = _index(plan, "twist of the +z face")
    d = np.tile(plan.columns[:, twist], (2, 1))
    d[0, [0, 4]] = np.nan
    found = fit_form(plan, d)
    assert np.isnan(found.amplitudes[0, plan.kept.index(twist)])
    assert np.isnan(found.alone[0, twist])
    assert found.alone[1, twist] == pytest.approx(1.0)


def test_a_run_with_three_points_left_on_a_face_has_no_twist_of_it():
    """The other faces hold the part, so a tilt of this one would pass for a twist."""
    p, n = _rich(np.random.default_rng(4))
    plan = form_plan(p, n, kinds=("twist",))
    twist = _index(plan, "twist of the +z face")
    on = np.flatnonzero(n[:, 2] > 0.5)
    d = np.random.default_rng(5).normal(0.0, 0.1, (2, len(p)))
    d[0, on[3:]] = np.nan
    found = fit_form(plan, d)
    at = plan.kept.index(twist)
    assert np.isnan(found.amplitudes[0, at])
    assert np.isnan(found.alone[0, twist])
    assert not np.isnan(found.amplitudes[1, at])
    assert not np.isnan(found.amplitudes[0]).all()


def test_three_points_on_a_strip_have_a_bow_and_no_twist(hood):
    """Their heights differ a little, so that no plane of sensible lean explains them."""
    p = hood.p.copy()
    p[4:7, 2] = [150.0, 120.0, 160.0]
    plan = form_plan(p, hood.n)
    assert plan.status[_index(plan, "bow of the +x face along y")] == "fitted"
    assert plan.status[_index(plan, "twist of the +x face")] == "hidden"


def test_sd_per_sigma_is_what_simulation_shows(tied, rng):
    """20,000 runs: SE of a SD 0.5 %."""
    plan = form_plan(tied.p, tied.n)
    found = fit_form(plan, rng.normal(0.0, 0.05, (20_000, 12)))
    np.testing.assert_allclose(found.amplitudes.std(axis=0) / 0.05, plan.sd_joint, rtol=0.025)
    seen = ~np.isnan(plan.sd_alone)
    np.testing.assert_allclose(
        found.alone[:, seen].std(axis=0) / 0.05, plan.sd_alone[seen], rtol=0.025
    )
    # About 0.001 σ per mm, 0.1 % per mm: the trade notes' size of it.
    assert 0.05 < plan.sd_alone[0] < 0.15


def test_squareness_is_judged_and_fitted_on_request(tied):
    plan = form_plan(tied.p, tied.n)
    square = _index(plan, "squareness of x and y")
    assert plan.status[square] == "left out"
    assert plan.visible[square] > 0.5
    asked = form_plan(tied.p, tied.n, kinds=("squareness",))
    assert square in asked.kept
    d = 2.0 * asked.columns[:, square]
    found = fit_form(asked, d[None])
    assert found.amplitudes[0, asked.kept.index(square)] == pytest.approx(2.0)


def test_degenerate_plans_tell_nothing_and_never_raise(tied):
    plan = form_plan(tied.p, np.tile([0.0, 0.0, 1.0], (12, 1)))
    assert set(plan.status) <= {"hidden", "left out"}
    assert plan.kept == ()
    assert "no shape can be told" in plan.note
    found = fit_form(plan, np.zeros((2, 12)))
    assert np.isnan(found.ssr_rigid).all()
    assert np.isnan(found.alone).all()


def test_zero_variance_explains_nothing(tied):
    found = fit_form(form_plan(tied.p, tied.n), np.zeros((1, 12)))
    assert found.ssr_rigid[0] == 0.0
    assert np.isnan(found.explained[0])
    np.testing.assert_allclose(found.amplitudes, 0.0, atol=1e-12)


def test_no_degree_of_freedom_left_is_told(hood):
    rows = [*range(9), 9]
    plan = form_plan(hood.p[rows], hood.n[rows], kinds=("size", "twist", "bow", "squareness"))
    assert plan.dof == 10 - 6 - len(plan.kept)
    assert (plan.dof <= 0) == ("nothing is left" in plan.note)
    assert plan.dof <= 0


def test_an_unknown_kind_is_refused(tied):
    with pytest.raises(DataError, match="'bulge'"):
        form_plan(tied.p, tied.n, kinds=("bulge",))
