"""Tests of residuals: distributions against scipy and a regression library, rates by simulation."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from spc.alignment.assess import assess
from spc.alignment.fit import fit_planes
from spc.alignment.omission import leave_one_out
from spc.alignment.residuals import examine, overall_p, sidak, tau_critical
from spc.errors import DataError


def test_studentised_residuals_agree_with_a_regression_library(hood, measure, rng):
    weights = hood.w * rng.uniform(0.5, 2.0, len(hood.w))
    points = measure(hood, 5, rng, aside=0.0)
    fit = fit_planes(points, hood.p, hood.n, weights)
    found = examine(fit.deviations, hood.p, hood.n, weights, sigma=0.05)
    used = weights > 0
    x = np.sqrt(weights[used])[:, None] * np.c_[hood.n, np.cross(hood.p, hood.n)][used]
    for k in range(5):
        model = sm.OLS(np.sqrt(weights[used]) * fit.deviations[k, used], x).fit()
        influence = model.get_influence()
        # The library works on the linear problem; noise of 0.05 mm on 600 mm bends it by 1e-4.
        np.testing.assert_allclose(
            found.internal[k, used], influence.resid_studentized_internal, rtol=2e-3, atol=2e-3
        )
        np.testing.assert_allclose(
            found.external[k, used], influence.resid_studentized_external, rtol=2e-3, atol=2e-3
        )
        assert found.ssr[k] == pytest.approx(model.ssr, rel=1e-3)
    p = 2 * stats.t.sf(np.abs(found.external), 2)
    np.testing.assert_allclose(found.p_studentised, p, rtol=1e-9)
    # Five distinct residuals among nine: four deck points are one, two nose points another.
    assert (found.groups == 5).all()
    np.testing.assert_allclose(found.p_studentised_family, np.minimum(1.0, 5 * p), rtol=1e-9)


def test_p_values_agree_with_scipy(hood, measure, rng):
    fit = fit_planes(measure(hood, 50, rng), hood.p, hood.n, hood.w)
    known = examine(fit.deviations, hood.p, hood.n, hood.w, sigma=0.05)
    np.testing.assert_allclose(known.overall, fit.ssr / 0.05**2)
    np.testing.assert_allclose(known.p_overall, stats.chi2.sf(known.overall, 3), rtol=1e-9)
    np.testing.assert_allclose(
        known.p_standardised, 2 * stats.norm.sf(np.abs(known.standardised)), rtol=1e-9
    )
    guessed = examine(fit.deviations, hood.p, hood.n, hood.w, sigma=0.05, sigma_dof=12.0)
    np.testing.assert_allclose(guessed.p_overall, stats.f.sf(guessed.overall / 3, 3, 12), rtol=1e-9)
    np.testing.assert_allclose(
        guessed.p_standardised, 2 * stats.t.sf(np.abs(guessed.standardised), 12), rtol=1e-9
    )


def test_the_overall_limits_of_the_trade_notes(reference):
    """χ²(3): 7.81 at 5 %, 14.16 at 0.27 %."""
    known = reference("layouts")["overall_limits"]
    dof = np.array([known["dof"]])
    assert overall_p(np.array([known["p05"]]), dof)[0] == pytest.approx(0.05, abs=2e-4)
    assert overall_p(np.array([known["p0027"]]), dof)[0] == pytest.approx(0.0027, abs=1e-5)


def test_tau_by_the_beta_distribution():
    """Pope (1976): τ²/f has the beta distribution with 1/2 and (f − 1)/2."""
    for dof in (2, 3, 5, 20, 200):
        limit = tau_critical(0.0027, dof)
        assert stats.beta.sf(limit**2 / dof, 0.5, (dof - 1) / 2) == pytest.approx(0.0027, rel=1e-8)
        assert limit < np.sqrt(dof)
    assert np.isnan(tau_critical(0.05, 1))
    # With three degrees of freedom "3 s" can never happen.
    assert tau_critical(1e-12, 3) < 1.7321


@given(p=st.floats(1e-300, 1e-20), tests=st.integers(1, 50))
def test_the_family_bound_keeps_small_chances(p, tests):
    assert sidak(np.array([p]), tests)[0] == pytest.approx(tests * p, rel=1e-9)
    assert sidak(np.array([1.0]), tests)[0] == 1.0


def test_false_alarms_are_as_promised(hood, measure, rng):
    """20,000 runs with nothing wrong: SE 0.0015 at 5 %."""
    found = assess(measure(hood, 20_000, rng, aside=0.0), hood.p, hood.n, hood.w, sigma=0.05).tests
    assert (found.p_overall < 0.05).mean() == pytest.approx(0.05, abs=0.006)
    for p in (found.p_standardised, found.p_studentised):
        rates = (p[:, :9] < 0.05).mean(axis=0)
        np.testing.assert_allclose(rates, 0.05, atol=0.006)
    for p in (found.p_standardised_family, found.p_studentised_family):
        assert np.nanmin(p, axis=1).size == 20_000
        # A bound: never more than promised.
        assert (np.nanmin(p, axis=1) < 0.05).mean() < 0.05 + 0.005
    # The bound counts distinct residuals only, so it is not far below either.
    assert (np.nanmin(found.p_standardised_family, axis=1) < 0.05).mean() > 0.035


def test_sigma_with_few_degrees_of_freedom_keeps_its_promise(hood, measure, rng):
    """σ estimated anew for each run from five data: F and t, not χ² and normal."""
    points = measure(hood, 20_000, rng, aside=0.0)
    sigma = 0.05 * np.sqrt(rng.chisquare(5, 20_000) / 5)
    fit = fit_planes(points, hood.p, hood.n, hood.w)
    found = examine(fit.deviations, hood.p, hood.n, hood.w, sigma=sigma, sigma_dof=5)
    assert (found.p_overall < 0.05).mean() == pytest.approx(0.05, abs=0.006)
    rates = (found.p_standardised[:, :9] < 0.05).mean(axis=0)
    np.testing.assert_allclose(rates, 0.05, atol=0.006)


def test_internal_residuals_never_exceed_the_root_of_the_degrees_of_freedom(hood, measure, rng):
    points = measure(hood, 500, rng, posed=False)
    points[:, 5] += 30.0 * hood.n[5]
    found = assess(points, hood.p, hood.n, hood.w).tests
    assert np.nanmax(np.abs(found.internal)) <= np.sqrt(3.0)
    assert (found.worst == 5).all()
    assert np.isnan(found.standardised).all()
    assert np.isnan(found.p_overall).all()


def test_a_bad_point_is_named_with_those_that_it_cannot_be_told_from(tied, measure, rng):
    off = np.zeros(12)
    off[7] = 1.0
    found = assess(measure(tied, 20, rng, off=off), tied.p, tied.n, tied.w, sigma=0.05).tests
    assert (found.worst == 5).all()
    assert (found.suspects == np.isin(np.arange(12), [5, 6, 7, 8])).all()
    assert (found.groups == 4).all()
    assert (found.label[:, [5, 6, 7, 8]] == 5).all()
    assert (found.p_overall < 1e-6).all()


def test_missing_points_are_tested_as_if_never_planned(tied, measure, rng):
    points = measure(tied, 30, rng)
    points[::3, 4] = np.nan
    points[1::3, 6] = np.nan
    found = assess(points, tied.p, tied.n, tied.w, sigma=0.05).tests
    for start, gone in ((0, 4), (1, 6)):
        keep = np.setdiff1d(np.arange(12), [gone])
        alone = assess(
            points[start::3][:, keep], tied.p[keep], tied.n[keep], tied.w[keep], sigma=0.05
        ).tests
        for name in ("leverage", "standardised", "p_standardised_family", "internal"):
            whole = getattr(found, name)[start::3]
            np.testing.assert_allclose(whole[:, keep], getattr(alone, name), atol=1e-6)
            assert np.isnan(whole[:, gone]).all()
        np.testing.assert_allclose(found.p_overall[start::3], alone.p_overall, rtol=1e-6)
    assert found.dof[:3].tolist() == [2, 2, 3]
    # Without a side point the other side point and both end points are unchecked.
    assert (found.label[1::3][:, [5, 7, 8]] == -1).all()
    assert np.isnan(found.standardised[1::3][:, [5, 7, 8]]).all()


def test_runs_without_a_fit_are_nan_and_spoil_nothing(tied, measure, rng):
    points = measure(tied, 3, rng)
    points[1, 5:9] = np.nan
    found = assess(points, tied.p, tied.n, tied.w, sigma=0.05).tests
    assert np.isnan(found.leverage[1]).all()
    assert np.isnan(found.p_overall[1])
    assert found.worst[1] == -1
    assert not found.suspects[1].any()
    assert not np.isnan(found.p_overall[[0, 2]]).any()


def test_perfect_points_have_no_studentised_residuals(tied):
    found = assess(tied.p[None], tied.p, tied.n, tied.w, sigma=0.05).tests
    assert found.p_overall[0] == pytest.approx(1.0)
    assert not np.isnan(found.standardised[0, :9]).any()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (dict(sigma=0.0), "sigma is 0 mm"),
        (dict(sigma=[0.1, -0.2]), "sigma is -0.2 mm"),
        (dict(sigma=[0.1, 0.2, 0.3]), r"\(2,\), not \(3,\)"),
        (dict(sigma=0.1, sigma_dof=0.0), "sigma_dof is 0"),
        (dict(near=1.5), "near is 1.5"),
    ],
)
def test_what_cannot_be_used_is_refused(tied, options, message):
    with pytest.raises(DataError, match=message):
        examine(np.zeros((2, 12)), tied.p, tied.n, tied.w, **options)


# --- leaving points out -------------------------------------------------------------------------


def test_leave_one_out_is_each_fit_without_that_point(hood, measure, rng):
    points = measure(hood, 6, rng)
    points[2, 3] = np.nan
    found = leave_one_out(points, hood.p, hood.n, hood.w)
    assert found.omitted.tolist() == list(range(9))
    for at, gone in enumerate(found.omitted):
        weights = hood.w * (np.arange(13) != gone)
        alone = fit_planes(points, hood.p, hood.n, weights)
        rows = found.applies[:, at]
        assert rows.tolist() == (~np.isnan(points[:, gone, 0])).tolist()
        np.testing.assert_allclose(
            found.deviations[rows, at], alone.deviations[rows], rtol=0, atol=1e-9
        )
        np.testing.assert_allclose(found.ssr[rows, at], alone.ssr[rows], rtol=1e-9, atol=1e-18)
        np.testing.assert_allclose(found.sigma[rows, at], alone.sigma[rows], rtol=1e-9)
        assert np.isnan(found.ssr[~rows, at]).all()


def test_leave_one_out_agrees_with_the_linear_formula(hood, measure, rng):
    """SSR falls by w v² / r, and the omitted point then deviates by v / r."""
    weights = hood.w * rng.uniform(0.5, 2.0, len(hood.w))
    points = measure(hood, 20, rng, aside=0.0)
    full = assess(points, hood.p, hood.n, weights, sigma=0.05)
    found = leave_one_out(points, hood.p, hood.n, weights)
    v, r = full.fit.deviations[:, :9], full.tests.redundancy[:, :9]
    expected = full.fit.ssr[:, None] - weights[:9] * v**2 / r
    np.testing.assert_allclose(found.ssr, expected, rtol=0, atol=2e-3 * full.fit.ssr.max())
    own = found.deviations[:, np.arange(9), np.arange(9)]
    np.testing.assert_allclose(own, v / r, rtol=0, atol=2e-3)


def test_dropping_one_nose_point_leaves_the_other_unchecked(hood, measure, rng):
    """The trade notes: rank 6 stays, but the other nose point's residual is then always zero."""
    found = leave_one_out(measure(hood, 2, rng), hood.p, hood.n, hood.w)
    assert (found.rank == 6).all()
    assert found.unchecked[0, 7].nonzero()[0].tolist() == [8]
    assert found.unchecked[0, 8].nonzero()[0].tolist() == [7]
    assert np.abs(found.deviations[:, 7, 8]).max() < 1e-9


def test_a_point_that_holds_a_motion_alone_cannot_be_left_out(tied, measure, rng):
    weights = tied.w * (np.arange(12) != 8)
    found = leave_one_out(measure(tied, 2, rng), tied.p, tied.n, weights)
    at = found.omitted.tolist().index(7)
    assert (found.rank[:, at] == 5).all()
    assert np.isnan(found.ssr[:, at]).all()
    assert (found.worst[:, at] == -1).all()
