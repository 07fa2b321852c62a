"""Indices and their intervals against published examples, scipy, and plain twins."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from spc.capability.bounds import (
    centred_interval,
    one_sided_bound,
    potential_interval,
    spread_interval,
)
from spc.capability.indices import capability
from spc.capability.point_indices import point_indices
from spc.errors import DataError

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference" / "capability_indices.json").read_text()
)


def _with_moments(mean, sd, n):
    """Readings of exactly this mean and standard deviation."""
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return mean + sd * (z - z.mean()) / z.std(ddof=1)


def test_cp_interval_of_the_textbook():
    r = REFERENCE["cp_interval"]
    c = capability(_with_moments(50.0, r["sd"], r["n"]), r["lower"], r["upper"], level=r["level"])
    found = [c.pp[0], c.pp_low[0], c.pp_high[0]]
    assert found == pytest.approx([r["cp"], r["low"], r["high"]], abs=r["tolerance"])


def test_cpk_interval_of_the_textbook():
    r = REFERENCE["cpk_interval"]
    found = centred_interval(r["cpk"], r["n"], r["n"] - 1, r["level"])
    assert found == pytest.approx((r["low"], r["high"]), abs=r["tolerance"])


def test_cpk_interval_reaches_the_result():
    r = REFERENCE["cpk_interval"]
    x = _with_moments(10.0, 1.0, r["n"])
    c = capability(x, np.nan, 10.0 + 3.0 * r["cpk"], sigma_within=1.0, within_dof=r["n"] - 1)
    assert [c.cpk_low[0], c.cpk_high[0]] == pytest.approx([r["low"], r["high"]], abs=0.0055)
    assert [c.ppk_low[0], c.ppk_high[0]] == pytest.approx([r["low"], r["high"]], abs=0.0055)


def test_cpm_and_cpkm_of_two_processes_of_equal_cpk():
    r = REFERENCE["cpm_cpkm"]
    p = point_indices(r["mean"], r["sd"], r["lower"], r["upper"], target=r["target"])
    for got, want in (
        (p.potential, "cp"),
        (p.nearer, "cpk"),
        (p.on_target, "cpm"),
        (p.nearer_on_target, "cpkm"),
    ):
        assert got == pytest.approx(r[want], abs=r["tolerance"])


def test_handbook_example():
    r = REFERENCE["handbook"]
    p = point_indices(r["mean"], r["sd"], r["lower"], r["upper"])
    found = [p.potential, p.off_centre, p.nearer, p.upper_side, p.lower_side]
    want = [r["cp"], r["k"], r["cpk"], r["cpu"], r["cpl"]]
    assert found == pytest.approx(want, abs=r["tolerance"])


@pytest.mark.parametrize(("index", "n", "low", "high"), REFERENCE["ranges"]["rows"])
def test_ranges_computed_in_the_domain_notes(index, n, low, high):
    found = centred_interval(index, n, n - 1)
    assert found == pytest.approx((low, high), abs=REFERENCE["ranges"]["tolerance"])


def test_index_needed_to_show_133_with_fifty_pieces():
    r = REFERENCE["ranges"]["to_show_133_with_50"]
    one_sided, _ = centred_interval(r["one_sided"], 50, 49, 0.90)
    two_sided, _ = centred_interval(r["two_sided"], 50, 49, 0.95)
    assert [one_sided, two_sided] == pytest.approx([1.33, 1.33], abs=0.0055)


@pytest.mark.parametrize("n", [2, 5, 18, 50, 400, 2000])
@pytest.mark.parametrize("index", [-0.5, 0.0, 0.4, 1.33, 3.0])
@pytest.mark.parametrize("level", [0.95, 0.05, 0.99])
def test_one_sided_bound_solves_the_noncentral_t(n, index, level):
    root = 3.0 * np.sqrt(n)
    bound = one_sided_bound(index, n, n - 1, level)
    within = 1e-6 if index < 2.0 else 1e-4  # beyond, scipy's own inverse is used
    assert stats.nct.cdf(root * index, n - 1, root * bound) == pytest.approx(level, abs=within)


def test_one_sided_bound_is_the_one_sided_tolerance_factor():
    # A lower bound b of the index (U - mean)/(3s) is where the tolerance factor k of coverage
    # Phi(3b) meets the limit: k = t quantile of noncentrality 3 b sqrt(n), over sqrt(n).
    b = one_sided_bound(1.5, 30, 29, 0.95)
    k = stats.nct.ppf(0.95, 29, 3.0 * b * np.sqrt(30)) / np.sqrt(30)
    assert k == pytest.approx(4.5, rel=1e-6)


@pytest.mark.parametrize("index", [1e2, 1e4, 1e8])
def test_one_sided_bound_stays_finite_where_the_spread_all_but_vanishes(index):
    want = index * np.sqrt(stats.chi2.ppf([0.05, 0.95], 49) / 49)
    found = [one_sided_bound(index, 50, 49, 0.95), one_sided_bound(index, 50, 49, 0.05)]
    assert found == pytest.approx(want, rel=1e-4)


def test_spread_and_potential_intervals_are_chi_square():
    low, high = spread_interval(2.0, 14, 0.9)
    want = 2.0 * np.sqrt(14 / stats.chi2.ppf([0.95, 0.05], 14))
    assert [low, high] == pytest.approx(want, rel=1e-12)
    low, high = potential_interval(1.5, 14, 0.9)
    assert [low, high] == pytest.approx([1.5 * 2.0 / want[1], 1.5 * 2.0 / want[0]], rel=1e-12)


def _twin(x, lower, upper, target, level):
    """The same, a point at a time, from scipy.stats and textbook formulas."""
    x = [float(v) for v in x if np.isfinite(v)]
    n, mean, s = len(x), float(np.mean(x)), float(np.std(x, ddof=1))
    a = 0.5 * (1.0 - level)
    pp = (upper - lower) / (6.0 * s)
    ppk = min(upper - mean, mean - lower) / (3.0 * s)
    half = stats.norm.isf(a) * np.sqrt(1.0 / (9 * n) + ppk**2 / (2 * (n - 1)))
    square = float(np.mean([(v - target) ** 2 for v in x]))
    biased = float(np.std(x))
    xi = (mean - target) / biased
    dof = n * (1 + xi**2) ** 2 / (1 + 2 * xi**2)
    cpm = (upper - lower) / (6.0 * np.sqrt(square))
    return {
        "mean": mean,
        "sd_overall": s,
        "pp": pp,
        "pp_low": pp * np.sqrt(stats.chi2.ppf(a, n - 1) / (n - 1)),
        "pp_high": pp * np.sqrt(stats.chi2.isf(a, n - 1) / (n - 1)),
        "ppk": ppk,
        "ppk_low": ppk - half,
        "ppk_high": ppk + half,
        "cpm": cpm,
        "cpm_low": cpm * np.sqrt(stats.chi2.ppf(a, dof) / dof),
        "cpm_high": cpm * np.sqrt(stats.chi2.isf(a, dof) / dof),
        "smallest": min(x),
        "largest": max(x),
    }


def test_two_thousand_pieces_with_gaps_agree_with_a_plain_twin():
    rng = np.random.default_rng(20)
    x = rng.normal(rng.normal(0.0, 0.2, 12), rng.uniform(0.1, 0.4, 12), (2000, 12))
    x[rng.random(x.shape) < 0.1] = np.nan
    x[30:, 0] = np.nan
    upper = rng.uniform(0.8, 1.5, 12)
    c = capability(x, -1.0, upper, level=0.9)
    for j in range(12):
        twin = _twin(x[:, j], -1.0, upper[j], 0.5 * (upper[j] - 1.0), 0.9)
        got = {name: getattr(c, name)[j] for name in twin}
        assert got == pytest.approx(twin, rel=1e-9)


def test_one_limit_gives_that_side_and_says_so():
    x = _with_moments(0.2, 0.1, 40)
    c = capability(np.column_stack([x, x]), [np.nan, -0.1], [0.5, np.inf])
    assert c.ppk == pytest.approx([1.0, 1.0])
    assert np.isnan([c.pp, c.cpm, c.off_centre]).all()
    assert np.isnan([c.ppl[0], c.ppu[1]]).all()
    assert all("One limit" in note for note in c.note)


def test_no_tolerance_gives_spread_only_and_says_so():
    c = capability(_with_moments(0.0, 0.1, 40), np.nan, np.nan)
    assert c.sd_overall[0] == pytest.approx(0.1)
    assert np.isnan(c.ppk[0])
    assert "No tolerance" in c.note[0]


@pytest.mark.parametrize("value", [0.0, 0.1, 1234.567, -3.3e-7])
def test_readings_all_alike_have_no_index(value):
    c = capability(np.full(30, value), value - 1.0, value + 1.0, batch=["a"] * 10 + ["b"] * 20)
    assert c.sd_overall[0] == 0.0
    assert np.isnan([c.pp[0], c.ppk[0], c.cp[0], c.cpk[0], c.cpm[0], c.ppk_bound[0]]).all()
    assert "read alike" in c.note[0]


def test_a_small_spread_on_a_large_value_keeps_its_digits():
    # NIST StRD NumAcc4 in miniature: 1e7 plus tenths; the exact deviation of 0.1, 0.2, 0.3 is 0.1.
    x = 1.0e7 + np.tile([0.1, 0.2, 0.3], 10)
    want = 0.1 * np.sqrt(20 / 29)
    assert capability(x, 0.0, 2e7).sd_overall[0] == pytest.approx(want, rel=1e-7)


@pytest.mark.parametrize(
    ("n", "words"), [(0, "No piece"), (1, "One piece"), (18, "18 pieces, fewer than 25"), (25, "")]
)
def test_few_pieces_are_told(n, words):
    x = np.full((25, 1), np.nan)
    x[:n, 0] = np.arange(n)
    c = capability(x, -100.0, 100.0, sigma_within=1.0, within_dof=20)
    assert words in c.note[0]
    assert (c.note[0] == "") == (n >= 25)
    assert c.range_only[0] == (n < 25)
    assert np.isnan(c.ppk[0]) == (n < 2)


def test_no_runs_at_all():
    c = capability(np.empty((0, 3)), -1.0, 1.0)
    assert c.n.tolist() == [0, 0, 0]
    assert np.isnan(c.mean).all()


def test_short_term_spread_without_degrees_of_freedom_has_no_interval():
    c = capability(_with_moments(0.0, 0.1, 40), -1.0, 1.0, sigma_within=0.1)
    assert c.cp[0] == pytest.approx(10.0 / 3.0)
    assert np.isnan([c.cp_low[0], c.cpk_low[0], c.cpk_bound[0]]).all()
    assert "degrees of freedom" in c.note[0]


def test_refusals_name_the_value():
    x = np.zeros((5, 2))
    with pytest.raises(DataError, match=r"lower limit 2 is not below upper limit 1 at point 1"):
        capability(x, [0.0, 2.0], [1.0, 1.0])
    with pytest.raises(DataError, match=r"between 0 and 1, not 95"):
        capability(x, 0.0, 1.0, level=95.0)
    with pytest.raises(DataError, match=r"upper needs one number a point \(2\)"):
        capability(x, 0.0, [1.0, 2.0, 3.0])
    with pytest.raises(DataError, match=r"4 labels for 5 pieces"):
        capability(x, 0.0, 1.0, batch=["a"] * 4)


readings = st.lists(
    st.floats(-5.0, 5.0, allow_nan=False).map(lambda v: round(v, 3)), min_size=3, max_size=40
)


@settings(max_examples=60, deadline=None)
@given(readings, st.floats(-50.0, 50.0), st.floats(0.01, 100.0))
def test_shift_and_scale_leave_the_indices_alone(values, shift, factor):
    x = np.array(values)
    one = capability(x, -6.0, 6.0)
    two = capability(shift + factor * x, shift - 6.0 * factor, shift + 6.0 * factor)
    if np.std(x) < 1e-3:
        return
    for name in ("pp", "ppk", "ppk_low", "ppk_bound", "cpm", "cpm_high"):
        assert getattr(two, name) == pytest.approx(getattr(one, name), rel=1e-6, abs=1e-6)
    assert two.sd_overall == pytest.approx(factor * one.sd_overall, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(readings, st.randoms(use_true_random=False))
def test_order_of_pieces_is_irrelevant_and_bounds_keep_their_order(values, random):
    shuffled = list(values)
    random.shuffle(shuffled)
    one, two = capability(values, -6.0, 7.0), capability(shuffled, -6.0, 7.0)
    assert one.ppk == pytest.approx(two.ppk, rel=1e-9, nan_ok=True)
    if one.sd_overall[0] > 0.0:
        assert one.ppk_low[0] < one.ppk[0] < one.ppk_high[0]
        assert one.ppk_bound[0] < one.ppk_upper_bound[0]
        assert one.ppk[0] <= one.pp[0]
        assert one.cpm[0] <= one.pp[0] * np.sqrt(len(values) / (len(values) - 1)) * (1 + 1e-12)
