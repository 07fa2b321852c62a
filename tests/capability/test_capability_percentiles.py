"""Percentile indices: the normal case, other shapes by scipy, and what is not said."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from spc.capability.indices import capability
from spc.capability.percentile_indices import (
    PIECES_FOR_ORDERED,
    _percentile,
    percentile_indices,
)
from spc.capability.shapes import Shapes, fit_shapes
from spc.errors import DataError


def _both(x, lower, upper, *, form=False, seed=1, alone=True, **how):
    """Name the shapes and ask for their indices; ``alone``: no other shape in the interval."""
    shapes = fit_shapes(x, rng=np.random.default_rng(seed), form=form, resamples=99)
    if alone:
        shapes = replace(shapes, rivals=((),) * len(shapes.family))
    rng = np.random.default_rng(seed)
    return percentile_indices(x, lower, upper, shapes, rng=rng, resamples=200, **how)


def test_a_normal_shape_gives_the_ordinary_indices():
    x = np.random.default_rng(2).normal(0.1, 0.2, (150, 3))
    plain = capability(x, -1.0, [1.0, 0.8, np.nan])
    found = _both(x, -1.0, [1.0, 0.8, np.nan])
    assert found.method == ("normal",) * 3
    assert found.ppk == pytest.approx(plain.ppk, rel=1e-9)
    assert found.pp[:2] == pytest.approx(plain.pp[:2], rel=1e-9)
    assert np.isnan(found.pp[2])
    # The interval of the spread is exact but for the number of resamples.
    assert found.pp_low[:2] == pytest.approx(plain.pp_low[:2], rel=0.05)
    assert found.pp_high[:2] == pytest.approx(plain.pp_high[:2], rel=0.05)


def test_a_skewed_error_of_form_by_scipy():
    x = stats.weibull_min(1.6, 0.0, 0.3).rvs(300, random_state=np.random.default_rng(3))
    found = _both(x, np.nan, 1.5, form=True)
    assert found.method == ("Weibull",)
    shape, _, scale = stats.weibull_min.fit(x, floc=0.0)
    twin = stats.weibull_min(shape, 0.0, scale)
    want = (1.5 - twin.median()) / (twin.isf(stats.norm.sf(3.0)) - twin.median())
    assert found.ppu[0] == pytest.approx(want, rel=1e-3)
    assert found.ppk[0] == found.ppu[0]
    assert found.ppk_low[0] < found.ppk[0] < found.ppk_high[0]
    # Taken for normal, the same readings would flatter.
    assert capability(x, np.nan, 1.5).ppk[0] > 1.3 * found.ppk[0]


def test_a_mean_beyond_the_limit_has_a_negative_index_and_an_interval():
    x = np.random.default_rng(6).normal(1.2, 0.2, 150)
    found = _both(x, -1.0, 1.0)
    assert found.ppk[0] < 0.0
    assert found.ppk_low[0] < found.ppk[0] < found.ppk_high[0]


def test_fewer_than_a_hundred_pieces_say_nothing_of_tails():
    found = _both(np.random.default_rng(3).normal(size=(99, 2)), -5.0, 5.0)
    assert np.isnan([found.x_low, found.ppk, found.ppk_low]).all()
    assert found.method == ("", "")
    assert "99 pieces, fewer than 100" in found.note[0]


def _two_humps(n, seed=4):
    rng = np.random.default_rng(seed)
    return np.where(rng.random(n) < 0.5, rng.normal(0.0, 0.1, n), rng.normal(1.0, 0.1, n))


def test_no_shape_and_few_pieces_give_no_index():
    found = _both(_two_humps(500), -2.0, 3.0)
    assert np.isnan([found.ppk[0], found.ppk_high[0]]).all()
    assert f"fewer than the {PIECES_FOR_ORDERED}" in found.note[0]


def test_pieces_for_ordered_readings_follow_from_the_binomial():
    assert stats.binom.sf(0, PIECES_FOR_ORDERED, stats.norm.sf(3.0)) >= 0.95
    assert stats.binom.sf(0, PIECES_FOR_ORDERED - 1, stats.norm.sf(3.0)) < 0.9501


def test_no_shape_and_many_pieces_use_the_ordered_readings():
    x = _two_humps(4000)
    found = _both(x, -2.0, 3.0)
    assert found.method == ("ordered readings",)
    assert found.x_mid[0] == pytest.approx(np.median(x))
    assert found.x_high[0] == pytest.approx(np.quantile(x, 0.99865003), rel=1e-6)
    assert 0.0 < found.ppk_low[0] < found.ppk[0] < found.ppk_high[0]
    assert found.pp_low[0] < found.pp[0] < found.pp_high[0]
    fewer = _both(_two_humps(2300), -2.0, 3.0)
    assert fewer.ppk_low[0] == 0.0  # nothing keeps the tail from reaching farther


@pytest.mark.parametrize(("share", "n"), [(0.00135, 4000), (0.5, 40), (0.99865, 3000)])
def test_order_statistics_bound_a_percentile_as_the_binomial_says(share, n):
    x = np.arange(1.0, n + 1.0)[:, np.newaxis]
    low, high = _percentile(x, share, 0.025)
    # P(x_(l) above the percentile) = P(Bin < l); largest l and smallest u that keep 2.5 % each.
    ranks = np.arange(1, n + 1)
    good = ranks[stats.binom.cdf(ranks - 1, n, share) <= 0.025]
    assert low[0] == (good.max() if good.size else -np.inf)
    good = ranks[stats.binom.cdf(ranks - 1, n, share) >= 0.975]
    assert high[0] == (good.min() if good.size else np.inf)


def test_whole_batches_are_resampled():
    rng = np.random.default_rng(8)
    codes = np.repeat(np.arange(12), 12)
    x = rng.normal(0.0, 0.2, 12)[codes] + rng.normal(0.0, 0.1, 144)
    alone, batched = _both(x, -2.0, 2.0), _both(x, -2.0, 2.0, batch=codes)
    width = batched.ppk_high - batched.ppk_low
    assert width[0] > 1.5 * (alone.ppk_high - alone.ppk_low)[0]
    few = _both(x, -2.0, 2.0, batch=codes // 2)
    assert np.isnan([few.ppk_low[0], few.ppk_high[0]]).all()
    assert "6 batches, fewer than 10" in few.note[0]


def test_an_interval_of_one_shape_holds_near_its_level_where_that_shape_is_right():
    """Seeded, 250 samples of 150: 3 SE is 4 %, and the bootstrap falls a little short."""
    rng = np.random.default_rng(14)
    true = 4.0 / 3.0
    x = rng.normal(0.0, 1.0, (150, 250))
    found = _both(x, np.nan, 4.0)
    normal = np.array(found.method) == "normal"
    inside = (found.ppk_low < true) & (true < found.ppk_high)
    assert normal.mean() > 0.9
    assert 0.90 < inside[normal].mean() < 0.99


@pytest.mark.parametrize("seed", range(3))
def test_an_interval_spans_the_shapes_that_the_pieces_do_not_tell_apart(seed):
    """It holds that of the shape taken, whole; its coverage is simulated with the benchmarks."""
    twin = stats.halfnorm()
    x = twin.rvs(100, random_state=np.random.default_rng(seed))
    limit = twin.median() + 1.33 * (twin.isf(stats.norm.sf(3.0)) - twin.median())
    one, all_near = (_both(x, np.nan, limit, form=True, alone=flag) for flag in (True, False))
    assert one.method == all_near.method
    assert one.ppk[0] == all_near.ppk[0]
    assert all_near.ppk_low[0] <= one.ppk_low[0]
    assert all_near.ppk_high[0] >= one.ppk_high[0]
    widths = [f.ppk_high[0] - f.ppk_low[0] for f in (one, all_near)]
    assert widths[1] > 1.05 * widths[0]
    assert "spans every shape" in all_near.note[0]


def test_near_shapes_are_named_by_the_criterion_and_those_turned_down_are_not():
    x = stats.lognorm(0.4).rvs((150, 6), random_state=np.random.default_rng(3))
    shapes = fit_shapes(x, rng=np.random.default_rng(1), resamples=99)
    for family, rivals, tried in zip(shapes.family, shapes.rivals, shapes.tried, strict=True):
        assert family not in rivals
        assert set(rivals) <= {"normal", "shifted lognormal", "Johnson unbounded",
                               "Johnson bounded"}  # fmt: skip
        assert not set(rivals) & {t.family for t in tried if t.p_value < shapes.alpha}
    assert any(shapes.rivals)


def test_ordered_readings_from_batches_have_no_interval():
    x = _two_humps(3000)
    found = _both(x, -2.0, 3.0, batch=np.arange(3000) // 100)
    assert found.method == ("ordered readings",)
    assert np.isfinite(found.ppk[0])
    assert np.isnan([found.ppk_low[0], found.ppk_high[0]]).all()
    assert "too short, so none is given" in found.note[0]


@pytest.mark.parametrize("n", [2300, 4000])
def test_ordered_readings_hold_at_least_their_level(n):
    """Two humps, 60 samples: order statistics promise 95 % or more; 54 leave room for chance."""
    rng = np.random.default_rng(n)
    x = np.where(
        rng.random((n, 60)) < 0.5, rng.normal(0, 0.1, (n, 60)), rng.normal(1, 0.1, (n, 60))
    )
    found = percentile_indices(
        x, np.nan, 1.6, _no_shape(60, n), rng=np.random.default_rng(1), resamples=200
    )
    # Half the pieces lie in the upper hump: 0.27 % of it beyond, and the median between the humps.
    high = 1.0 + 0.1 * stats.norm.isf(2 * stats.norm.sf(3.0))
    true = (1.6 - 0.5) / (high - 0.5)
    held = (found.ppk_low < true) & (true < found.ppk_high)
    assert set(found.method) == {"ordered readings"}
    assert held.sum() >= 54


def _no_shape(points, n):
    none = np.full((4, points), np.nan)
    return Shapes(n=np.full(points, n), family=("",) * points, parameters=none,
                  p_value=none[0], tried=((),) * points, alpha=0.05, rivals=((),) * points,
                  note=("",) * points)  # fmt: skip


def test_large_samples_shrink_the_resamples():
    x = np.random.default_rng(15).normal(0.0, 1.0, (1600, 4))
    found = _both(x, np.nan, 4.0)
    plain = capability(x, np.nan, 4.0)
    normal = np.array(found.method) == "normal"
    assert normal.sum() >= 3
    want = (plain.ppk_high - plain.ppk_low)[normal]
    assert (found.ppk_high - found.ppk_low)[normal] == pytest.approx(want, rel=0.25)


def test_refusals():
    x = np.random.default_rng(1).normal(size=(120, 2))
    rng = np.random.default_rng(1)
    shapes = fit_shapes(x, rng=rng, resamples=99)
    with pytest.raises(DataError, match="3 points, but shapes of 2"):
        percentile_indices(np.zeros((5, 3)), -1.0, 1.0, shapes, rng=rng)
    with pytest.raises(DataError, match="at least 200, not 5"):
        percentile_indices(x, -1.0, 1.0, shapes, rng=rng, resamples=5)
