"""Restricted maximum likelihood against a dense twin, a general library and published answers."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, special, stats

from spc.errors import DataError
from spc.gauge.anova import crossed_study
from spc.gauge.answer import crossed_factors
from spc.gauge.crossproducts import problem
from spc.gauge.likelihood import slope, value
from spc.gauge.profile import bartlett
from spc.gauge.reml import reml_study
from spc.gauge.reml_intervals import reml_quantities
from spc.gauge.separable import nested

REFERENCE = Path(__file__).parent.parent / "reference"


def reference(name):
    return json.loads((REFERENCE / f"gauge_{name}.json").read_text(encoding="utf-8"))


def unbalanced(shape, sd, points, share_lost, seed):
    (p, o, s, n), rng = shape, np.random.default_rng(seed)
    y = (
        sd[4] * rng.normal(size=(p, 1, 1, 1, points))
        + sd[3] * rng.normal(size=(1, o, 1, 1, points))
        + sd[2] * rng.normal(size=(p, o, 1, 1, points))
        + sd[1] * rng.normal(size=(p, o, s, 1, points))
        + sd[0] * rng.normal(size=(p, o, s, n, points))
    ).reshape(-1, points)
    keep = rng.random(len(y)) >= share_lost
    index = np.indices((p, o, s, n)).reshape(4, -1)[:, keep]
    return y[keep], crossed_factors(*index[:3])


def dense(variances, y, incidence):
    """Twin: -2 restricted log-likelihood from the full covariance matrix of the rows."""
    v = sum(t * z @ z.T for t, z in zip(variances, incidence, strict=True))
    x, inverse = np.ones((len(y), 1)), np.linalg.inv(v)
    xvx = x.T @ inverse @ x
    p = inverse - inverse @ x @ np.linalg.inv(xvx) @ x.T @ inverse
    information = [[np.trace(p @ a @ a.T @ p @ b @ b.T) / 2 for b in incidence] for a in incidence]
    constant = (len(y) - 1) * np.log(2 * np.pi)
    twice = np.linalg.slogdet(v)[1] + np.linalg.slogdet(xvx)[1] + y @ p @ y + constant
    return twice, np.array(information)


def incidence_of(factors, names):
    rows = len(next(iter(factors.values())))
    return [np.eye(rows) if n == "hit" else np.eye(factors[n].max() + 1)[factors[n]] for n in names]


SD = (0.2, 0.3, 0.4, 0.5, 1.0)


def test_likelihood_slope_and_information_are_those_of_the_full_matrices():
    y, factors = unbalanced((5, 3, 2, 3), SD, 2, 0.25, 4)
    y = y - y.mean(axis=0)
    study = problem(y, {k: np.asarray(v) for k, v in factors.items()}, "hit")
    incidence = incidence_of(factors, study.names)
    trials = np.array([[0.1, 0.2, 0.7, 0.3, 0.2], [0.05, 0.02, 0.3, 0.01, 0.4]])
    at = np.array([0, 1])
    got = slope(study, trials, at)
    for t, v in enumerate(trials):
        twice, information = dense(v, y[:, t], incidence)
        np.testing.assert_allclose(got.information[t], information, rtol=1e-8)
        # The kernel leaves out a constant of the layout: compare two trials of one point.
        other = dense(2 * v + 0.01, y[:, t], incidence)[0]
        here, moved = value(study, np.stack([v, 2 * v + 0.01]), np.full(2, t))
        assert here - moved == pytest.approx(-(twice - other) / 2, rel=1e-9)
        for k in range(5):
            step = np.zeros(5)
            step[k] = 1e-6
            up, down = (value(study, (v + d)[None], at[t : t + 1])[0] for d in (step, -step))
            assert got.gradient[t, k] == pytest.approx((up - down) / 2e-6, rel=1e-5, abs=1e-5)


def test_maximum_is_the_one_that_a_general_optimizer_finds_on_the_full_matrices():
    y, factors = unbalanced((5, 3, 2, 2), SD, 3, 0.2, 7)
    got = reml_study(y, factors)
    incidence = incidence_of(factors, got.terms)
    for point in range(3):
        best = optimize.minimize(
            lambda v, p=point: dense(v, y[:, p], incidence)[0],
            np.full(5, 0.3),
            method="L-BFGS-B",
            bounds=[(1e-6, None)] + [(0, None)] * 4,
            options={"ftol": 1e-13, "gtol": 1e-8},
        )
        assert got.criterion[point] == pytest.approx(best.fun, abs=1e-6)
        np.testing.assert_allclose(got.variance[:, point], best.x, rtol=2e-3, atol=2e-4)


def test_crossed_unbalanced_components_are_those_of_a_general_library():
    y, factors = unbalanced((6, 3, 2, 3), SD, 1, 0.2, 15)
    frame = pd.DataFrame({**factors, "y": y[:, 0], "all": 1})
    parts = {k: f"0 + C({k})" for k in factors}
    fit = smf.mixedlm("y ~ 1", frame, groups="all", re_formula="0", vc_formula=parts).fit()
    got = reml_study(y, factors)
    for name, want in zip(fit.model.exog_vc.names, fit.vcomp, strict=True):
        assert got.component(name)[0] == pytest.approx(want, rel=2e-3)
    assert got.component("hit")[0] == pytest.approx(fit.scale, rel=1e-3)
    assert got.criterion[0] == pytest.approx(-2 * fit.llf, abs=1e-4)
    assert got.mean[0] == pytest.approx(fit.params["Intercept"], abs=1e-4)
    assert got.mean_error[0] == pytest.approx(fit.bse["Intercept"], rel=1e-3)


def test_balanced_study_inside_its_bounds_is_the_analysis_of_variance():
    y, factors = unbalanced((8, 3, 2, 2), SD, 20, 0.0, 5)
    index = np.indices((8, 3, 2, 2)).reshape(4, -1)
    squares = crossed_study(y, *index[:3], pool="never")
    inside = ~squares.negative.any(axis=0)
    got = reml_study(y, factors)
    assert inside.sum() > 10
    np.testing.assert_allclose(got.variance[:, inside], squares.variance[:, inside], rtol=1e-5)
    np.testing.assert_allclose(got.mean, y.mean(axis=0), atol=1e-9)


def test_dyestuff():
    case = reference("dyestuff")
    batch = np.unique(case["data"]["batch"], return_inverse=True)[1]
    said, got = case["published"], reml_study(case["data"]["yield"], {"batch": batch})
    assert np.sqrt(got.component("batch")[0]) == pytest.approx(said["reml_sd_batch"], abs=0.005)
    assert np.sqrt(got.component("hit")[0]) == pytest.approx(said["reml_sd_residual"], abs=0.005)
    assert got.mean[0] == pytest.approx(said["mean"])
    assert got.mean_error[0] == pytest.approx(said["reml_se_mean"], abs=0.005)
    assert got.criterion[0] == pytest.approx(said["reml_criterion"], abs=0.05)


def test_turnip_leaves_in_plants():
    case = reference("turnip")
    plant, leaf = (np.array(case["data"][k]) for k in ("plant", "leaf"))
    got = reml_study(case["data"]["calcium_pct"], {"plant": plant, "leaf": nested(leaf, plant)})
    said = case["published"]
    assert got.component("hit")[0] == pytest.approx(said["var_determination"], abs=5.5e-5)
    assert got.component("leaf")[0] == pytest.approx(said["var_leaf"], abs=5.5e-5)
    assert got.component("plant")[0] == pytest.approx(said["var_plant"], abs=5.5e-5)


def test_a_component_at_the_boundary_is_held_and_said():
    y, factors = unbalanced((6, 3, 2, 2), (0.3, 0.3, 0.0, 0.0, 1.0), 30, 0.1, 3)
    got = reml_study(y, factors)
    operator = got.terms.index("operator")
    assert 5 < got.at_zero[operator].sum() < 30
    np.testing.assert_array_equal(got.variance[operator][got.at_zero[operator]], 0.0)
    assert any("held at zero" in note and "operator" in note for note in got.notes)
    assert got.converged.all()


def test_points_that_miss_rows_are_fitted_from_the_rows_they_have():
    y, factors = unbalanced((5, 3, 2, 2), SD, 6, 0.1, 8)
    holes = y.copy()
    holes[3:9, 1] = np.nan
    holes[::7, 4] = np.nan
    holes[1:, 5] = np.nan
    got = reml_study(holes, factors)
    for point in (1, 4):
        rows = ~np.isnan(holes[:, point])
        alone = reml_study(y[rows, point], {k: np.asarray(v)[rows] for k, v in factors.items()})
        np.testing.assert_allclose(got.variance[:, point], alone.variance[:, 0], rtol=1e-6)
        assert got.rows[point] == rows.sum()
    assert np.isnan(got.variance[:, 5]).all()
    assert any("fewer than two rows at 1 of 6" in note for note in got.notes)
    answer = reml_quantities(got)
    assert np.isnan(answer.gauge.value[5])
    assert np.isfinite(answer.gauge.high[:5]).all()


def test_equal_readings_have_no_variance_and_no_ratio():
    _, factors = unbalanced((4, 2, 2, 2), SD, 1, 0.1, 8)
    flat = np.full((len(factors["piece"]), 2), 0.1 + 0.2)
    flat[:, 1] = np.asarray(factors["piece"]) * 0.25
    got = reml_study(flat, factors)
    np.testing.assert_array_equal(got.variance[:, 0], 0.0)
    assert got.component("hit")[1] == 0.0
    assert got.component("piece")[1] == pytest.approx(np.arange(4).var(ddof=1) * 0.0625, rel=1e-3)
    answer = reml_quantities(got)
    assert np.isnan(answer.of_study.value[0])
    assert "more digits" in answer.of_study.at(0).note


def test_profile_interval_of_one_variance_is_the_likelihood_ratio_set():
    # One factor-free variance: the ratio is ν (ln x + 1/x - 1), x = true over estimated variance.
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(8), 4)
    y = rng.normal(size=(32, 1))
    y = y - np.stack([y[group == g].mean(axis=0) for g in range(8)])[group] + group[:, None] * 9.0
    answer = reml_quantities(reml_study(y, {"piece": group})).sd["hit"]
    nu = 24.0
    cut = stats.chi2.isf(0.05, 1) * nu * (np.log(nu / 2) - special.digamma(nu / 2))
    for end, bracket in ((answer.high[0], (1.0, 50.0)), (answer.low[0], (0.05, 1.0))):
        x = optimize.brentq(lambda r: nu * (np.log(r) + 1 / r - 1) - cut, *bracket)
        assert (end / answer.value[0]) ** 2 == pytest.approx(x, rel=2e-3)


def test_bartlett_factor_is_the_mean_of_the_likelihood_ratio():
    rng = np.random.default_rng(1)
    for nu in (1.0, 2.0, 6.0):
        x = rng.chisquare(nu, 200_000) / nu
        ratio = nu * (x - 1 - np.log(x))
        assert bartlett(np.array([nu]))[0] == pytest.approx(ratio.mean(), rel=0.02)


@pytest.mark.parametrize("lost", [0.0, 0.15])
def test_intervals_hold_the_truth_as_often_as_they_say(lost):
    sd = (0.2, 0.3, 0.15, 0.2, 1.0)
    y, factors = unbalanced((6, 2, 2, 2), sd, 200, lost, 2)
    got = reml_quantities(reml_study(y, factors), averaged={"hit": 2})
    gauge = np.sqrt(sd[0] ** 2 / 2 + sd[1] ** 2 + sd[2] ** 2 + sd[3] ** 2)

    def share(band, truth):
        return np.mean((band.low <= truth) & (truth <= band.high))

    # 200 studies: the standard error of a 95 % coverage is 1.5 %.
    for name, truth in zip(
        ("hit", "setup", "operator_piece", "operator", "piece"), sd, strict=True
    ):
        assert share(got.sd[name], truth) >= 0.915, name
    assert share(got.gauge, gauge) >= 0.915
    assert share(got.total, np.hypot(gauge, 1.0)) >= 0.915
    assert share(got.of_study, gauge / np.hypot(gauge, 1.0)) >= 0.915


def test_a_gauge_may_be_as_large_as_its_operators_though_they_agree_in_the_study():
    """The likelihood has two peaks there; one leaves the operators at zero and is far too short."""
    sd = (0.04, 0.05, 0.03, 0.1, 0.21)
    y, factors = unbalanced((5, 2, 2, 2), sd, 300, 0.1, 4)
    study = reml_study(y, factors)
    agree = np.flatnonzero(study.component("operator") == 0)
    assert agree.size >= 20
    part = reml_quantities(reml_study(y[:, agree], factors), averaged={"hit": 2})
    gauge = np.sqrt(sd[0] ** 2 / 2 + sd[1] ** 2 + sd[2] ** 2 + sd[3] ** 2)
    # Of all studies 95 in 100 hold the truth; of these, where it is hardest, four in five do.
    assert np.mean(gauge <= part.gauge.high) >= 0.8


@given(st.integers(0, 10_000), st.floats(1e-3, 1e3), st.floats(-100, 100))
@settings(max_examples=15, deadline=None)
def test_scale_shift_and_order_carry_through(seed, scale, shift):
    y, factors = unbalanced((4, 2, 2, 2), SD, 2, 0.1, 1)
    shuffled = np.random.default_rng(seed).permutation(len(y))
    a = reml_study(y, factors)
    b = reml_study(
        shift + scale * y[shuffled], {k: np.asarray(v)[shuffled] for k, v in factors.items()}
    )
    np.testing.assert_allclose(b.variance, scale**2 * a.variance, rtol=1e-3, atol=1e-7 * scale**2)
    np.testing.assert_allclose(b.mean, shift + scale * a.mean, rtol=1e-6, atol=1e-6 * scale)


def test_many_sources_at_once():
    rng = np.random.default_rng(6)
    piece, operator, day, probe = (f.ravel() for f in np.indices((12, 3, 4, 3)))
    keep = rng.random(piece.size) > 0.3
    piece, operator, day, probe = (f[keep] for f in (piece, operator, day, probe))
    setup = nested(np.zeros_like(day), piece, operator, day)
    truth = {"piece": 1.0, "operator": 0.4, "day": 0.5, "setup": 0.3, "hit": 0.2}
    effect = {k: v * rng.normal(size=(500, 400)) for k, v in truth.items()}
    y = effect["piece"][piece] + effect["operator"][operator] + effect["day"][day]
    y = y + effect["setup"][setup] + truth["hit"] * rng.normal(size=(piece.size, 400))
    got = reml_study(y, {"piece": piece, "operator": operator, "day": day, "setup": setup})
    # REML is unbiased where the boundary is far; 400 studies.
    for name in ("piece", "setup", "hit"):
        assert got.component(name).mean() == pytest.approx(truth[name] ** 2, rel=0.06)
    assert got.component("day").mean() == pytest.approx(0.25, rel=0.15)


def test_bad_factors_are_refused():
    y = np.zeros((6, 1))
    with pytest.raises(DataError, match="at least one factor"):
        reml_study(y, {})
    with pytest.raises(DataError, match="one code a row"):
        reml_study(y, {"piece": np.arange(5)})
    with pytest.raises(DataError, match="not given as a factor"):
        reml_study(y, {"hit": np.arange(6)})
    many, setup = np.repeat(np.arange(2001), 4), np.repeat(np.arange(4002), 2)
    with pytest.raises(DataError, match="2001 levels of piece are more than 2000"):
        reml_study(np.arange(8004.0), {"piece": many, "setup": setup})
    good = reml_study(np.arange(6.0), {"piece": [0, 0, 0, 1, 1, 1]})
    with pytest.raises(DataError, match="no source"):
        reml_quantities(good, averaged={"station": 2})
