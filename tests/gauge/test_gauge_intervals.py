"""Intervals on variances, their sums, differences and ratios: exact cases, a twin, coverage."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from spc.errors import DataError
from spc.gauge.anova import crossed_study, weights
from spc.gauge.history import History
from spc.gauge.intervals import anova_quantities
from spc.gauge.mls import bounds, chi_square_bounds, ratio_bounds, satterthwaite

REFERENCE = Path(__file__).parent.parent / "reference"


def studies(shape, sd, number, seed):
    """Return one long study whose points are ``number`` independent studies with known truth."""
    (p, o, s, n), rng = shape, np.random.default_rng(seed)
    hit, setup, both, operator, piece = sd
    y = (
        piece * rng.normal(size=(p, 1, 1, 1, number))
        + operator * rng.normal(size=(1, o, 1, 1, number))
        + both * rng.normal(size=(p, o, 1, 1, number))
        + setup * rng.normal(size=(p, o, s, 1, number))
        + hit * rng.normal(size=(p, o, s, n, number))
    )
    return y.reshape(-1, number), *np.indices((p, o, s, n)).reshape(4, -1)[:3]


def covered(band, truth):
    return float(np.mean((band.low <= truth) & (truth <= band.high)))


def test_one_variance_has_the_exact_interval_of_a_general_library():
    ms, dof = np.array([[2.5]]), np.array([7.0])
    low, high = bounds([1.0], ms, dof, 0.9)
    assert low[0] == pytest.approx(2.5 * 7 / stats.chi2.ppf(0.95, 7), rel=1e-12)
    assert high[0] == pytest.approx(2.5 * 7 / stats.chi2.ppf(0.05, 7), rel=1e-12)
    np.testing.assert_allclose(chi_square_bounds(ms[0], 7.0, 0.9), (low, high), rtol=1e-12)


@pytest.mark.parametrize(("dof", "low", "high"), [(2, 0.52, 6.28), (1, 0.446, 31.9)])
def test_few_operators_leave_a_wide_factor(dof, low, high):
    # Chi-square table values: square root of dof over its 97.5 % and 2.5 % points.
    got = np.sqrt(chi_square_bounds(np.array([1.0]), float(dof), 0.95))[:, 0]
    np.testing.assert_allclose(got, [low, high], rtol=0.002)


def test_ratio_of_two_variances_is_the_exact_f_interval():
    ms = np.array([[6.0], [1.5]])
    low, high = ratio_bounds(np.array([1.0, 0.0]), np.array([0.0, 1.0]), ms, [8.0, 11.0], 0.95)
    assert low[0] == pytest.approx(4.0 / stats.f.isf(0.025, 8, 11), rel=1e-9)
    assert high[0] == pytest.approx(4.0 / stats.f.ppf(0.025, 8, 11), rel=1e-9)


@given(
    st.integers(1, 40),
    st.integers(2, 200),
    st.floats(0.005, 0.2),  # beyond, F can be below 1 and there is no turn
)
@settings(deadline=None)
def test_bound_of_a_difference_is_zero_exactly_where_the_f_test_turns(over, under, tail):
    f = stats.f.isf(tail, over, under)
    low, _ = bounds([1.0, -1.0], np.array([[f], [1.0]]), [over, under], 1 - 2 * tail)
    assert low[0] == pytest.approx(0.0, abs=1e-7 * f)


def test_satterthwaite_is_welch_degrees_of_freedom():
    a, b = np.array([1.0, 2.4, 3.1, 4.9, 2.2]), np.array([0.3, 0.9, 1.1, 0.8, 0.2, 0.7, 0.4])
    ms = np.array([[a.var(ddof=1)], [b.var(ddof=1)]])
    total, dof = satterthwaite([1 / 5, 1 / 7], ms, [4, 6])
    assert dof[0] == pytest.approx(stats.ttest_ind(a, b, equal_var=False).df, rel=1e-12)
    assert total[0] == pytest.approx(a.var(ddof=1) / 5 + b.var(ddof=1) / 7)


def generalized(study, hits, draws, rng):
    """Twin: intervals by generalized pivots, each mean square over a chi-square draw."""
    dof, ms = study.used_dof[:, 0], study.used_mean_squares[:, 0]
    have = dof > 0
    chance = np.zeros((5, draws))
    chance[have] = (ms * dof)[have, None] / rng.chisquare(dof[have, None], (have.sum(), draws))
    parts = np.maximum(weights(study)[:, :, 0] @ chance, 0.0)
    gauge = np.array([1 / hits, 1, 1, 1, 0]) @ parts
    ends = lambda x: np.quantile(x, [0.025, 0.975])  # noqa: E731 - one expression, used three times
    return ends(np.sqrt(gauge)), ends(np.sqrt(gauge / (gauge + parts[4]))), ends(np.sqrt(parts[4]))


def test_twin_by_generalized_pivots_gives_nearly_the_same_intervals():
    # Weerahandi's generalized pivots, the other method that the same literature recommends.
    study = crossed_study(*studies((12, 6, 3, 2), (0.1, 0.3, 0.2, 0.3, 1), 1, 8), pool="never")
    got = anova_quantities(study)
    gauge, share, piece = generalized(study, 2, 200_000, np.random.default_rng(2))
    np.testing.assert_allclose([got.gauge.low[0], got.gauge.high[0]], gauge, rtol=0.05)
    np.testing.assert_allclose([got.of_study.low[0], got.of_study.high[0]], share, rtol=0.05)
    np.testing.assert_allclose([got.pieces.low[0], got.pieces.high[0]], piece, rtol=0.05)


@pytest.mark.parametrize("shape", [(10, 3, 2, 3), (6, 2, 2, 2), (10, 3, 3, 1), (8, 1, 3, 3)])
@pytest.mark.parametrize("sd", [(0.2, 0.3, 0.15, 0.2, 1.0), (0.1, 0.3, 0.0, 0.0, 0.5)])
def test_intervals_hold_the_truth_as_often_as_they_say(shape, sd):
    got = anova_quantities(crossed_study(*studies(shape, sd, 2000, 3), pool="never"))
    hit, setup, both, operator, piece = sd
    if shape[1] == 1:
        piece, both, operator = np.hypot(piece, both), 0.0, 0.0
    rest = setup**2 + both**2 + operator**2
    gauge = np.sqrt(hit**2 / shape[3] + rest)
    total = np.hypot(gauge, piece)
    truth = {
        "hit": hit,
        "setup": setup,
        "operator_piece": both,
        "operator": operator,
        "piece": piece,
    }
    if shape[3] == 1:
        truth["setup"] = np.hypot(hit, setup)
    # 2000 studies: the standard error of a 95 % coverage is 0.5 %.
    for name, band in got.sd.items():
        if np.isfinite(band.value).all():
            assert 0.935 <= covered(band, truth[name]) <= 0.99, name
    assert 0.935 <= covered(got.gauge, gauge) <= 0.985
    assert 0.935 <= covered(got.total, total) <= 0.985
    assert 0.935 <= covered(got.of_study, gauge / total) <= 0.985
    assert covered(got.correlation, piece**2 / total**2) == covered(got.of_study, gauge / total)
    ratio = 1.41 * piece / gauge
    assert covered(got.distinct, ratio) == pytest.approx(covered(got.of_study, gauge / total))


@pytest.mark.parametrize("both", [0.0, 0.02, 0.03])
def test_pooling_leaves_the_intervals_their_coverage(both):
    """Pooled by its own test the interaction reads zero; how large it may be is still said."""
    study = crossed_study(*studies((10, 3, 2, 3), (0.04, 0.05, both, 0.03, 0.2), 2000, 11))
    assert 0.05 < study.pooled.mean() < 0.95
    got = anova_quantities(study)
    assert (got.sd["operator_piece"].value[study.pooled] == 0).all()
    assert np.isfinite(got.sd["operator_piece"].high).all()
    # 2000 studies: the standard error of a 95 % coverage is 0.5 %.
    assert 0.935 <= covered(got.sd["operator_piece"], both) <= 0.99
    assert 0.935 <= covered(got.sd["setup"], 0.05) <= 0.97


def test_history_of_production_replaces_the_pieces_and_its_interval_covers():
    sd = (0.2, 0.3, 0.15, 0.2, 1.0)
    study = crossed_study(*studies((5, 3, 2, 3), sd, 2000, 4), pool="never")
    gauge = np.sqrt(0.04 / 3 + 0.09 + 0.0225 + 0.04)
    seen = np.hypot(gauge, 1.0) * np.sqrt(np.random.default_rng(5).chisquare(60, 2000) / 60)
    got = anova_quantities(study, history=History(sd=seen, dof=60))
    assert 0.935 <= covered(got.of_study, gauge / np.hypot(gauge, 1.0)) <= 0.985
    assert 0.935 <= covered(got.pieces, 1.0) <= 0.985
    known = anova_quantities(study, history=History(sd=1.0, with_gauge=False))
    assert 0.935 <= covered(known.of_study, gauge / np.hypot(gauge, 1.0)) <= 0.985
    assert "production" in known.notes[-1]


def test_published_percentages_and_their_count_of_categories():
    case = json.loads((REFERENCE / "gauge_msa_10x3x3.json").read_text(encoding="utf-8"))
    data, said = case["data"], case["published"]
    operator = np.unique(data["appraiser"], return_inverse=True)[1]
    study = crossed_study(data["y"], data["part"], operator, data["trial"])
    got = anova_quantities(study, tolerance=[[-2.0, 2.0]])
    assert 100 * got.of_study.value[0] == pytest.approx(said["pct_GRR"], abs=0.055)
    assert 100 * got.pieces.value[0] / got.total.value[0] == pytest.approx(
        said["pct_PV"], abs=0.055
    )
    assert got.distinct.value[0] == pytest.approx(1.41 * said["PV"] / said["GRR"], rel=1e-5)
    assert got.of_tolerance.value[0] == pytest.approx(6 * said["GRR"] / 4.0, rel=1e-5)
    one = got.of_study.at(0, n=90)
    assert one.n == 90
    assert one.value in one.interval


def test_tolerance_on_one_side_says_its_rule_and_a_mean_beyond_it_has_no_figure():
    study = crossed_study(*studies((6, 3, 2, 1), (0, 0.3, 0, 0, 1), 4, 1))
    nan = np.nan
    mean = study.mean
    limits = [[nan, mean[0] + 2.0], [mean[1] + 1, nan], [nan, nan], [mean[3] - 1, mean[3] + 3]]
    got = anova_quantities(study, tolerance=limits)
    gauge = got.gauge.value
    assert got.of_tolerance.value[0] == pytest.approx(3 * gauge[0] / 2.0)
    assert got.of_tolerance.value[3] == pytest.approx(6 * gauge[3] / 4.0)
    assert np.isnan(got.of_tolerance.value[1:3]).all()
    assert "only limit" in got.tolerance_rule[0]
    assert "beyond" in got.tolerance_rule[1]
    assert got.tolerance_rule[2] == ""
    with pytest.raises(DataError, match="not below"):
        anova_quantities(study, tolerance=[[1, 0]] * 4)


def test_no_variation_of_the_gauge_gives_words_instead_of_a_ratio():
    y, p, o, s = studies((5, 2, 2, 2), (0, 0, 0, 0, 1), 2, 1)
    y = np.round(y, 1)
    got = anova_quantities(crossed_study(y, p, o, s))
    assert got.gauge.value[0] == 0.0
    assert np.isnan(got.of_study.value).all()
    assert "more digits" in got.of_study.at(0).note


def test_one_piece_and_one_setup_have_words_where_figures_would_be_wrong():
    one = anova_quantities(crossed_study(*studies((1, 3, 3, 2), (1, 1, 1, 1, 1), 2, 1)))
    assert np.isfinite(one.gauge.high).all()
    assert np.isnan(one.of_study.value).all()
    assert "one piece" in one.of_study.at(0).note
    held = anova_quantities(crossed_study(*studies((5, 1, 1, 3), (1, 1, 1, 1, 1), 2, 1)))
    assert np.isnan(held.gauge.value).all()
    assert "re-alignment cannot be told" in held.gauge.at(1).note


@given(st.floats(1e-4, 1e4), st.floats(-1e3, 1e3))
@settings(deadline=None)
def test_scale_and_shift_carry_through(scale, shift):
    y, p, o, s = studies((5, 3, 2, 2), (0.2, 0.3, 0.1, 0.2, 1), 2, 6)
    a = anova_quantities(crossed_study(y, p, o, s))
    b = anova_quantities(crossed_study(shift + scale * y, p, o, s))
    np.testing.assert_allclose(b.gauge.high, scale * a.gauge.high, rtol=1e-5)
    np.testing.assert_allclose(b.of_study.low, a.of_study.low, rtol=1e-5)
