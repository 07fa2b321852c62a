"""Shares outside and joint yield against statsmodels, scipy and seeded simulation."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from spc.capability.bounds import one_sided_bound
from spc.capability.fractions import fractions_outside
from spc.capability.joint_yield import joint_yield
from spc.capability.proportions import batched_proportion_interval, proportion_interval
from spc.capability.shapes import fit_shapes
from spc.errors import DataError


@pytest.mark.parametrize(
    ("count", "n"), [(0, 30), (1, 30), (30, 30), (7, 50), (1999, 2000), (0, 1)]
)
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_clopper_pearson_as_in_statsmodels(count, n, level):
    want = proportion_confint(count, n, alpha=1.0 - level, method="beta")
    assert proportion_interval(count, n, level) == pytest.approx(want, rel=1e-9, abs=1e-12)


def test_clopper_pearson_of_nothing_and_of_nonsense():
    assert np.isnan(proportion_interval(0, 0)).all()
    with pytest.raises(DataError, match="between 0 and the number"):
        proportion_interval(5, 4)


def test_batched_interval_by_hand():
    # 60 pieces of 6 batches worth 20: 20 * (t59 / t5)^2 pieces, counts in proportion.
    low, high = batched_proportion_interval(3, 60, 20.0, 6)
    worth = 20.0 * (stats.t.isf(0.025, 59) / stats.t.isf(0.025, 5)) ** 2
    assert low == pytest.approx(stats.beta.ppf(0.025, 0.05 * worth, 0.95 * worth + 1.0))
    assert high == pytest.approx(stats.beta.isf(0.025, 0.05 * worth + 1.0, 0.95 * worth))
    assert np.isnan(batched_proportion_interval(3, 60, 20.0, 1)).all()


def test_batched_interval_holds_where_the_plain_one_does_not():
    """8 batches of 12 with half the variance between them, a tenth of pieces outside; seeded."""
    rng = np.random.default_rng(5)
    codes = np.repeat(np.arange(8), 12)
    x = rng.normal(0.0, np.sqrt(0.5), (8, 600))[codes] + rng.normal(0.0, np.sqrt(0.5), (96, 600))
    limit = stats.norm.isf(0.1)
    shapes = fit_shapes(np.zeros((2, 600)), rng=rng)
    with_batches = fractions_outside(x, np.nan, limit, shapes, rng=rng, batch=codes)
    without = fractions_outside(x, np.nan, limit, shapes, rng=rng)

    def held(f):
        return np.mean((f.seen_low <= 0.1) & (f.seen_high >= 0.1))

    assert held(with_batches) > 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / 600)
    assert held(without) < 0.85


def _shaped(x, form=False, seed=1):
    return fit_shapes(x, rng=np.random.default_rng(seed), form=form, resamples=99)


def test_counts_limits_and_gaps():
    x = np.array([[0.0, 2.0], [1.0, np.nan], [-1.0, 0.5], [3.0, 0.5]])
    shapes = _shaped(x)
    found = fractions_outside(x, [-0.5, np.nan], [1.0, 1.0], shapes, rng=np.random.default_rng(0))
    assert found.count_below.tolist() == [1, 0]
    assert found.count_above.tolist() == [1, 1]  # a reading at the limit is inside
    assert found.seen == pytest.approx([0.5, 1.0 / 3.0])
    assert np.isnan(found.expected).all()
    assert all("No shape was named" in note for note in found.note)
    none = fractions_outside(x, np.nan, np.nan, shapes, rng=np.random.default_rng(0))
    assert np.isnan([none.seen, none.seen_low, none.expected_high]).all()
    assert all("No tolerance" in note for note in none.note)


def test_expected_share_of_a_normal_is_the_tail_of_scipy_with_an_exact_interval():
    x = np.random.default_rng(4).normal(0.0, 1.0, (120, 2))
    found = fractions_outside(x, [np.nan, -2.8], [2.5, 2.6], _shaped(x), rng=None)
    mean, sd = x.mean(axis=0), x.std(axis=0, ddof=1)
    above = stats.norm.sf([2.5, 2.6], mean, sd)
    below = stats.norm.cdf(-2.8, mean[1], sd[1])
    assert found.expected == pytest.approx([above[0], above[1] + below], rel=1e-9)
    assert found.expected_below[1] == pytest.approx(below, rel=1e-9)
    # One side: the noncentral t bounds of the index, turned into shares, are exact.
    index = (2.5 - mean[0]) / (3.0 * sd[0])
    ends = [stats.norm.sf(3.0 * one_sided_bound(index, 120, 119, p)) for p in (0.025, 0.975)]
    assert [found.expected_low[0], found.expected_high[0]] == pytest.approx(ends, rel=0.02)


def test_expected_share_of_a_normal_holds_its_level():
    rng = np.random.default_rng(6)
    x = rng.normal(0.0, 1.0, (100, 800))
    shapes = fit_shapes(x, rng=rng, resamples=99, alpha=1e-9)
    found = fractions_outside(x, -2.0, 2.5, shapes, rng=rng)
    true = stats.norm.cdf(-2.0) + stats.norm.sf(2.5)
    inside = np.mean((found.expected_low < true) & (true < found.expected_high))
    assert abs(inside - 0.95) < 3.0 * np.sqrt(0.95 * 0.05 / 800) + 0.01


def test_far_tails_are_not_rounded_to_nothing():
    x = np.random.default_rng(7).normal(0.0, 0.05, 200)
    found = fractions_outside(x, -1.0, 1.0, _shaped(x), rng=None)
    assert 0.0 < found.expected[0] < 1e-60
    assert "tail of the shape, not on pieces seen" in found.note[0]


def test_expected_share_of_another_shape():
    x = stats.lognorm(0.5).rvs(250, random_state=np.random.default_rng(8))
    shapes = _shaped(x, form=True)
    assert shapes.family == ("lognormal",)
    found = fractions_outside(x, np.nan, 3.0, shapes, rng=np.random.default_rng(1), resamples=300)
    mu, sd = np.log(x).mean(), np.log(x).std(ddof=1)
    assert found.expected[0] == pytest.approx(stats.norm.sf((np.log(3.0) - mu) / sd), rel=1e-9)
    # In logs the lognormal is normal, whose exact bounds are known.
    index = (np.log(3.0) - mu) / (3.0 * sd)
    ends = [stats.norm.sf(3.0 * one_sided_bound(index, 250, 249, p)) for p in (0.025, 0.975)]
    assert found.expected_low[0] == pytest.approx(ends[0], rel=0.25)
    assert found.expected_high[0] == pytest.approx(ends[1], rel=0.25)


def test_few_pieces_do_not_speak_for_less_than_one_among_them():
    x = np.random.default_rng(9).normal(0.0, 1.0, (60, 2))
    found = fractions_outside(x, np.nan, [4.0, 1.0], _shaped(x), rng=None)
    assert np.isnan([found.expected[0], found.expected_high[0]]).all()
    assert "60 pieces, fewer than 100" in found.note[0]
    assert found.expected[1] == pytest.approx(stats.norm.sf(1.0), abs=0.1)


def test_batches_widen_the_expected_share():
    rng = np.random.default_rng(10)
    codes = np.repeat(np.arange(6), 20)
    x = rng.normal(0.0, 0.5, 6)[codes] + rng.normal(0.0, 0.5, 120)
    shapes = fit_shapes(x, rng=rng, resamples=99, alpha=1e-9)
    alone = fractions_outside(x, np.nan, 1.6, shapes, rng=rng)
    batched = fractions_outside(x, np.nan, 1.6, shapes, rng=rng, batch=codes)
    assert batched.expected_high[0] > 1.5 * alone.expected_high[0]
    one = fractions_outside(x, np.nan, 1.6, shapes, rng=rng, batch=["a"] * 120)
    assert "All pieces from one batch" in one.note[0]


def test_joint_yield_counts_whole_pieces():
    x = np.array([[0.0, 0.0, 9.0], [2.0, 0.0, 9.0], [np.nan, 0.0, 9.0], [0.5, 0.5, 9.0]])
    found = joint_yield(x, [-1, -1, np.nan], [1, 1, np.nan], rng=np.random.default_rng(0))
    assert (found.points, found.complete, found.incomplete, found.good) == (2, 3, 1, 2)
    assert found.seen.value == pytest.approx(2.0 / 3.0)
    want = proportion_confint(2, 3, method="beta")
    assert (found.seen.interval.low, found.seen.interval.high) == pytest.approx(want)
    assert np.isnan(found.modelled.value)
    assert "3 complete pieces, fewer than the 100" in found.modelled.note


def test_joint_yield_of_the_model_is_the_multivariate_normal():
    rng = np.random.default_rng(3)
    covariance = np.array([[1.0, 0.8, 0.3], [0.8, 1.0, 0.5], [0.3, 0.5, 1.0]])
    x = rng.multivariate_normal([0.2, 0.0, -0.1], covariance, 300)
    found = joint_yield(x, [-2, np.nan, -2], [2, 1.8, np.nan], rng=rng)
    twin = stats.multivariate_normal(x.mean(axis=0), np.cov(x.T))
    want = twin.cdf([2, 1.8, np.inf], lower_limit=[-2, -np.inf, -2])
    assert found.modelled.value == pytest.approx(want, abs=4.0 * found.simulation_error + 1e-4)
    sides = stats.norm(x.mean(axis=0), x.std(axis=0, ddof=1))
    alone = sides.cdf([2, 1.8, np.inf]) - sides.cdf([-2, -np.inf, -2])
    assert found.if_independent == pytest.approx(alone.prod(), rel=1e-9)
    assert found.if_independent < found.modelled.value - 0.01
    assert found.modelled.interval.low < want < found.modelled.interval.high


def test_points_that_depend_on_each_other_exactly_count_once():
    rng = np.random.default_rng(4)
    first = rng.normal(0.0, 1.0, (200, 1))
    x = np.hstack([first, -first, first])
    found = joint_yield(x, -2.0, 2.0, rng=rng)
    one = stats.norm(first.mean(), first.std(ddof=1))
    assert found.modelled.value == pytest.approx(one.cdf(2.0) - one.cdf(-2.0), abs=0.005)
    assert found.if_independent == pytest.approx((one.cdf(2.0) - one.cdf(-2.0)) ** 3, abs=1e-3)


def test_joint_yield_over_batches():
    rng = np.random.default_rng(5)
    codes = np.repeat(np.arange(12), 10)
    x = rng.normal(0.0, 0.7, (12, 4))[codes] + rng.normal(0.0, 0.7, (120, 4))
    alone = joint_yield(x, -1.8, 1.8, rng=np.random.default_rng(1))
    batched = joint_yield(x, -1.8, 1.8, rng=np.random.default_rng(1), batch=codes)
    assert alone.modelled.value == batched.modelled.value
    for part in ("seen", "modelled"):
        one, two = getattr(alone, part).interval, getattr(batched, part).interval
        assert two.high - two.low > one.high - one.low
    few = joint_yield(x, -1.8, 1.8, rng=np.random.default_rng(1), batch=codes // 3)
    assert few.modelled.interval is None
    assert "4 batches are too few" in few.modelled.note
    unknown = joint_yield(x, -1.8, 1.8, rng=rng, batch=[None] * 20 + list(codes[20:]))
    assert (unknown.complete, unknown.incomplete) == (100, 20)


def test_a_yield_of_all_is_not_given_an_interval_that_cannot_be_simulated():
    rng = np.random.default_rng(6)
    found = joint_yield(rng.normal(0.0, 0.1, (150, 3)), -1.0, 1.0, rng=rng)
    assert found.modelled.value == 1.0
    assert found.modelled.interval is None
    assert "no interval" in found.modelled.note
    assert found.seen.interval.low == pytest.approx(0.025 ** (1.0 / 150))


def test_no_toleranced_point():
    found = joint_yield(np.zeros((5, 2)), np.nan, np.nan, rng=np.random.default_rng(0))
    assert np.isnan(found.seen.value)
    assert "no toleranced point" in found.seen.note


def test_refusals():
    x = np.zeros((5, 2))
    rng = np.random.default_rng(0)
    with pytest.raises(DataError, match="at least 1000, not 10"):
        joint_yield(x, -1.0, 1.0, rng=rng, simulated=10)
    with pytest.raises(DataError, match="2 points, but shapes of 1"):
        fractions_outside(x, -1.0, 1.0, _shaped(x[:, 0]), rng=rng)
