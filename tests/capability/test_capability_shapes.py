"""Shapes: densities, fits, the test of fit and the rule, against scipy and statsmodels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.diagnostic import normal_ad

from spc.capability.families import (
    FOLDED_NORMAL,
    JOHNSON_BOUNDED,
    JOHNSON_UNBOUNDED,
    LOGNORMAL,
    NORMAL,
    SHIFTED_LOGNORMAL,
    WEIBULL,
)
from spc.capability.fits import fit
from spc.capability.goodness import anderson_darling, p_values
from spc.capability.pattern_search import search
from spc.capability.shapes import (
    FAMILIES,
    family_named,
    fit_shapes,
    shape_log_above,
    shape_log_below,
    shape_quantile,
)
from spc.errors import DataError

# Family, parameters, and the same shape in scipy.stats.
PAIRS = [
    (NORMAL, [1.5, 0.4], stats.norm(1.5, 0.4)),
    (SHIFTED_LOGNORMAL, [1.0, -2.0, 0.3, 0.6], stats.lognorm(0.6, -2.0, np.exp(0.3))),
    (LOGNORMAL, [1.0, 0.0, -1.0, 0.5], stats.lognorm(0.5, 0.0, np.exp(-1.0))),
    (WEIBULL, [0.8, 1.7], stats.weibull_min(1.7, 0.0, 0.8)),
    (FOLDED_NORMAL, [0.3, 0.2], stats.foldnorm(1.5, 0.0, 0.2)),
    (FOLDED_NORMAL, [0.0, 0.2], stats.halfnorm(0.0, 0.2)),
    (JOHNSON_UNBOUNDED, [0.8, 1.4, 2.0, 0.5], stats.johnsonsu(0.8, 1.4, 2.0, 0.5)),
    (JOHNSON_BOUNDED, [0.5, 1.1, -1.0, 3.0], stats.johnsonsb(0.5, 1.1, -1.0, 3.0)),
]


@pytest.mark.parametrize(("family", "parameters", "twin"), PAIRS)
def test_families_agree_with_scipy(family, parameters, twin):
    p = np.array(parameters)[:, np.newaxis]
    scores = np.array([-3.0, -1.0, -0.2, 0.0, 0.7, 2.0, 3.0])[:, np.newaxis]
    x = family.quantile(scores, p)
    assert x[:, 0] == pytest.approx(twin.ppf(stats.norm.cdf(scores[:, 0])), rel=1e-8)
    assert family.log_density(x, p)[:, 0] == pytest.approx(twin.logpdf(x[:, 0]), rel=1e-8, abs=1e-8)
    assert np.exp(family.log_below(x, p)[:, 0]) == pytest.approx(twin.cdf(x[:, 0]), rel=1e-8)
    assert np.exp(family.log_above(x, p)[:, 0]) == pytest.approx(twin.sf(x[:, 0]), rel=1e-8)


def test_the_mirrored_lognormal_is_the_lognormal_of_the_mirrored_reading():
    x = np.linspace(-3.0, 1.9, 9)[:, np.newaxis]
    mirrored = np.array([-1.0, 2.0, 0.3, 0.6])[:, np.newaxis]
    straight = np.array([1.0, -2.0, 0.3, 0.6])[:, np.newaxis]
    family = SHIFTED_LOGNORMAL
    assert family.log_below(x, mirrored) == pytest.approx(family.log_above(-x, straight))
    assert family.log_density(x, mirrored) == pytest.approx(family.log_density(-x, straight))
    assert family.quantile(x, mirrored) == pytest.approx(-family.quantile(-x, straight))


def test_tails_keep_their_digits():
    p = np.array([[0.0], [1.0]])
    far = np.array([[40.0]])
    assert NORMAL.log_above(far, p)[0, 0] == pytest.approx(stats.norm.logsf(40.0), rel=1e-12)
    p = np.array([[1.0], [2.0]])
    assert WEIBULL.log_above(far, p)[0, 0] == pytest.approx(-1600.0)
    p = np.array([[0.5], [1.0]])
    assert FOLDED_NORMAL.log_above(far, p)[0, 0] == pytest.approx(stats.norm.logsf(39.5), rel=1e-9)


def test_beyond_the_ends_of_a_family_there_is_nothing():
    x = np.array([[-1.5], [2.5]])
    p = np.array([0.5, 1.1, -1.0, 3.0])[:, np.newaxis]
    assert np.isneginf(JOHNSON_BOUNDED.log_density(x, p)).all()
    assert JOHNSON_BOUNDED.log_below(x, p)[:, 0].tolist() == [-np.inf, 0.0]
    p = np.array([[1.0], [2.0]])
    assert WEIBULL.log_above(np.array([[-1.0]]), p)[0, 0] == 0.0
    assert FOLDED_NORMAL.log_above(np.array([[-1.0]]), p)[0, 0] == 0.0


@pytest.mark.parametrize(("family", "parameters", "twin"), PAIRS)
def test_fits_are_as_likely_as_those_of_scipy(family, parameters, twin):
    """Log likelihood of our fit against scipy's maximum, on 400 readings of the family's own."""
    x = twin.rvs(400, random_state=np.random.default_rng(3))
    own = fit(family, x[:, np.newaxis])
    ours = family.log_density(x[:, np.newaxis], own).sum()
    fixed = {"floc": 0.0} if family in (LOGNORMAL, WEIBULL, FOLDED_NORMAL) else {}
    with np.errstate(invalid="ignore"):  # scipy's search steps over the origin
        best = twin.dist.logpdf(x, *twin.dist.fit(x, **fixed)).sum()
    # Half the log of 400 is what a folded normal may lose by rule; the zero-skewness lognormal and
    # the n - 1 of the normal lose a little against the maximum.
    assert ours > best - (0.5 * np.log(400.0) if family is FOLDED_NORMAL else 0.6)
    if family is not SHIFTED_LOGNORMAL:
        assert ours < best + 0.05


@pytest.mark.parametrize(("family", "parameters", "twin"), PAIRS)
def test_fits_find_the_shape_again_in_many_readings(family, parameters, twin):
    x = twin.rvs((20_000, 2), random_state=np.random.default_rng(4))
    x[:5000, 1] = np.nan
    scores = np.array([-2.0, 0.0, 2.0])[:, np.newaxis]
    found = family.quantile(scores, fit(family, x))
    spread = twin.ppf(0.975) - twin.ppf(0.025)
    want = twin.ppf(stats.norm.cdf(scores))
    assert np.abs(found - want).max() < 0.04 * spread


def test_weibull_fit_solves_the_likelihood_equation():
    x = stats.weibull_min(0.9, 0.0, 3.0).rvs(60, random_state=np.random.default_rng(1))
    shape, _, scale = stats.weibull_min.fit(x, floc=0.0)
    assert fit(WEIBULL, x[:, np.newaxis])[:, 0] == pytest.approx([scale, shape], rel=1e-3)


def test_families_that_cannot_hold_the_readings_are_not_fitted():
    x = np.column_stack([np.linspace(-1.0, 2.0, 30), np.full(30, 0.4), np.full(30, np.nan)])
    for family in (LOGNORMAL, WEIBULL, FOLDED_NORMAL):
        assert np.isnan(fit(family, x)).all()
    for family in (NORMAL, SHIFTED_LOGNORMAL, JOHNSON_BOUNDED, JOHNSON_UNBOUNDED):
        assert np.isnan(fit(family, x)[:, 1:]).all()
        assert np.isfinite(fit(family, x)[:, 0]).all()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.floats(-20.0, 20.0), st.floats(0.01, 50.0))
def test_shift_and_scale_move_the_quantiles(seed, shift, factor):
    x = np.random.default_rng(seed).gamma(4.0, 1.0, (60, 1))
    scores = np.array([[-2.0], [0.0], [2.0]])
    for family in (NORMAL, SHIFTED_LOGNORMAL, JOHNSON_BOUNDED):
        one = family.quantile(scores, fit(family, x))
        two = family.quantile(scores, fit(family, shift + factor * x))
        assert two == pytest.approx(shift + factor * one, rel=1e-4, abs=1e-4 * factor)


def test_search_finds_the_top_of_a_crooked_hill():
    top = np.linspace(-1.0, 1.0, 5)

    def hill(a, b, at):
        return -((a - top[at]) ** 2) - 10.0 * (b - a**2) ** 2

    for start in (None, (np.zeros(5), np.zeros(5))):
        a, b = search(hill, ((-2.0, 2.0), (-2.0, 2.0)), 5, start)
        assert a == pytest.approx(top, abs=0.01)
        assert b == pytest.approx(top**2, abs=0.02)


def test_anderson_darling_and_p_of_the_normal_as_in_statsmodels():
    """p by simulation against the published approximation for the normal (Stephens 1986)."""
    rng = np.random.default_rng(7)
    x = np.column_stack([rng.normal(size=80), rng.gamma(6.0, size=80), rng.uniform(size=80)])
    statistic, p = p_values(NORMAL, x, fit(NORMAL, x), rng=rng, resamples=2000)
    for j in range(3):
        want, p_want = normal_ad(x[:, j])
        assert statistic[j] == pytest.approx(want, rel=1e-9)
        assert p[j] == pytest.approx(p_want, abs=0.02)


def test_anderson_darling_with_gaps_agrees_with_the_sum_written_out():
    rng = np.random.default_rng(9)
    x = rng.weibull(1.5, (40, 2))
    x[::3, 1] = np.nan
    p = fit(WEIBULL, x)
    found = anderson_darling(WEIBULL, x, p)
    for j in range(2):
        y = np.sort(x[~np.isnan(x[:, j]), j])
        twin, n = stats.weibull_min(p[1, j], 0.0, p[0, j]), y.size
        total = sum(
            (2 * i - 1) * (twin.logcdf(y[i - 1]) + twin.logsf(y[n - i])) for i in range(1, n + 1)
        )
        assert found[j] == pytest.approx(-n - total / n, rel=1e-9)


def test_p_values_are_fair_under_the_shape_itself():
    rng = np.random.default_rng(21)
    x = stats.lognorm(0.5).rvs((50, 300), random_state=rng)
    _, p = p_values(LOGNORMAL, x, fit(LOGNORMAL, x), rng=rng, resamples=99)
    slack = 3.0 * np.sqrt(0.1 * 0.9 / 300)
    assert abs(np.mean(p <= 0.10) - 0.10) < slack


def test_the_rule_names_the_shape_of_large_samples():
    rng = np.random.default_rng(5)
    n = 400
    x = np.column_stack(
        [
            rng.normal(0.1, 0.3, n),
            3.0 - np.exp(rng.normal(0.0, 0.6, n)),
            np.abs(rng.normal(0.0, 0.2, n)),
            0.3 * rng.weibull(3.0, n),
            rng.standard_t(3, n),
            np.concatenate([rng.normal(0.0, 0.1, n // 2), rng.normal(1.0, 0.1, n // 2)]),
        ]
    )
    form = [False, False, True, True, False, False]
    found = fit_shapes(x, rng=rng, form=form, resamples=99)
    assert found.family == (
        "normal",
        "shifted lognormal",
        "folded normal",
        "Weibull",
        "Johnson unbounded",
        "",
    )
    assert "None of the shapes tried fits" in found.note[5]
    assert found.tried[5][0].family == "normal"
    assert len(found.tried[5]) == 4
    assert found.p_value[0] >= found.alpha
    assert np.isnan(found.p_value[5])
    # Each point answers with its own family.
    above = shape_log_above(found, 0.9)
    assert above[0] == pytest.approx(stats.norm.logsf(0.9, *found.parameters[:2, 0]))
    assert above[3] == pytest.approx(-((0.9 / found.parameters[0, 3]) ** found.parameters[1, 3]))
    assert np.isnan(above[5])
    middle = shape_quantile(found, [[0.0], [3.0]])
    assert np.exp(shape_log_below(found, middle[0]))[:5] == pytest.approx(np.full(5, 0.5))
    assert (middle[1, :5] > middle[0, :5]).all()


def test_equal_seeds_give_equal_shapes():
    x = np.random.default_rng(1).gamma(3.0, size=(60, 4))
    one = fit_shapes(x, rng=np.random.default_rng(2), resamples=99)
    two = fit_shapes(x, rng=np.random.default_rng(2), resamples=99)
    assert one.family == two.family
    assert one.tried == two.tried


def test_little_data_is_told():
    x = np.full((120, 5), np.nan)
    rng = np.random.default_rng(3)
    x[:24, 0], x[:60, 1], x[:, 2] = rng.normal(size=24), rng.normal(size=60), 2.0
    x[:, 3] = np.round(rng.normal(size=120))
    found = fit_shapes(x, rng=rng, resamples=99)
    assert found.family[0] == found.family[2] == found.family[4] == ""
    assert "24 pieces, fewer than 25" in found.note[0]
    assert "nothing is said about the tails" in found.note[1]
    assert "read alike" in found.note[2]
    assert "coarse steps" in found.note[3]
    assert found.note[4].startswith("0 pieces")


def test_refusals():
    rng = np.random.default_rng(0)
    with pytest.raises(DataError, match="cannot be negative"):
        fit_shapes([[1.0], [-1.0]], rng=rng, form=True)
    with pytest.raises(DataError, match="resamples from 99, not 10"):
        fit_shapes([[1.0], [2.0]], rng=rng, resamples=10)
    with pytest.raises(DataError, match="no shape is called 'cauchy'"):
        family_named("cauchy")
    assert [family_named(f.name) for f in FAMILIES] == list(FAMILIES)
