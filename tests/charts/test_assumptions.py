import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter
from statsmodels.stats.diagnostic import normal_ad
from statsmodels.tsa.stattools import acf

from spc.charts.assumptions import (
    autocorrelation,
    lag_one_test,
    normality_test,
    runs_test,
    skewness_test,
)
from spc.charts.autoregression import autoregression, one_step_errors
from spc.charts.batches import effective_number
from spc.charts.limits import individuals_limits
from spc.charts.transform import (
    bend_back,
    chi_limits,
    power_limits,
    straighten,
    upper_limit_from_pooled,
    wilson_hilferty,
)
from spc.errors import DataError

RNG = np.random.default_rng(53)


def series(phi, runs, points, rng=RNG):
    noise = rng.normal(size=(runs + 200, points)) * np.sqrt(1 - phi**2)
    return lfilter([1], [1, -phi], noise, axis=0)[200:]


def test_beam_deflections(published, printed):
    # NIST/SEMATECH 1.4.2.5
    example = published("lew")
    y, said = example["data"]["y"], example["published"]
    ours = autocorrelation(y, 49)[1:, 0]
    for value, text in zip(ours, said["acf"], strict=True):
        assert value == pytest.approx(float(text), abs=printed(text))
    found = runs_test(y)
    assert found.statistic[0] == pytest.approx(float(said["runs_z"]), abs=printed(said["runs_z"]))


def test_resistor_hangs_together(published, printed):
    # NIST/SEMATECH 1.4.2.7
    example = published("resistor")
    y, said = example["data"]["resistance_ohm"], example["published"]
    assert lag_one_test(y).value[0] == pytest.approx(float(said["lag1"]), abs=printed(said["lag1"]))
    found = runs_test(y)
    assert found.statistic[0] == pytest.approx(float(said["runs_z"]), abs=printed(said["runs_z"]))
    assert found.p[0] < 1e-100


def test_series_g(published, printed):
    # NIST/SEMATECH 6.4.4.10; Box & Jenkins, series G, differenced logarithms
    example = published("series_g")
    ours = autocorrelation(np.diff(np.log(example["data"]["y"])), 36)[1:, 0]
    for value, text in zip(ours, example["published"]["acf"], strict=True):
        assert value == pytest.approx(float(text), abs=printed(text))


def test_autocorrelation_against_statsmodels():
    x = series(0.4, 80, 3)
    for j in range(3):
        assert autocorrelation(x, 10)[:, j] == pytest.approx(acf(x[:, j], nlags=10))


def test_pairs_across_gaps_and_spans_are_left_out():
    x = series(0.6, 4000, 1)
    holed = x.copy()
    holed[::5] = np.nan
    assert autocorrelation(holed, 1)[1, 0] == pytest.approx(0.6, abs=0.06)
    shuffled = x.reshape(-1, 2)[RNG.permutation(2000)].reshape(-1, 1)
    pairs = np.repeat(np.arange(2000), 2)
    assert autocorrelation(shuffled, 1, spans=pairs)[1, 0] == pytest.approx(0.6, abs=0.06)
    assert lag_one_test(shuffled, spans=pairs).n[0] == 2000


@pytest.mark.parametrize("test", [lag_one_test, runs_test, normality_test, skewness_test])
@pytest.mark.parametrize("runs", [25, 200])
def test_p_values_are_honest(test, runs):
    x = RNG.normal(size=(runs, 4000))
    x[RNG.random(x.shape) < 0.05] = np.nan
    p = test(x).p
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.015)
    assert (p < 0.2).mean() == pytest.approx(0.2, abs=0.04)


def test_anderson_darling_against_statsmodels():
    x = np.column_stack([
        RNG.normal(size=60), RNG.gamma(3, size=60), RNG.uniform(size=60),
        np.round(RNG.normal(size=60), 1), RNG.standard_t(3, size=60), RNG.lognormal(0, 2, 60),
    ])  # fmt: skip
    x[RNG.random(x.shape) < 0.1] = np.nan
    found = normality_test(x)
    for j in range(x.shape[1]):
        statistic, p = normal_ad(x[~np.isnan(x[:, j]), j])
        assert found.value[j] == pytest.approx(statistic)
        assert found.p[j] == pytest.approx(p)


def test_anderson_darling_far_out_stays_small():
    x = np.r_[np.zeros(2000), np.full(20, 1e6)]
    assert 0 <= normality_test(x).p[0] < 1e-30


def test_skewness_against_scipy():
    x = RNG.gamma(2, size=(50, 4))
    x[RNG.random(x.shape) < 0.1] = np.nan
    found = skewness_test(x)
    for j in range(4):
        y = x[~np.isnan(x[:, j]), j]
        expected = stats.skewtest(y)
        assert found.value[j] == pytest.approx(stats.skew(y))
        assert found.statistic[j] == pytest.approx(expected.statistic)
        assert found.p[j] == pytest.approx(expected.pvalue)


@pytest.mark.parametrize("test", [lag_one_test, runs_test, normality_test, skewness_test])
def test_too_few_and_unmoved_values_are_not_tested(test):
    few = test(np.arange(6.0))
    assert np.isnan(few.p[0])
    assert "not tested below 8" in few.notes[0]
    still = test(np.full(30, 2.0))
    assert np.isnan(still.p[0])
    assert "do not vary" in still.notes[0]
    assert "not tested" in test(np.full((30, 1), np.nan)).notes[0]
    assert "not tested" in test(np.zeros((0, 1))).notes[0]


@pytest.mark.parametrize("phi", [-0.4, 0.0, 0.5, 0.8])
def test_autoregression_finds_what_was_put_in(phi):
    found = autoregression(series(phi, 60, 3000))
    assert np.mean(found.phi) == pytest.approx(phi, abs=0.03)
    held = (found.phi_low <= phi) & (found.phi_high >= phi)
    assert held.mean() > 0.9
    assert np.median(found.sigma) == pytest.approx(1.0, rel=0.06)
    worth = 60 * (1 - phi) / (1 + phi)
    rough = np.mean(["independent ones" in note for note in found.notes])
    assert (rough > 0.5) == (worth < 25)


def test_moving_ranges_are_too_small_for_values_that_hang_together():
    # moving ranges see σ √(1 − φ)
    x = series(0.5, 3000, 20)
    limits, fit = individuals_limits(x), autoregression(x)
    assert limits.sigma.mean() == pytest.approx(np.sqrt(0.5), rel=0.02)
    assert (fit.upper - fit.center).mean() / (limits.upper - limits.center).mean() == pytest.approx(
        np.sqrt(2), rel=0.03
    )
    alarms = [((x > f.upper) | (x < f.lower)).mean() for f in (limits, fit)]
    # closed forms: P(|Z| > 3 √(1 − φ)) and P(|Z| > 3)
    assert alarms[0] == pytest.approx(2 * stats.norm.sf(3 * np.sqrt(0.5)), rel=0.05)
    assert alarms[1] == pytest.approx(0.0027, rel=0.35)


def test_one_step_errors_are_white_and_standard():
    x = series(0.7, 3000, 5)
    x[RNG.random(x.shape) < 0.1] = np.nan
    spans = np.repeat(np.arange(30), 100)
    fit = autoregression(x, spans=spans)
    errors = one_step_errors(x, fit, spans=spans)
    assert np.array_equal(np.isnan(errors), np.isnan(x))
    assert np.nanstd(errors) == pytest.approx(1.0, abs=0.03)
    assert np.abs(autocorrelation(errors, 1)[1]).max() < 0.06


def test_one_step_errors_against_plain_loop():
    x = series(0.6, 60, 2)
    x[[5, 6, 20], 0] = np.nan
    fit = autoregression(x)
    errors = one_step_errors(x, fit)
    for j in range(2):
        c, phi, s = fit.center[j], fit.phi[j], fit.sigma[j]
        last = None
        for i, value in enumerate(x[:, j]):
            if np.isnan(value):
                continue
            gap = np.inf if last is None else i - last
            back = 0.0 if last is None else phi**gap * (x[last, j] - c)
            spread = s * np.sqrt(1 - (0.0 if last is None else phi ** (2 * gap)))
            assert errors[i, j] == pytest.approx((value - c - back) / spread)
            last = i


def test_an_autoregression_needs_data():
    assert "fitted from 25" in autoregression(RNG.normal(size=20)).notes[0]
    for still in (0.0, 0.3):
        assert "does not vary" in autoregression(np.full(60, still)).notes[0]
    wander = autoregression(np.cumsum(np.ones(400)) + RNG.normal(size=400))
    assert "wander" in wander.notes[0]


def test_wilson_hilferty_moments():
    # mean and spread of the cube root of a scaled chi-square, by simulation
    for df in (3, 18):
        s = np.sqrt(RNG.chisquare(df, 400_000) / df) * 2.0
        mean, sd = wilson_hilferty(2.0, df)
        assert straighten(s).mean() == pytest.approx(float(mean), rel=0.003)
        assert straighten(s).std() == pytest.approx(float(sd), rel=0.03)
    assert bend_back(straighten([0.0, 1.5])) == pytest.approx([0.0, 1.5])
    assert bend_back(-0.3) == 0


@pytest.mark.parametrize(("df", "low", "high"), [(18, 0.53, 1.52), (2, None, 2.57)])
def test_exact_limits_of_s(df, low, high):
    # limits equivalent to 3 sigma, computed elsewhere from chi-square
    lower, upper = chi_limits(1.0, df)
    assert float(upper) == pytest.approx(high, abs=0.005)
    if low:
        assert float(lower) == pytest.approx(low, abs=0.005)
    tail = stats.norm.sf(3)
    assert float(upper) == pytest.approx(np.sqrt(stats.chi2.isf(tail, df) / df))
    assert float(lower) == pytest.approx(np.sqrt(stats.chi2.ppf(tail, df) / df))


def test_limits_of_a_leaning_figure_keep_their_promise():
    s = np.sqrt(RNG.chisquare(3, (3000, 40)) / 3)
    plain, bent = individuals_limits(s), power_limits(s)
    rate = [((s > f.upper) | (s < f.lower)).mean() for f in (plain, bent)]
    assert rate[0] > 0.004
    # the exact chi-square tails beyond the two-thirds power's mean and three of its sigma
    mean, sd = (float(v) for v in wilson_hilferty(1.0, 3))
    beyond = stats.chi2.sf(3 * (mean + 3 * sd) ** 3, 3) + stats.chi2.cdf(
        3 * (mean - 3 * sd) ** 3, 3
    )
    assert beyond == pytest.approx(0.0013, abs=5e-5)
    assert rate[1] == pytest.approx(beyond, rel=0.2)
    assert (bent.lower >= 0).all()
    assert bent.center.mean() == pytest.approx(np.median(s), rel=0.02)


def test_check_standard_precision(published, printed):
    # NIST/SEMATECH 2.6.2: pooled s times the root of F(0.95; 5, 125)
    example = published("check_standard")
    s, df = np.array(example["data"]["stddev"]), np.array(example["data"]["df"])
    said = example["published"]
    pooled = np.sqrt((df * s**2).sum() / df.sum())
    assert pooled == pytest.approx(float(said["s1"]), abs=printed(said["s1"]))
    upper = float(upper_limit_from_pooled(pooled, df.sum(), 5))
    assert upper == pytest.approx(float(said["UCL_precision"]), abs=printed(said["UCL_precision"]))


def test_negative_noise_is_refused():
    with pytest.raises(DataError, match="s must be 0 or more, not -1"):
        straighten([1.0, -1.0])


def test_effective_number():
    # closed form, figures printed elsewhere: 5 × 20 and 10 × 3 at one half
    assert effective_number([5, 10], [20, 3], 0.5) == pytest.approx([9.5, 15.0], abs=0.05)
