"""Bias, linearity, check standards, type-1 and bridging studies against handbook and library."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from spc.errors import DataError
from spc.gauge.bias import bias, linearity
from spc.gauge.bridging import bridging_study
from spc.gauge.effects import order_effect, sequential_effects
from spc.gauge.stability import check_standard
from spc.gauge.type1 import noncentrality, type1_study

REFERENCE = Path(__file__).parent.parent / "reference"


def reference(name):
    return json.loads((REFERENCE / f"gauge_{name}.json").read_text(encoding="utf-8"))


def test_bias_between_two_configurations_of_a_gauge():
    # Engineering statistics handbook 2.5.3.3.3; its t divides by √(n-1), ours by √n.
    case = reference("paired_bias")
    data, said = case["data"], case["published"]
    got = bias(np.column_stack([data["diff_run1"], data["diff_run2"]]))
    np.testing.assert_allclose(got.bias.value, [said["mean_run1"], said["mean_run2"]], atol=5.5e-7)
    np.testing.assert_allclose(got.sd, [said["sd_run1"], said["sd_run2"]], atol=5.5e-7)
    want = np.array([said["t_run1"], said["t_run2"]]) * np.sqrt(29 / 28)
    np.testing.assert_allclose(got.t, want, rtol=1e-5)
    assert stats.t.ppf(0.975, got.dof[0]) == pytest.approx(said["t_crit"], abs=5.5e-4)


def test_paired_t_of_two_wirings():
    case = reference("paired_t")
    data, said = {k: np.array(v) for k, v in case["data"].items()}, case["published"]
    before = np.column_stack([data["A_run1"], data["A_run2"]])
    after = np.column_stack([data["B_run1"], data["B_run2"]])
    got = bias(before - after)
    np.testing.assert_allclose(got.bias.value, [said["mean_pre"], said["mean_post"]], atol=5.5e-5)
    np.testing.assert_allclose(got.sd, [said["sd_pre"], said["sd_post"]], atol=5.5e-5)
    np.testing.assert_allclose(got.t, [said["t_pre"], said["t_post"]], atol=5.5e-3)
    bridge = bridging_study(before, after)
    np.testing.assert_allclose(bridge.offset.value, -got.bias.value, rtol=1e-9)
    np.testing.assert_allclose(bridge.offset_p, stats.ttest_rel(after, before).pvalue, rtol=1e-9)


def test_probes_against_their_mean():
    # Handbook 2.5.3.1.2: standard deviation over five probes for each wafer.
    case = reference("probe_sd")
    table = np.column_stack([case["data"][k] for k in ("w138", "w139", "w140", "w141", "w142")])
    np.testing.assert_allclose(bias(table).sd, case["published"]["sd"], atol=5.5e-6)


def test_bias_is_the_one_sample_t_of_a_general_library_with_missing_values():
    y = np.random.default_rng(1).normal(0.3, 1.0, (12, 3))
    y[2:5, 1] = np.nan
    y[1:, 2] = np.nan
    got = bias(y, 0.1)
    for k in (0, 1):
        want = stats.ttest_1samp(y[:, k], 0.1, nan_policy="omit")
        assert got.p[k] == pytest.approx(want.pvalue, rel=1e-10)
        ends = want.confidence_interval(0.95)
        np.testing.assert_allclose([got.bias.low[k] + 0.1, got.bias.high[k] + 0.1], ends)
    assert np.isnan(got.bias.value[2])
    assert "fewer than two" in got.bias.at(2).note


def test_uncertain_reference_widens_the_interval_as_welch_says():
    y = np.random.default_rng(1).normal(0.0, 1.0, 8)
    plain, wide = bias(y), bias(y, reference_u=0.5)
    own = y.var(ddof=1) / 8
    assert wide.dof[0] == pytest.approx((own + 0.25) ** 2 / (own**2 / 7))
    half = stats.t.ppf(0.975, wide.dof[0]) * np.sqrt(own + 0.25)
    assert wide.bias.high[0] - wide.bias.value[0] == pytest.approx(half)
    assert wide.bias.high[0] > plain.bias.high[0]


def test_equal_values_off_the_reference_are_a_sure_bias():
    got = bias(np.full((5, 1), 0.3), 0.2)
    assert got.p[0] == 0.0
    assert got.sd[0] == 0.0


def test_linearity_is_the_regression_of_a_general_library():
    rng = np.random.default_rng(3)
    x = np.repeat([2.0, 4.0, 6.0, 8.0, 10.0], 12)
    y = x[:, None] + 0.7 - 0.1 * x[:, None] + rng.normal(0, 0.2, (60, 2))
    y[5:9, 1] = np.nan
    got = linearity(y, x)
    for k in range(2):
        rows = ~np.isnan(y[:, k])
        frame = pd.DataFrame({"d": (y[:, k] - x)[rows], "x": x[rows]})
        fit = ols("d ~ x", frame).fit()
        assert got.slope.value[k] == pytest.approx(fit.params["x"])
        ends = fit.conf_int().loc["x"]
        np.testing.assert_allclose([got.slope.low[k], got.slope.high[k]], ends, rtol=1e-9)
        assert got.slope_p[k] == pytest.approx(fit.pvalues["x"], rel=1e-8)
        band = fit.get_prediction(pd.DataFrame({"x": got.at})).conf_int()
        np.testing.assert_allclose(got.line_low[:, k], band[:, 0], rtol=1e-9)
        np.testing.assert_allclose(got.line_high[:, k], band[:, 1], rtol=1e-9)
        bent = anova_lm(fit, ols("d ~ C(x)", frame).fit())
        assert got.bend_f[k] == pytest.approx(bent["F"].iloc[1], rel=1e-8)
        assert got.bend_p[k] == pytest.approx(bent["Pr(>F)"].iloc[1], rel=1e-7)
    assert got.note == ""
    assert "five or more" in linearity(y[:24], x[:24]).note


def test_linearity_without_repeats_cannot_show_a_bend():
    got = linearity(np.array([1.0, 2.1, 2.9, 4.2]), np.array([1.0, 2.0, 3.0, 4.0]))
    assert np.isnan(got.bend_f[0])
    with pytest.raises(DataError, match="2 references"):
        linearity(np.ones(4), np.ones(4))


def test_published_check_standard():
    # Engineering statistics handbook 2.6.2: limits at two standard deviations.
    case = reference("check_standard")
    data, said = case["data"], case["published"]
    got = check_standard(
        data["check_standard"],
        short_sds=data["stddev"],
        short_dofs=data["df"],
        width=2.0,
        times=np.arange(25),
    )
    assert got.short_sd[0] == pytest.approx(said["s1"], abs=5.5e-6)
    assert got.session_sd[0] == pytest.approx(said["s2"], abs=5.5e-6)
    assert got.short_dof[0] == 125
    assert got.short_upper[0, 0] == pytest.approx(said["UCL_precision"], abs=5.5e-6)
    assert got.lower[0] == pytest.approx(said["LCL"], abs=5.5e-6)
    assert got.centre[0] == pytest.approx(said["center"], abs=5.5e-6)
    assert got.upper[0] == pytest.approx(said["UCL"], abs=5.5e-6)
    line = stats.linregress(np.arange(25), data["check_standard"])
    assert got.drift.value[0] == pytest.approx(line.slope)
    assert got.drift_p[0] == pytest.approx(line.pvalue)


def test_check_standard_names_the_sessions_that_stand_out():
    rng = np.random.default_rng(2)
    values = rng.normal(5.0, 0.02, (30, 2))
    values[17, 0], values[3, 1] = 5.4, np.nan
    sds = np.full((30, 2), 0.03)
    sds[9, 1] = 0.2
    got = check_standard(values, short_sds=sds, short_dofs=np.full((30, 2), 4.0))
    assert np.flatnonzero(got.outside[:, 0]).tolist() == [17]
    assert np.flatnonzero(got.imprecise[:, 1]).tolist() == [9]
    assert not got.outside[3, 1]
    assert got.drift.note == "no times were given"
    assert "10 sessions" in check_standard(values[:10, 0]).note


def test_noncentrality_is_that_of_a_general_library():
    dof, t = np.array([9.0, 24.0, 49.0, 199.0]), np.array([4.0, 22.0, 60.0, -3.0])
    for p in (0.025, 0.975):
        got = noncentrality(t, dof, p)
        np.testing.assert_allclose(stats.nct.cdf(t, dof, got), p, atol=1e-8)


def test_type_1_indices_are_their_formulas_and_their_factors_can_be_set():
    rng = np.random.default_rng(4)
    y = rng.normal(20.01, 0.02, 50)
    s, off = y.std(ddof=1), y.mean() - 20.0
    got = type1_study(y, 20.0, 1.0, resolution=0.01)
    assert got.cg.value[0] == pytest.approx(0.2 / (6 * s))
    assert got.cgk.value[0] == pytest.approx((0.1 - abs(off)) / (3 * s))
    assert got.resolution_share[0] == pytest.approx(0.01)
    assert got.note == ""
    house = type1_study(y, 20.0, 1.0, share=0.15, spread=4)
    assert house.cg.value[0] == pytest.approx(0.15 / (4 * s))
    assert house.cgk.value[0] == pytest.approx((0.075 - abs(off)) / (2 * s))
    assert "0.15 T / (4 s)" in house.rule


@pytest.mark.parametrize("off", [0.0, 0.03])
def test_type_1_intervals_cover(off):
    y = np.random.default_rng(5).normal(off, 0.02, (25, 2000))
    got = type1_study(y, 0.0, 1.0)
    cg, cgk = 0.2 / 0.12, (0.1 - off) / 0.06
    assert np.mean((got.cg.low <= cg) & (cg <= got.cg.high)) == pytest.approx(0.95, abs=0.015)
    # Exact with a bias to one side; at no bias at all the lesser side is taken, below the truth.
    hold = np.mean((got.cgk.low <= cgk) & (cgk <= got.cgk.high))
    assert 0.93 <= hold <= 0.975


def test_type_1_without_any_scatter_has_no_index():
    got = type1_study(np.full((30, 1), 20.0), 20.0, 1.0)
    assert np.isnan(got.cg.value[0])
    assert "more digits" in got.note
    assert "10 repeats" in type1_study(np.arange(10.0), 5.0, 1.0).note


def test_paired_spreads_are_the_correlation_of_sums_and_differences():
    rng = np.random.default_rng(6)
    x = rng.normal(size=(15, 4))
    y = 0.2 + x * [1.0, 1.5, 1.0, 0.7] + 0.3 * rng.normal(size=(15, 4))
    got = bridging_study(x, y)
    for k in range(4):
        r, p = stats.pearsonr(x[:, k] + y[:, k], y[:, k] - x[:, k])
        assert got.ratio_p[k] == pytest.approx(p, rel=1e-8)
        assert np.sign(got.ratio.value[k] - 1) == np.sign(r)
        # The ends are the ratios that the same test just does not reject.
        for end in (got.ratio.low[k], got.ratio.high[k]):
            scaled = y[:, k] / end
            p = stats.pearsonr(x[:, k] + scaled, scaled - x[:, k]).pvalue
            assert p == pytest.approx(0.05, rel=1e-6)


def test_bridging_intervals_cover():
    rng = np.random.default_rng(7)
    pieces = rng.normal(0, 1.0, (12, 3000))
    before = pieces + rng.normal(0, 0.3, (12, 3000))
    after = pieces + 0.15 + rng.normal(0, 0.6, (12, 3000))
    got, ratio = bridging_study(before, after), np.sqrt(1.36 / 1.09)
    hold = np.mean((got.ratio.low <= ratio) & (ratio <= got.ratio.high))
    assert hold == pytest.approx(0.95, abs=0.012)
    hold = np.mean((got.offset.low <= 0.15) & (0.15 <= got.offset.high))
    assert hold == pytest.approx(0.95, abs=0.012)


def test_bridging_uses_pairs_only_and_says_when_a_side_stands_still():
    rng = np.random.default_rng(8)
    x, y = rng.normal(size=(12, 3)), rng.normal(size=(12, 3))
    x[:3, 0] = np.nan
    y[3:5, 0] = np.nan
    y[:, 1] = 0.5
    y[2:, 2] = np.nan
    got = bridging_study(x, y)
    assert got.n.tolist() == [7, 12, 2]
    want = bridging_study(x[5:, :1], y[5:, :1])
    assert got.ratio.high[0] == pytest.approx(want.ratio.high[0])
    assert np.isnan(got.ratio.value[1:]).all()
    assert np.isfinite(got.offset.value).all()
    assert "2 pieces" in got.note


@given(st.floats(1e-3, 1e3), st.floats(-1e3, 1e3))
@settings(max_examples=30, deadline=None)
def test_bridging_scale_and_shift(scale, shift):
    rng = np.random.default_rng(9)
    x, y = rng.normal(size=(10, 2)), rng.normal(size=(10, 2))
    a, b = bridging_study(x, y), bridging_study(shift + scale * x, shift + scale * y)
    np.testing.assert_allclose(b.offset.high, scale * a.offset.high, rtol=1e-6, atol=1e-9 * scale)
    np.testing.assert_allclose(b.ratio.low, a.ratio.low, rtol=1e-6)


def test_published_four_factor_table():
    # Engineering statistics handbook 3.5.2: machine, day, time, sample of 180 screws. The printed
    # sums of squares carry four digits.
    case = reference("machine_screw")
    data, said = case["data"], case["published"]
    got = sequential_effects(
        data["diameter"], {k: np.array(data[k]) for k in ("machine", "day", "time", "sample")}
    )
    np.testing.assert_array_equal([*got.dof, got.residual_dof], said["df"])
    np.testing.assert_allclose(got.squares[1:, 0], said["SS"][1:4], atol=5.5e-10)
    # 1.10755e-4 is printed as 1.1076e-4, half a unit and a little more.
    assert got.squares[0, 0] == pytest.approx(said["SS"][0], abs=6e-9)
    np.testing.assert_allclose(got.f[:, 0], said["F"], atol=5.5e-5)
    np.testing.assert_allclose(got.p[:, 0], said["p"], rtol=5e-4)


def test_sequential_effects_of_an_unbalanced_table_are_those_of_a_general_library():
    rng = np.random.default_rng(10)
    a, b = rng.integers(0, 3, 40), rng.integers(0, 4, 40)
    x = rng.normal(size=40)
    y = rng.normal(size=(40, 2)) + 0.5 * a[:, None] + 0.3 * x[:, None]
    got = sequential_effects(y, {"a": a, "b": b, "x": x, "again": a})
    for k in range(2):
        frame = pd.DataFrame({"y": y[:, k], "a": a, "b": b, "x": x})
        table = anova_lm(ols("y ~ C(a) + C(b) + x", frame).fit())
        np.testing.assert_allclose(got.squares[:3, k], table["sum_sq"].iloc[:3], rtol=1e-9)
        np.testing.assert_allclose(got.p[:3, k], table["PR(>F)"].iloc[:3], rtol=1e-8)
    assert got.dof[3] == 0
    assert np.isnan(got.f[3]).all()


def test_creep_over_trials_is_a_trend_inside_cells():
    rng = np.random.default_rng(11)
    cell, order = np.repeat(np.arange(10), 4), np.tile(np.arange(4.0), 10)
    y = rng.normal(size=10)[cell, None] + 0.05 * order[:, None] + rng.normal(0, 0.05, (40, 2))
    band, p = order_effect(y, cell, order)
    frame = pd.DataFrame({"y": y[:, 0], "cell": cell, "order": order})
    fit = ols("y ~ C(cell) + order", frame).fit()
    assert band.value[0] == pytest.approx(fit.params["order"])
    np.testing.assert_allclose([band.low[0], band.high[0]], fit.conf_int().loc["order"])
    assert p[0] == pytest.approx(fit.pvalues["order"], rel=1e-7)
    with pytest.raises(DataError, match="no trend"):
        order_effect(y, cell, cell.astype(float))
