import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from spc.charts.batches import batch_charts
from spc.charts.constants import chart_constants
from spc.charts.subgroups import ESTIMATORS, gather, subgroup_limits
from spc.errors import DataError

RNG = np.random.default_rng(17)


@pytest.fixture(scope="module")
def rings(published):
    example = published("piston_rings")
    return np.column_stack(list(example["data"].values()))[:, :, None], example["published"]


def test_piston_rings_means_and_spread(rings, printed):
    # Montgomery, piston rings (data and answers from memory, all 75 row statistics recompute)
    x, said = rings
    ranges = subgroup_limits(x, estimator="mean range")
    sds = subgroup_limits(x, estimator="mean standard deviation")
    for ours, texts in (
        (ranges.mean, said["xbar"]), (ranges.spread, said["R"]), (sds.spread, said["s"])
    ):  # fmt: skip
        for value, text in zip(ours[:, 0], texts, strict=True):
            assert value == pytest.approx(float(text), abs=printed(text))


def test_piston_rings_limits(rings, printed):
    x, said = rings
    ranges = subgroup_limits(x, estimator="mean range")
    sds = subgroup_limits(x, estimator="mean standard deviation")
    pairs = [
        (ranges.center, "grand"), (ranges.upper[0], "UCL_R"), (ranges.lower[0], "LCL_R"),
        (ranges.spread_center[0], "Rbar"), (ranges.spread_upper[0], "UCL_range"),
        (sds.upper[0], "UCL_s"), (sds.lower[0], "LCL_s"), (sds.spread_center[0], "sbar"),
        (sds.spread_upper[0], "UCL_S"),
    ]  # fmt: skip
    # the book computes its limits from rounded means and ranges: tolerance 0.001 for them
    for ours, name in pairs:
        tolerance = 0.001 if "_" in name else printed(said[name])
        assert ours[0] == pytest.approx(float(said[name]), abs=tolerance), name


@given(
    st.integers(2, 8), st.sampled_from(["mean range", "mean standard deviation"]), st.data()
)  # fmt: skip
def test_equal_sizes_give_the_table_factors(n, estimator, data):
    x = data.draw(arrays(np.float64, (9, n, 2), elements=st.floats(-5, 5)))
    k = chart_constants(n)
    found = subgroup_limits(x, estimator=estimator)
    average = found.spread.mean(axis=0)
    factor, high = (k.A2, k.D4) if estimator == "mean range" else (k.A3, k.B4)
    usable = found.sigma > 0
    half = (found.upper - found.center)[0]
    assert half[usable] == pytest.approx(factor * average[usable])
    assert found.spread_upper[0, usable] == pytest.approx(high * average[usable])


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_unequal_sizes_are_unbiased_and_as_certain_as_said(estimator):
    x = RNG.normal(3.0, 2.0, size=(12, 6, 20_000))
    for group, size in enumerate([1, 2, 3, 6, 5, 2, 4, 6, 3, 2, 1, 4]):
        x[group, size:] = np.nan
    found = subgroup_limits(x, estimator=estimator)
    assert found.sigma.mean() == pytest.approx(2.0, rel=0.005)
    relative = found.sigma.std() / found.sigma.mean()
    assert relative == pytest.approx(1 / np.sqrt(2 * found.df[0]), rel=0.03)
    assert np.isnan(found.spread[0]).all()
    assert found.n_subgroups[0] == 10
    outside = ((found.mean > found.upper) | (found.mean < found.lower)).mean(axis=1)
    assert 0.0027 < outside.mean() < 0.02  # limits from 24 degrees of freedom are not exact


def test_pooled_against_plain_loop():
    x = RNG.normal(size=(7, 5, 3))
    x[RNG.random(x.shape) < 0.3] = np.nan
    found = subgroup_limits(x, fewest=1)
    for j in range(3):
        groups = [g[~np.isnan(g)] for g in x[:, :, j]]
        groups = [g for g in groups if len(g)]
        squares = sum(((g - g.mean()) ** 2).sum() for g in groups)
        df = sum(len(g) - 1 for g in groups)
        assert found.df[j] == df
        assert found.sigma[j] == pytest.approx(np.sqrt(squares / df), rel=0.3 / df)
        assert found.center[j] == pytest.approx(np.concatenate(groups).mean())


def test_gather_keeps_every_value_in_first_come_order():
    labels = np.array(["b", "a", "b", "c", "a", "b"])
    x = np.arange(12.0).reshape(6, 2)
    groups, names = gather(x, labels)
    assert names.tolist() == ["b", "a", "c"]
    assert groups.shape == (3, 3, 2)
    for name, group in zip(names, groups, strict=True):
        assert np.array_equal(group[~np.isnan(group[:, 0])], x[labels == name])


@pytest.mark.parametrize(
    ("x", "words"),
    [
        (np.zeros((30, 1, 1)), "no limits: no baseline subgroup has two or more pieces"),
        (np.zeros((30, 4, 1)), "no limits: the pieces of a subgroup do not vary"),
        (RNG.normal(size=(5, 4, 1)), "no limits: 5 baseline subgroups"),
        (RNG.normal(size=(10, 4, 1)), "provisional: limits from 10 subgroups"),
        (RNG.normal(size=(30, 4, 1)), ""),
    ],
)
def test_what_subgroups_cannot_support_is_said(x, words):
    found = subgroup_limits(x)
    assert found.notes[0].startswith(words) if words else found.notes[0] == ""
    assert np.isnan(found.upper).all() == words.startswith("no ")


def moulded(between, batches=40, pieces=5, points=400, seed=1):
    rng = np.random.default_rng(seed)
    level = rng.normal(0, between, size=(batches, 1, points))
    return level + rng.normal(size=(batches, pieces, points))


@pytest.mark.parametrize(("ratio", "rate"), [(0.0, 0.0027), (0.5, 0.046), (1.0, 0.22), (2.0, 0.51)])
def test_limits_from_within_batches_cry_wolf_and_three_charts_do_not(ratio, rate):
    # closed form: P(|Z| > 3/√(1 + n r²)) for n = 5
    x = moulded(ratio, batches=300, points=60)
    wrong = subgroup_limits(x)
    alarms = ((wrong.mean > wrong.upper) | (wrong.mean < wrong.lower)).mean()
    assert alarms == pytest.approx(rate, rel=0.06, abs=0.001)
    right = batch_charts(x)
    alarms = ((right.mean > right.upper) | (right.mean < right.lower)).mean()
    assert alarms == pytest.approx(0.0027, abs=0.001)


def test_batches_of_equal_size_are_single_values():
    x = moulded(1.0, points=3)
    found = batch_charts(x)
    assert found.lower == pytest.approx(np.broadcast_to(found.means.lower, found.lower.shape))
    split = found.means.sigma**2 - found.sigma_within**2 / 5
    assert found.sigma_between**2 == pytest.approx(np.maximum(split, 0))
    share = found.sigma_between**2 / (found.sigma_between**2 + found.sigma_within**2)
    assert found.between_share == pytest.approx(share)


@pytest.mark.parametrize("between", [0.3, 1.0, 3.0])
def test_split_intervals_cover(between):
    found = batch_charts(moulded(between, batches=30, points=4000, seed=8))
    inside = (found.between_low <= between) & (between <= found.between_high)
    assert inside.mean() == pytest.approx(0.95, abs=0.025)
    inside = (found.within_low <= 1) & (found.within_high >= 1)
    assert inside.mean() == pytest.approx(0.95, abs=0.012)


def test_a_small_batch_gets_wider_limits():
    x = moulded(0.5, batches=60, pieces=8, points=2000)
    x[::3, 2:] = np.nan
    found = batch_charts(x)
    half = found.upper - found.means.center
    assert (half[0] > half[1]).all()
    true = np.sqrt(0.25 + 1 / np.array([2, 8]))
    assert np.sqrt((half[:2] ** 2).mean(axis=1)) / 3 == pytest.approx(true, rel=0.06)


def test_single_piece_batches_say_what_cannot_be_told():
    found = batch_charts(RNG.normal(size=(40, 1, 2)))
    assert np.isnan(found.sigma_between).all()
    assert np.isnan(found.sigma_within).all()
    assert np.isnan(found.between_low).all()
    assert "cannot be told apart" in found.notes[0]
    assert found.upper[0] == pytest.approx(found.means.upper)


def test_no_batch_effect_is_nil_in_words():
    x = moulded(0.0, points=200)
    found = batch_charts(x)
    nil = found.sigma_between == 0
    assert 0.3 < nil.mean() < 0.7
    assert all(("no spread between" in n) == z for n, z in zip(found.notes, nil, strict=True))
    assert found.between_low.mean() == pytest.approx(0, abs=0.01)


def test_an_empty_batch_has_no_limits_but_leaves_the_others():
    x = moulded(1.0, points=2)
    x[7] = np.nan
    found = batch_charts(x)
    assert np.isnan(found.upper[7]).all()
    assert not np.isnan(np.delete(found.upper, 7, axis=0)).any()


def test_shape_is_asked_for():
    with pytest.raises(DataError, match=r"\(subgroups, pieces, points\)"):
        subgroup_limits(np.zeros((4, 3)))
