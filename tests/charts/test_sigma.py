import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from spc.charts import sigma
from spc.errors import DataError

values = st.floats(-100, 100, allow_nan=False) | st.just(np.nan)


def slow_ranges(x, spans, length):
    out = np.full(x.shape, np.nan)
    for i in range(length - 1, len(x)):
        if len(set(spans[i - length + 1 : i + 1].tolist())) > 1:
            continue
        for j in range(x.shape[1]):
            window = x[i - length + 1 : i + 1, j]
            out[i, j] = max(window) - min(window) if not np.isnan(window).any() else np.nan
    return out


@given(
    arrays(np.float64, st.tuples(st.integers(0, 25), st.integers(1, 3)), elements=values),
    st.integers(2, 5),
    st.data(),
)
def test_moving_ranges_against_plain_loop(x, length, data):
    spans = np.sort(data.draw(arrays(np.int64, len(x), elements=st.integers(0, 2))))
    expected = slow_ranges(x, spans, length)
    assert np.array_equal(sigma.moving_ranges(x, spans=spans, length=length), expected, True)


def test_nist_moving_ranges(published):
    # NIST/SEMATECH 6.3.2.2
    example = published("individuals")
    ranges = sigma.moving_ranges(example["inputs"]["x"])[1:, 0]
    assert ranges == pytest.approx([float(v) for v in example["published"]["MR"]], abs=1e-9)


@given(
    arrays(np.float64, (12, 3), elements=values),
    st.sampled_from(sigma.ESTIMATORS),
    st.floats(0.1, 50),
    st.floats(-50, 50),
)
def test_scale_and_shift(x, estimator, factor, shift):
    first = sigma.individuals_sigma(x, estimator=estimator)
    second = sigma.individuals_sigma(x * factor + shift, estimator=estimator)
    assert second.sigma == pytest.approx(first.sigma * factor, abs=1e-8, nan_ok=True)
    assert (second.n == first.n).all()


@given(arrays(np.float64, (12, 4), elements=values), st.permutations(range(4)))
def test_points_do_not_touch_each_other(x, order):
    together = sigma.individuals_sigma(x).sigma[order]
    apart = sigma.individuals_sigma(x[:, order]).sigma
    # summing in another order may round another way
    assert apart == pytest.approx(together, rel=1e-13, nan_ok=True)


@pytest.mark.parametrize(
    ("estimator", "length"),
    [
        ("moving range", 2),
        ("moving range", 4),
        ("median moving range", 2),
        ("median moving range", 3),
        ("standard deviation", 2),
    ],
)
def test_unbiased_and_as_certain_as_said(estimator, length):
    x = np.random.default_rng(20).normal(0, 2.0, size=(60, 20_000))
    found = sigma.individuals_sigma(x, estimator=estimator, length=length)
    assert found.sigma.mean() == pytest.approx(2.0, rel=0.012)
    # the coefficient of variation of a chi with df degrees of freedom
    relative = found.sigma.std() / found.sigma.mean()
    assert relative == pytest.approx(1 / np.sqrt(2 * found.df[0]), rel=0.06)


def test_variance_of_the_mean_range_is_exact_for_two():
    x = np.random.default_rng(4).normal(size=(26, 200_000))
    ranges = np.abs(np.diff(x, axis=0)).mean(axis=0)
    expected = sigma.relative_variance_of_mean_range(np.array(25))
    assert ranges.var() / ranges.mean() ** 2 == pytest.approx(float(expected), rel=0.012)


def test_a_gap_and_a_new_span_take_no_range():
    x = np.array([1.0, 2.0, np.nan, 9.0, 9.5, 0.0])
    ranges = sigma.moving_ranges(x, spans=[0, 0, 0, 0, 0, 1])[:, 0]
    assert np.array_equal(ranges, [np.nan, 1, np.nan, np.nan, 0.5, np.nan], True)


def test_pooled_sd_of_piston_rings(published):
    x = np.column_stack(list(published("piston_rings")["data"].values()))[:, :, None]
    found = sigma.pooled_sd(x)
    expected = np.sqrt(np.var(x[:, :, 0], axis=1, ddof=1).mean())  # numpy, equal sizes
    assert found.sigma[0] == pytest.approx(expected / (1 - 1 / (4 * 100)), rel=1e-5)
    assert (found.df[0], found.n[0], found.n_ranges[0]) == (100, 125, 25)


def test_pooled_sd_of_single_pieces_is_not_known():
    found = sigma.pooled_sd(np.arange(6.0).reshape(6, 1, 1))
    assert np.isnan(found.sigma[0])
    assert found.n_ranges[0] == 0


def test_estimator_must_exist():
    with pytest.raises(DataError, match="estimator must be one of"):
        sigma.individuals_sigma([1.0, 2.0], estimator="guess")


def test_infinite_values_are_refused():
    with pytest.raises(DataError, match="infinite"):
        sigma.individuals_sigma([1.0, np.inf])


def test_spans_must_fit():
    with pytest.raises(DataError, match=r"shape \(2,\), not \(3,\)"):
        sigma.individuals_sigma([1.0, 2.0], spans=[0, 0, 1])


@pytest.mark.parametrize("value", [0.1, 0.3, -1234.3, 1e-9])
def test_equal_values_have_no_spread_not_one_of_rounding(value):
    x = np.full((60, 1), value)
    x[0] = np.nan
    assert sigma.sample_sd(x) == 0.0
    assert sigma.individuals_sigma(x, estimator="standard deviation").sigma == 0.0
