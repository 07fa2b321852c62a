import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from spc.charts.changepoint import change_before, likelihood_drop
from spc.charts.memory import ewma
from spc.charts.scan import scan_for_change
from spc.charts.trend import meets_limit, smallest_drift, trend
from spc.errors import DataError

RNG = np.random.default_rng(41)


def plain_support(x, center, sigma, start, signal):
    """Log-likelihood ratio of a step at each run against no step, by the normal density itself."""
    out = {}
    for t in range(start, signal + 1):
        y = x[t : signal + 1]
        s = np.broadcast_to(sigma, x.shape)[t : signal + 1]
        y, s = y[~np.isnan(y)], s[~np.isnan(y)]
        if np.isnan(x[t]):
            continue
        best = (y / s**2).sum() / (1 / s**2).sum()
        out[t] = stats.norm.logpdf(y, best, s).sum() - stats.norm.logpdf(y, center, s).sum()
    return out


@pytest.mark.parametrize("by_run", [False, True])
def test_change_against_the_likelihood_itself(by_run):
    x = RNG.normal(5, 2, size=60)
    x[40:] += 3
    x[[10, 45]] = np.nan
    sigma = RNG.uniform(1, 3, 60) if by_run else np.float64(2.0)
    spans = np.repeat([0, 1], [15, 45])
    found = change_before(x, 5.0, sigma, 55, spans=spans)
    support = plain_support(x, 5.0, sigma, 15, 55)
    best = max(support, key=support.get)
    assert found.first == best
    near = [t for t, v in support.items() if v >= support[best] - likelihood_drop(0.95)]
    assert found.candidates.tolist() == near
    assert found.n == sum(not np.isnan(v) for v in x[best:56])


def test_samuel_1998_accuracy():
    # Samuel, Pignatiello & Calvin 1998 (from memory): after a 3 sigma signal the estimator is on
    # average close to the true time; for a shift of 1 sigma within one piece of it
    errors = []
    for _ in range(3000):
        x = RNG.normal(size=900)
        x[100:] += 1
        hit = np.flatnonzero(np.abs(x) > 3)
        if hit.size and hit[0] >= 100:
            errors.append(change_before(x, 0.0, 1.0, int(hit[0])).first - 100)
    assert abs(np.mean(errors)) < 1.0
    assert np.mean(np.abs(errors) <= 2) > 0.55


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("chart", ["limit", "average"])
def test_the_set_holds_the_true_time(shift, chart):
    held = []
    series = RNG.normal(size=(600, 1200))
    series[60:] += shift
    hits = np.abs(series) > 3 if chart == "limit" else ewma(series, 0.0, 1.0).beyond
    for x, hit in zip(series.T, hits.T, strict=True):
        signal = int(hit.argmax())
        if hit[signal] and signal >= 60:
            found = change_before(x, 0.0, 1.0, signal)
            held.append([60 in found.candidates, found.shift_low <= shift <= found.shift_high])
    assert (np.mean(held, axis=0) > 0.915).all()


def test_a_clear_step_is_dated_to_the_run():
    x = np.r_[np.zeros(20), np.full(5, 6.0)]
    found = change_before(x, 0.0, 1.0, 24)
    assert (found.first, found.candidates.tolist()) == (20, [20])
    assert found.shift == 6.0
    assert (found.n, found.n_before) == (5, 20)
    assert found.note == ""


def test_what_the_date_cannot_tell_is_said():
    early = change_before(np.full(6, 4.0), 0.0, 1.0, 5)
    assert "came with its start" in early.note
    sudden = change_before(np.r_[np.zeros(9), 5.0], 0.0, 1.0, 9)
    assert "overstated" in sudden.note


@given(arrays(np.float64, 25, elements=st.floats(-5, 5)), st.floats(0.1, 9), st.floats(-9, 9))
def test_change_of_unit(x, factor, shift):
    a = change_before(x, 0.0, 1.0, 24)
    b = change_before(x * factor + shift, shift, factor, 24)
    assert b.shift == pytest.approx(factor * a.shift, abs=1e-6) or a.first != b.first
    # equal likelihoods may round to either run, as for a series of zeros
    assert b.first == a.first or b.first in a.candidates


def test_signals_outside_are_refused():
    with pytest.raises(DataError, match="index of a run, from 0 to 2"):
        change_before(np.zeros(3), 0.0, 1.0, 3)
    with pytest.raises(DataError, match="sigma must be above 0"):
        change_before(np.ones(3), 0.0, 0.0, 2)
    with pytest.raises(DataError, match="holds no value"):
        change_before(np.array([np.nan, np.nan]), 0.0, 1.0, 1)


def test_scan_against_scipy_at_every_split():
    x = RNG.normal(size=(30, 3))
    x[20:, 1] += 2
    x[[3, 9], 0] = np.nan
    found = scan_for_change(x)
    for j in range(3):
        rows = np.flatnonzero(~np.isnan(x[:, j]))
        y = x[rows, j]
        t = [abs(stats.ttest_ind(y[:k], y[k:]).statistic) for k in range(1, len(y))]
        k = int(np.argmax(t)) + 1
        assert found.statistic[j] == pytest.approx(t[k - 1])
        assert found.first[j] == rows[k]
        expected = stats.ttest_ind(y[k:], y[:k])
        interval = expected.confidence_interval()
        assert (found.shift_low[j], found.shift_high[j]) == pytest.approx(
            (interval.low, interval.high)
        )
        assert found.before[j] == pytest.approx(y[:k].mean())
        assert found.p[j] == pytest.approx(
            min(1, (len(y) - 1) * 2 * stats.t.sf(t[k - 1], len(y) - 2))
        )
        support = {}
        for split in range(1, len(y)):
            residual = sum(((part - part.mean()) ** 2).sum() for part in (y[:split], y[split:]))
            support[rows[split]] = -len(y) / 2 * np.log(residual)
        near = [r for r, v in support.items() if v >= max(support.values()) - likelihood_drop(0.95)]
        assert np.flatnonzero(found.candidates[:, j]).tolist() == near


def test_scan_p_values_are_uniform_when_nothing_changes():
    found = scan_for_change(
        RNG.normal(size=(40, 2000)), simulations=4000, rng=np.random.default_rng(1)
    )
    assert stats.kstest(found.p, "uniform").pvalue > 0.001
    bound = scan_for_change(RNG.normal(size=(40, 2000)))
    assert (bound.p < 0.05).mean() < 0.05
    assert (bound.p < 0.05).mean() > 0.005


def test_scan_finds_a_step_without_a_baseline():
    x = RNG.normal(size=(60, 500))
    x[35:] += 1.5
    found = scan_for_change(x)
    assert (found.p < 0.01).mean() > 0.9
    assert found.candidates[35].mean() > 0.93
    assert np.median(found.first) == 35


@pytest.mark.parametrize(
    ("x", "words"),
    [
        (np.zeros((20, 1)), "the values do not vary"),
        (np.full((20, 1), np.nan), "0 values"),
        (np.arange(5.0)[:, None], "5 values"),
        (np.zeros((0, 1)), "0 values"),
    ],
)
def test_histories_that_are_not_scanned(x, words):
    found = scan_for_change(x)
    assert found.first[0] == -1
    assert np.isnan(found.p[0])
    assert not found.candidates.any()
    assert words in found.notes[0]


def test_a_perfect_step_is_found():
    found = scan_for_change(np.r_[np.zeros(10), np.ones(10)])
    assert found.first[0] == 10
    assert np.flatnonzero(found.candidates[:, 0]).tolist() == [10]
    assert np.isnan(found.p[0])
    assert found.shift[0] == 1
    assert "too coarsely" in found.notes[0]


def test_resistor_drift(published, printed):
    # NIST/SEMATECH 1.4.2.7
    example = published("resistor")
    y, said = example["data"]["resistance_ohm"], example["published"]
    found = trend(y, np.arange(1, 1001), robust=False)
    pairs = [(found.slope, "slope"), (found.slope_error, "slope_se"), (found.sd, "resid_sd"),
             (found.slope / found.slope_error, "t"),
             (found.mean - found.slope * found.mean_time, "intercept")]  # fmt: skip
    for ours, name in pairs:
        assert ours[0] == pytest.approx(float(said[name]), abs=printed(said[name])), name
    assert "too narrow" in found.notes[0]


def test_sen_1968(published, printed):
    example = published("sen")
    given_, said = example["inputs"], example["published"]
    found = trend(given_["y"], given_["x"], level=given_["conf"])
    for ours, name in ((found.robust_slope, "slope"), (found.robust_low, "lower"),
                       (found.robust_high, "upper")):  # fmt: skip
        assert ours[0] == pytest.approx(float(said[name]), abs=printed(said[name]) + 1e-9)


def test_trend_against_scipy_with_gaps_and_ties():
    t = np.round(np.sort(RNG.uniform(0, 100, 40)), 0)
    x = 0.02 * t[:, None] + np.round(RNG.normal(size=(40, 4)), 1)
    x[RNG.random(x.shape) < 0.2] = np.nan
    found = trend(x, t, level=0.9)
    for j in range(4):
        seen = ~np.isnan(x[:, j])
        line = stats.linregress(t[seen], x[seen, j])
        assert found.slope[j] == pytest.approx(line.slope)
        assert found.slope_error[j] == pytest.approx(line.stderr)
        assert found.p[j] == pytest.approx(line.pvalue)
        sen = stats.theilslopes(x[seen, j], t[seen], alpha=0.9)
        assert (found.robust_slope[j], found.robust_low[j], found.robust_high[j]) == pytest.approx(
            (sen.slope, sen.low_slope, sen.high_slope)
        )
        assert found.level_now[j] == pytest.approx(line.intercept + line.slope * t.max())


def test_slope_intervals_cover():
    t = np.arange(20.0)
    x = 0.3 * t[:, None] + RNG.normal(size=(20, 1500))
    found = trend(x, t)
    assert ((found.slope_low <= 0.3) & (found.slope_high >= 0.3)).mean() == pytest.approx(
        0.95, abs=0.02
    )
    held = (found.robust_low <= 0.3) & (found.robust_high >= 0.3)
    assert held.mean() == pytest.approx(0.95, abs=0.03)


def test_meeting_a_limit_covers_the_true_time():
    t = np.arange(30.0)
    x = 0.1 * t[:, None] + RNG.normal(size=(30, 3000))
    found = meets_limit(trend(x, t, robust=False), -5.0, 5.0)
    held = (found.low <= 50) & (found.high >= 50)
    bounded = np.isfinite(found.low)
    assert bounded.mean() > 0.99
    assert held[bounded].mean() == pytest.approx(0.95, abs=0.015)
    assert (found.limit == 5.0).mean() > 0.99


def test_no_promise_where_the_slope_may_be_nil():
    x = RNG.normal(size=(30, 200))
    found = meets_limit(trend(x, np.arange(30.0), robust=False), np.nan, 3.0)
    flat = np.isinf(found.high)
    assert 0.3 < flat.mean() < 0.6
    assert "no time can be promised" in found.notes[int(flat.argmax())]
    falling = np.isnan(found.time)
    assert 0.4 < falling.mean() < 0.6
    assert "no limit on the side" in found.notes[int(falling.argmax())]


@pytest.mark.parametrize(("n", "move"), [(20, 2.3), (40, 1.6), (60, 1.3)])
def test_drift_that_can_just_be_shown(n, move):
    # closed form: 3 standard deviations of the slope, over n pieces
    assert smallest_drift(n) * n / (n - 1) == pytest.approx(move, abs=0.05)
    slopes = np.polyfit(np.arange(n), RNG.normal(size=(n, 4000)), 1)[0]
    assert smallest_drift(n) == pytest.approx(3 * slopes.std() * (n - 1), rel=0.05)


@pytest.mark.parametrize(
    ("x", "t", "words"),
    [
        ([1.0, 2.0], [0.0, 1.0], "2 values"),
        ([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], "all values have one time"),
        ([np.nan] * 4, [0.0, 1.0, 2.0, 3.0], "0 values"),
    ],
)
def test_lines_that_cannot_be_drawn(x, t, words):
    found = trend(np.array(x), np.array(t))
    assert words in found.notes[0]
    assert np.isnan(found.slope_low[0])
