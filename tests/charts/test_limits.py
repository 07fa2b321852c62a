import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from spc.charts.limits import individuals_limits
from spc.errors import DataError

RNG = np.random.default_rng(11)


def test_nist_flow_rate(published, printed):
    # NIST/SEMATECH 6.3.2.2; the handbook divides by the rounded d2 = 1.128
    example = published("individuals")
    limits = individuals_limits(example["inputs"]["x"])
    said = example["published"]
    for ours, text in ((limits.center, said["CL"]), (limits.mr_bar, said["MRbar"])):
        assert ours[0] == pytest.approx(float(text), abs=printed(text))
    exact = 1.1283791670955126
    for ours, text in ((limits.lower, said["LCL"]), (limits.upper, said["UCL"])):
        rounded_d2 = limits.center[0] + (ours[0] - limits.center[0]) * exact / 1.128
        assert rounded_d2 == pytest.approx(float(text), abs=printed(text))
    assert (limits.n[0], limits.n_ranges[0]) == (10, 9)
    assert limits.mr_upper[0] == pytest.approx(3.267 * limits.mr_bar[0], rel=2e-4)


def test_nist_check_standard(published, printed):
    # NIST/SEMATECH 2.6.2: mean ∓ 2 standard deviations of all values
    example = published("check_standard")
    limits = individuals_limits(
        example["data"]["check_standard"], estimator="standard deviation", width=2
    )
    for ours, name in ((limits.lower, "LCL"), (limits.center, "center"), (limits.upper, "UCL")):
        text = example["published"][name]
        assert ours[0] == pytest.approx(float(text), abs=printed(text))


@pytest.mark.parametrize(
    ("x", "words"),
    [
        ([np.nan] * 30, "no value in the baseline"),
        ([1.0] + [np.nan] * 29, "no limits: 1 baseline value, at least 8"),
        (list(range(7)), "no limits: 7 baseline values"),
        ([3.0] * 30, "no limits: the baseline does not vary"),
        ([1.0, np.nan] * 15, "no limits: no two baseline values follow each other"),
        ([1.0, 2.0] * 6, "provisional: limits from 12 values"),
        ([1.0, 2.0, np.nan] * 20, "only 20 moving ranges"),
        ([1.0, 2.0] * 20, ""),
    ],
)
def test_what_the_data_cannot_support_is_said(x, words):
    limits = individuals_limits(np.array(x, dtype=float))
    assert limits.notes[0].startswith(words) or words in limits.notes[0]
    assert np.isnan(limits.upper[0]) == (words.startswith("no "))
    assert np.isnan(limits.lower[0]) == np.isnan(limits.upper[0]) == np.isnan(limits.mr_upper[0])


def test_baseline_choice_and_new_data_do_not_move_limits():
    x = RNG.normal(size=(60, 3))
    baseline = np.arange(60) < 30
    first = individuals_limits(x, baseline)
    x[40:] += 50
    again = individuals_limits(x, baseline)
    assert np.array_equal(first.upper, again.upper)
    assert np.array_equal(first.upper, individuals_limits(x[:30]).upper)


def test_a_run_left_out_breaks_the_ranges_beside_it():
    x = RNG.normal(size=(30, 1))
    baseline = np.ones(30, dtype=bool)
    baseline[10] = False
    assert individuals_limits(x, baseline).n_ranges[0] == 27
    holed = x.copy()
    holed[10] = np.nan
    assert np.array_equal(individuals_limits(x, baseline).sigma, individuals_limits(holed).sigma)


def test_baseline_may_differ_by_point():
    x = RNG.normal(size=(30, 2))
    baseline = np.ones((30, 2), dtype=bool)
    baseline[:10, 1] = False
    limits = individuals_limits(x, baseline)
    assert limits.n.tolist() == [30, 20]
    assert limits.center[1] == pytest.approx(x[10:, 1].mean())


@pytest.mark.parametrize("estimator", ["moving range", "median moving range", "standard deviation"])
def test_long_baselines_are_worked_in_pieces_that_do_not_show(monkeypatch, estimator):
    x = RNG.normal(size=(500, 3))
    x[RNG.random(x.shape) < 0.1] = np.nan
    spans = np.repeat([0, 1], 250)
    whole = individuals_limits(x, spans=spans, estimator=estimator)
    monkeypatch.setattr("spc.charts.arrays.BLOCK", 3 * 17)
    pieces = individuals_limits(x, spans=spans, estimator=estimator)
    assert pieces.upper == pytest.approx(whole.upper, rel=1e-13)
    assert pieces.mr_bar == pytest.approx(whole.mr_bar, rel=1e-13)
    assert np.array_equal(pieces.n_ranges, whole.n_ranges)


def test_an_empty_baseline_gives_words_not_numbers():
    limits = individuals_limits(RNG.normal(size=(30, 2)), np.zeros(30, dtype=bool))
    assert limits.notes == ("no value in the baseline",) * 2
    assert np.isnan(limits.center).all()


@given(
    arrays(np.float64, (30, 2), elements=st.floats(-10, 10)),
    st.floats(0.1, 20),
    st.floats(-20, 20),
)
def test_change_of_unit(x, factor, shift):
    a, b = individuals_limits(x), individuals_limits(x * factor + shift)
    # a baseline that varies by rounding alone has no limits before or after, or only before
    both = ~(np.isnan(a.upper) | np.isnan(b.upper))
    assert b.upper[both] == pytest.approx(a.upper[both] * factor + shift, abs=1e-8)


def test_false_alarms_come_as_promised():
    # beyond 3 sigma with 2,000 baseline values: 0.27 % of normal values
    x = RNG.normal(size=(2000, 200))
    limits = individuals_limits(x)
    rate = ((x > limits.upper) | (x < limits.lower)).mean()
    assert rate == pytest.approx(0.0027, abs=0.0004)


def test_baseline_must_be_true_or_false():
    with pytest.raises(DataError, match="true or false a run"):
        individuals_limits([1.0, 2.0], np.array([0, 1]))
