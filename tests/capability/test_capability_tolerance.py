"""Tolerance factors and intervals against the handbook, tables, scipy and seeded simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from spc.capability.tolerance_factors import (
    half_width,
    howe_factor,
    one_sided_factor,
    two_sided_factor,
)
from spc.capability.tolerance_intervals import (
    ordered_intervals,
    pieces_for_order_statistics,
    tolerance_intervals,
)
from spc.errors import DataError

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference" / "capability_tolerance_factors.json").read_text()
)


def test_handbook_factors():
    r = REFERENCE["handbook"]
    at = (r["n"], r["coverage"], r["level"])
    assert f"{howe_factor(*at):.6f}" == r["two_sided_howe"]
    assert f"{one_sided_factor(*at):.6f}" == r["one_sided_exact"]
    assert two_sided_factor(*at) == pytest.approx(r["two_sided_exact_recomputed"], rel=1e-9)


@pytest.mark.parametrize(("n", "factor"), REFERENCE["owen"]["rows"])
def test_one_sided_table(n, factor):
    assert f"{one_sided_factor(n, 0.95, 0.95):.3f}" == factor


@pytest.mark.parametrize("n", [2, 5, 18, 100, 2000])
@pytest.mark.parametrize(("coverage", "level"), [(0.9, 0.9), (0.9973, 0.95), (0.999999, 0.99)])
def test_one_sided_factor_is_the_noncentral_t_quantile(n, coverage, level):
    want = stats.nct.ppf(level, n - 1, stats.norm.ppf(coverage) * np.sqrt(n)) / np.sqrt(n)
    assert one_sided_factor(n, coverage, level) == pytest.approx(want, rel=1e-6)


@pytest.mark.parametrize("n", [2, 5, 18, 100, 2000])
@pytest.mark.parametrize(("coverage", "level"), [(0.9, 0.9), (0.9973, 0.95), (0.5, 0.99)])
def test_two_sided_factor_holds_its_share_by_adaptive_quadrature(n, coverage, level):
    k = float(two_sided_factor(n, coverage, level))

    def integrand(z):
        r = np.sqrt(stats.ncx2.ppf(coverage, 1, z * z / n + 1e-300))
        return 2.0 * stats.norm.pdf(z) * stats.chi2.sf((n - 1) * (r / k) ** 2, n - 1)

    held, _ = integrate.quad(integrand, 0.0, 9.0, epsabs=1e-10)
    assert held == pytest.approx(level, abs=1e-8)


@settings(max_examples=200, deadline=None)
@given(st.floats(0.0, 40.0), st.floats(0.01, 0.99999))
def test_half_width_holds_the_share(shift, coverage):
    r = float(half_width(shift, coverage))
    held = stats.norm.sf(shift - r) - stats.norm.sf(shift + r)
    assert held == pytest.approx(coverage, abs=1e-9)


@pytest.mark.parametrize(("coverage", "level", "side", "n"), REFERENCE["wilks"]["rows"])
def test_wilks_numbers(coverage, level, side, n):
    assert pieces_for_order_statistics(coverage, level, side) == n


def test_normal_intervals_hold_their_promise():
    rng = np.random.default_rng(12)
    x = rng.normal(0.0, 1.0, (15, 4000))
    both = tolerance_intervals(x, coverage=0.95, level=0.9)
    held = stats.norm.cdf(both.high) - stats.norm.cdf(both.low)
    slack = 3.0 * np.sqrt(0.9 * 0.1 / 4000)
    assert abs(np.mean(held >= 0.95) - 0.9) < slack
    upper = tolerance_intervals(x, coverage=0.95, level=0.9, side="upper")
    assert np.isneginf(upper.low).all()
    assert abs(np.mean(stats.norm.cdf(upper.high) >= 0.95) - 0.9) < slack


def test_order_statistics_hold_their_promise_for_any_shape():
    rng = np.random.default_rng(13)
    x = rng.gamma(0.7, 1.0, (120, 3000))
    found = ordered_intervals(x, coverage=0.9, level=0.9)
    cdf = stats.gamma(0.7).cdf
    held = np.mean(cdf(found.high) - cdf(found.low) >= 0.9)
    assert held == pytest.approx(found.achieved[0], abs=3.0 * np.sqrt(0.09 / 3000))
    assert found.achieved[0] >= 0.9


def test_order_statistics_agree_with_counting_by_hand():
    # 200 pieces, 95 % with 95 %: readings may be cut while Binomial(200, 0.95) allows it.
    x = np.arange(1.0, 201.0)
    x = np.append(x, np.nan)
    found = ordered_intervals(x, coverage=0.95, level=0.95)
    cut = max(m for m in range(2, 60, 2) if stats.binom.cdf(200 - m, 200, 0.95) >= 0.95)
    assert (found.low[0], found.high[0]) == (cut / 2, 201 - cut / 2)
    assert found.achieved[0] == pytest.approx(stats.binom.cdf(200 - cut, 200, 0.95))
    lower = ordered_intervals(x, coverage=0.95, level=0.95, side="lower")
    one = max(m for m in range(1, 60) if stats.binom.cdf(200 - m, 200, 0.95) >= 0.95)
    assert lower.low[0] == one
    assert np.isposinf(lower.high[0])


def test_order_statistics_refuse_too_few_pieces_in_words():
    x = np.full((100, 3), np.nan)
    x[:92, 0], x[:93, 1] = np.arange(92), np.arange(93)
    found = ordered_intervals(x, coverage=0.95, level=0.95)
    assert np.isnan([found.low[0], found.high[0], found.achieved[0], found.low[2]]).all()
    assert "92 pieces, fewer than the 93" in found.note[0]
    assert (found.low[1], found.high[1], found.note[1]) == (0.0, 92.0, "")


@pytest.mark.parametrize("side", ["both", "upper"])
def test_batches_of_one_piece_give_the_exact_interval(side):
    x = np.random.default_rng(1).normal(0.0, 1.0, (30, 4))
    exact = tolerance_intervals(x, coverage=0.99, side=side)
    pivots = tolerance_intervals(x, coverage=0.99, side=side, batch=range(30))
    assert pivots.high == pytest.approx(exact.high, rel=3e-3)


@pytest.mark.parametrize(("batches", "size", "share"), [(5, 10, 0.5), (10, 3, 0.2), (4, 6, 0.8)])
def test_intervals_over_batches_hold_near_their_promise(batches, size, share):
    """Seeded; the one-sided pivots are known to be close, the two-sided ones to err wide."""
    processes = 400
    rng = np.random.default_rng(31)
    codes = np.repeat(np.arange(batches), size)
    x = rng.normal(0.0, np.sqrt(share), (batches, processes))[codes]
    x = x + rng.normal(0.0, np.sqrt(1.0 - share), (codes.size, processes))
    slack = 3.0 * np.sqrt(0.95 * 0.05 / processes)
    both = tolerance_intervals(x, coverage=0.95, batch=codes)
    held = np.mean(stats.norm.cdf(both.high) - stats.norm.cdf(both.low) >= 0.95)
    upper = tolerance_intervals(x, coverage=0.95, side="upper", batch=codes)
    assert 0.95 - slack < held
    assert 0.95 - slack < np.mean(stats.norm.cdf(upper.high) >= 0.95)
    naive = tolerance_intervals(x, coverage=0.95, side="upper")
    if share >= 0.5:
        assert np.mean(stats.norm.cdf(naive.high) >= 0.95) < 0.9


def test_too_little_is_told():
    x = np.array([[1.0, np.nan, 2.0], [np.nan, np.nan, 3.0]])
    found = tolerance_intervals(x)
    assert np.isnan(found.low[:2]).all()
    assert np.isfinite(found.low[2])
    assert found.note[0].startswith("1 piece:")
    one = tolerance_intervals(x, batch=["a", "a"])
    assert np.isnan(one.high).all()
    assert "batches differ is not seen" in one.note[2]


def test_refusals():
    with pytest.raises(DataError, match="coverage must lie between 0 and 1, not 99"):
        tolerance_intervals([1.0, 2.0], coverage=99)
    with pytest.raises(DataError, match="side must be"):
        ordered_intervals([1.0, 2.0], side="left")
    with pytest.raises(DataError, match="needs over"):
        pieces_for_order_statistics(0.9999999, 0.95)
