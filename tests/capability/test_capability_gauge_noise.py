"""Measurement noise: taken out with an interval, guarded against, and what the guard costs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from spc.capability.conformity import (
    CONFORMS,
    DOES_NOT_CONFORM,
    NOT_JUDGED,
    NOT_PROVEN,
    conformity,
)
from spc.capability.decision_risks import conformance_probability, decision_risks
from spc.capability.gauge_noise import observed_index, without_gauge_noise
from spc.capability.indices import capability
from spc.capability.variance_difference import variance_difference
from spc.errors import DataError


def test_observed_index_of_the_domain_notes():
    # Computed there: true Cp 1.33, gauge 10, 20, 30, 50 % of tolerance, observed 1.32 to 1.11.
    found = observed_index(4.0 / 3.0, [0.1, 0.2, 0.3, 0.5])
    assert found == pytest.approx([1.32, 1.29, 1.24, 1.11], abs=0.005)


def test_a_known_variance_taken_off_shifts_the_chi_square_interval():
    value, low, high = variance_difference(2.0, 20, 0.5, np.inf)
    want = 2.0 * 20 / stats.chi2.ppf([0.975, 0.025], 20) - 0.5
    assert value == pytest.approx(1.5)
    assert [low, high] == pytest.approx(want, rel=1e-5)
    nothing = variance_difference(2.0, 20, 0.0, 5)
    assert [nothing[1], nothing[2]] == pytest.approx(want + 0.5, rel=1e-5)


@pytest.mark.parametrize(("n1", "n2", "ratio"), [(24, 9, 0.3), (10, 30, 0.8), (60, 18, 0.6)])
def test_difference_of_variances_holds_its_level(n1, n2, ratio):
    rng = np.random.default_rng(n1)
    s1 = rng.chisquare(n1, 20_000) / n1
    s2 = ratio * rng.chisquare(n2, 20_000) / n2
    _, low, high = variance_difference(s1, n1, s2, n2)
    true = 1.0 - ratio
    assert 0.94 < np.mean((low < true) & (true < high)) < 0.97


def test_without_noise_by_hand_and_words_where_there_is_none():
    x = np.random.default_rng(1).normal(0.0, 0.2, (60, 4))
    c = capability(x, -1.0, [1.0, 1.0, 1.0, np.nan])
    gauge = [0.1, 0.19, 0.25, np.nan]
    found = without_gauge_noise(c, gauge, 18)
    left = c.sd_overall[0] ** 2 - 0.01
    assert found.sd[0] == pytest.approx(np.sqrt(left))
    assert found.ppk[0] == pytest.approx(c.ppk[0] * c.sd_overall[0] / np.sqrt(left))
    assert found.pp[0] == pytest.approx(2.0 / (6.0 * np.sqrt(left)))
    assert found.gauge_share[0] == pytest.approx(0.01 / c.sd_overall[0] ** 2)
    assert found.ppk_low[0] < found.ppk_bound[0] < found.ppk[0] < found.ppk_high[0]
    assert found.note[0] == ""
    assert found.gauge_share[1] > 1.0
    for field in ("sd", "pp", "ppk", "ppk_low", "ppk_bound", "pp_low"):
        assert np.isnan(getattr(found, field)[1:]).all()
    assert found.sd_low[1] == 0.0
    assert "no larger than the gauge's own noise" in found.note[1]
    assert "No gauge study" in found.note[3]


def test_a_gauge_without_noise_changes_nothing():
    x = np.random.default_rng(2).normal(0.1, 0.2, (60, 3))
    c = capability(x, -1.0, [1.0, 0.7, np.nan])
    found = without_gauge_noise(c, 0.0, 10)
    assert found.ppk == pytest.approx(c.ppk, rel=1e-12)
    assert found.pp_low[:2] == pytest.approx(c.pp_low[:2], rel=1e-5)
    assert found.sd_high == pytest.approx(c.sd_overall_high, rel=1e-5)
    assert found.ppk_bound == pytest.approx(c.ppk_bound, rel=5e-3)


def test_a_spread_that_may_be_none_leaves_the_index_open_above():
    x = np.random.default_rng(3).normal(0.0, 0.2, 30)
    c = capability(x, -1.0, 1.0)
    found = without_gauge_noise(c, 0.9 * c.sd_overall, 10)
    assert found.sd_low[0] == 0.0
    assert np.isposinf([found.pp_high[0], found.ppk_high[0]]).all()
    assert found.ppk_low[0] > 0.0
    assert "no upper end" in found.note[0]


@pytest.mark.parametrize(("gauge", "dof"), [(0.3, 18.0), (0.5, np.inf), (0.7, 30.0)])
def test_index_without_noise_holds_its_level(gauge, dof):
    """Seeded, 400 studies; with 1000 a row over eight cases the interval held 94 to 97 %."""
    studies, own = 400, np.sqrt(1.0 - gauge**2)
    rng = np.random.default_rng(5)
    codes = np.repeat(np.arange(10), 5)
    x = rng.normal(0.0, 0.6 * own, (10, studies))[codes]
    x = x + rng.normal(0.0, 0.8 * own, (50, studies)) + rng.normal(0.0, gauge, (50, studies))
    known = np.isinf(dof)
    sd = np.full(studies, gauge) if known else gauge * np.sqrt(rng.chisquare(dof, studies) / dof)
    c = capability(x, np.nan, 4.0 * own, batch=codes)
    found = without_gauge_noise(c, sd, dof)
    true, slack = 4.0 / 3.0, 3.0 * np.sqrt(0.95 * 0.05 / studies)
    assert np.mean((found.ppk_low < true) & (true < found.ppk_high)) > 0.95 - slack
    assert np.mean(found.ppk_bound < true) > 0.95 - slack
    assert np.mean((found.sd_low < own) & (own < found.sd_high)) > 0.95 - slack


def test_guard_band_of_the_domain_notes():
    # Computed there: six gauge SD over T of 10, 20, 30 % give 2.7, 5.5, 8.2 % a side at 1.645 u,
    # and 3.3, 6.7, 10 % at k = 2.
    u = np.array([0.1, 0.2, 0.3]) / 6.0
    x = np.zeros((1, 3))
    found = conformity(x, -0.5, 0.5, u)
    assert 100.0 * found.guard_of_tolerance == pytest.approx([2.7, 5.5, 8.2], abs=0.05)
    found = conformity(x, -0.5, 0.5, u, factor=2.0)
    assert 100.0 * found.guard_of_tolerance == pytest.approx([3.3, 6.7, 10.0], abs=0.05)
    assert "Guard band of 2 standard uncertainties" in found.rule


def test_zones():
    x = np.array([[0.0], [0.7], [0.9], [1.1], [1.3], [-1.25], [np.nan]])
    found = conformity(x, -1.0, 1.0, 0.1, factor=2.0)
    want = [CONFORMS, CONFORMS, NOT_PROVEN, NOT_PROVEN, DOES_NOT_CONFORM, DOES_NOT_CONFORM]
    assert found.zone[:, 0].tolist() == [*want, NOT_JUDGED]
    counted = (found.conforming[0], found.not_proven[0], found.not_conforming[0])
    assert counted == (2, 2, 2)
    one = conformity(x, np.nan, 1.0, 0.1, factor=2.0)
    assert one.zone[5, 0] == CONFORMS


def test_zones_that_cannot_be_judged_say_why():
    x = np.zeros((2, 3))
    found = conformity(x, [-1.0, np.nan, -0.1], [1.0, np.nan, 0.1], [np.nan, 0.1, 0.1])
    assert found.zone[0].tolist() == [NOT_JUDGED, NOT_JUDGED, NOT_PROVEN]
    assert "Uncertainty not known" in found.note[0]
    assert "No tolerance" in found.note[1]
    assert "cannot prove conformity" in found.note[2]
    with pytest.raises(DataError, match="must not be below 0"):
        conformity(x, -1.0, 1.0, -0.1)


def _risks_by_bivariate_normal(mean, sd, low, high, u, factor):
    """False acceptance and rejection from scipy's bivariate normal of true value and reading."""
    both = stats.multivariate_normal(
        [mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]], abseps=1e-9, releps=1e-9
    )
    band = low + factor * u, high - factor * u

    def box(a, b):
        return both.cdf([b, band[1]], lower_limit=[a, band[0]])

    inside = stats.norm.cdf(high, mean, sd) - stats.norm.cdf(low, mean, sd)
    false_accept = box(-np.inf, low) + box(high, np.inf)
    return false_accept, inside - box(low, high)


@pytest.mark.parametrize(
    ("mean", "sd", "u", "factor"),
    [
        (0.0, 0.3, 0.1, 1.645),
        (0.2, 0.4, 0.2, 0.0),
        (0.9, 0.2, 0.05, 1.0),
        (0.0, 1.0, 0.4, 2.0),
        (0.5, 0.2, 0.02, 1.645),
    ],
)
def test_global_risks_are_those_of_the_bivariate_normal(mean, sd, u, factor):
    found = decision_risks(mean, sd, -1.0, 1.0, u, factor=factor)
    want = _risks_by_bivariate_normal(mean, sd, -1.0, 1.0, u, factor)
    assert [found.false_accept, found.false_reject] == pytest.approx(want, abs=2e-6)
    accepted = stats.norm(mean, np.hypot(sd, u))
    band = -1.0 + factor * u, 1.0 - factor * u
    assert found.accepted == pytest.approx(accepted.cdf(band[1]) - accepted.cdf(band[0]), abs=1e-9)


def test_risks_of_one_limit_and_of_an_empty_band():
    one = decision_risks(0.0, 1.0, np.nan, 2.0, 0.3, factor=0.0)
    both = stats.multivariate_normal([0.0, 0.0], [[1.0, 1.0], [1.0, 1.09]])
    want = stats.norm.cdf(2.0, 0.0, np.sqrt(1.09)) - both.cdf([2.0, 2.0])
    assert one.false_accept == pytest.approx(want, abs=1e-6)
    none = decision_risks(0.0, 1.0, -0.1, 0.1, 0.3)
    assert (none.accepted, none.false_accept) == (0.0, 0.0)
    assert none.false_reject == none.conforming
    assert np.isnan(none.outside_among_accepted)
    missing = decision_risks([np.nan, 0.0], 1.0, [-1.0, np.nan], [1.0, np.nan], 0.1)
    assert np.isnan(missing.false_accept).all()


@settings(max_examples=100, deadline=None)
@given(
    st.floats(-1.5, 1.5),
    st.floats(0.01, 2.0),
    st.floats(0.001, 0.5),
    st.floats(0.0, 1.9),
)
def test_a_wider_guard_lets_less_through_and_turns_more_away(mean, sd, u, factor):
    one = decision_risks(mean, sd, -1.0, 1.0, u, factor=factor)
    two = decision_risks(mean, sd, -1.0, 1.0, u, factor=factor + 0.1)
    assert two.false_accept <= one.false_accept + 1e-12
    assert two.false_reject >= one.false_reject - 1e-9
    for share in (one.conforming, one.accepted, one.false_accept, one.false_reject):
        assert -1e-12 <= share <= 1.0 + 1e-12


def test_probability_of_one_piece():
    found = conformance_probability([[0.95], [1.0], [9.0], [np.nan]], -1.0, 1.0, 0.1)
    assert found[:2, 0] == pytest.approx([stats.norm.cdf(0.5), 0.5], abs=1e-12)
    assert found[2, 0] == 0.0 or found[2, 0] < 1e-300
    assert np.isnan(found[3, 0])
    # Known pieces pull the reading back: normal prior times normal reading.
    told = conformance_probability([[1.1]], -1.0, 1.0, 0.1, process_mean=0.0, process_sd=0.2)
    centre, spread = 1.1 * 0.04 / 0.05, np.sqrt(0.04 * 0.01 / 0.05)
    assert told[0, 0] == pytest.approx(
        stats.norm.cdf(1.0, centre, spread) - stats.norm.cdf(-1.0, centre, spread)
    )
    # At the default guard band one limit is kept with 95 %.
    at_guard = conformance_probability([[1.0 - 1.645 * 0.1]], -1.0, 1.0, 0.1)
    assert at_guard[0, 0] == pytest.approx(0.95, abs=1e-4)


def test_refusals():
    c = capability(np.random.default_rng(1).normal(size=30), -5.0, 5.0)
    with pytest.raises(DataError, match="cannot be below 0"):
        without_gauge_noise(c, -0.1)
    with pytest.raises(DataError, match="gauge_sd needs one number a point"):
        without_gauge_noise(c, [0.1, 0.2])
