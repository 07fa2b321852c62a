import numpy as np
import pytest
from scipy import stats

from spc.charts.counts import count_limits
from spc.charts.equality import (
    equal_means,
    equal_means_unequal_spread,
    equal_spread,
    equal_spread_normal,
)
from spc.charts.families import family_chart
from spc.errors import DataError

RNG = np.random.default_rng(23)


def test_defects_on_wafers(published, printed):
    # NIST/SEMATECH 6.3.3.1
    example = published("c_chart")
    found = count_limits(example["data"]["defects"], 1.0, widened=False)
    said = example["published"]
    pairs = [(found.center[0], "cbar"), (found.upper[0, 0], "UCL"), (found.lower[0, 0], "LCL")]
    for ours, name in pairs:
        assert ours == pytest.approx(float(said[name]), abs=printed(said[name]))


def test_fraction_defective(published, printed):
    # NIST/SEMATECH 6.3.3.2
    example = published("p_chart")
    counts = np.round(np.array(example["data"]["fraction_defective"]) * 50)
    found = count_limits(counts, 50, law="binomial", widened=False)
    said = example["published"]
    pairs = [(found.center[0], "pbar"), (found.upper[0, 0], "UCL"), (found.lower[0, 0], "LCL")]
    for ours, name in pairs:
        assert ours == pytest.approx(float(said[name]), abs=printed(said[name]))


def overdispersed(lots=400, points=60):
    sizes = RNG.integers(500, 4000, size=(lots, 1)).astype(float)
    rate = RNG.gamma(25.0, 0.08 / 25.0, size=(lots, points))
    return RNG.poisson(rate * sizes).astype(float), sizes


def test_widened_limits_hold_their_promise_where_plain_ones_do_not():
    counts, sizes = overdispersed()
    plain, wide = (count_limits(counts, sizes[:, 0], widened=w) for w in (False, True))
    out = [((f.rate > f.upper) | (f.rate < f.lower)).mean() for f in (plain, wide)]
    assert out[0] > 0.1
    assert out[1] < 0.01
    assert (plain.dispersion > 2).all()
    assert "false alarms" in plain.notes[0]
    assert wide.notes[0] == ""


def test_pure_counting_is_left_nearly_as_it_is():
    sizes = np.full(300, 200.0)
    found = count_limits(RNG.poisson(10.0, size=(300, 50)).astype(float), sizes)
    assert found.spread.mean() == pytest.approx(1.0, abs=0.01)
    # index of dispersion against scipy's chi-square: p values are uniform
    assert stats.kstest(found.dispersion_p, "uniform").pvalue > 0.001


def test_dispersion_p_against_scipy():
    counts = RNG.poisson(4.0, size=(40, 1)).astype(float)
    found = count_limits(counts, 1.0)
    statistic, p = stats.chisquare(counts[:, 0])
    assert found.dispersion[0] * 39 == pytest.approx(statistic)
    assert found.dispersion_p[0] == pytest.approx(p)


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        (np.zeros(30), "no limits: no finding in 30 baseline lots"),
        (np.ones(5), "no limits: 5 baseline lots"),
        (np.ones(30), "no limits: the baseline's rate does not vary"),
        (np.where(np.arange(30) % 2, np.nan, 3.0), "no limits: no two baseline lots follow"),
    ],
)
def test_counts_that_support_no_limits(counts, words):
    found = count_limits(counts, 10.0)
    assert found.notes[0].startswith(words)
    assert np.isnan(found.upper).all()


def test_few_findings_make_rough_limits():
    found = count_limits(RNG.poisson(1.0, 200).astype(float), 10.0)
    assert "findings to a lot: limits are rough" in found.notes[0]
    assert count_limits(RNG.poisson(30.0, 200).astype(float), 10.0).notes[0] == ""


def test_counts_must_make_sense():
    with pytest.raises(DataError, match="sizes must be above 0"):
        count_limits(np.ones(9), np.zeros(9))
    with pytest.raises(DataError, match="counts must be 0 or more"):
        count_limits(-np.ones(9), 4)
    with pytest.raises(DataError, match="at most the size"):
        count_limits(np.full(9, 5.0), 4, law="binomial")


def test_gear_data(published):
    # NIST/SEMATECH 1.3.5.7 and 1.3.5.10 (Levene there is about the medians), and 1.3.5.4
    example = published("gear")
    x, labels, said = example["data"]["diameter"], example["data"]["batch"], example["published"]
    bartlett, levene = equal_spread_normal(x, labels), equal_spread(x, labels)
    assert bartlett.statistic[0] == pytest.approx(float(said["bartlett"]), rel=1e-9)
    assert bartlett.p[0] == pytest.approx(float(said["bartlett_p"]), rel=1e-9)
    assert levene.statistic[0] == pytest.approx(float(said["levene"]), rel=1e-9)
    assert levene.p[0] == pytest.approx(float(said["levene_p"]), rel=1e-9)
    means = equal_means(x, labels)
    assert means.statistic[0] == pytest.approx(float(said["F"]), abs=5e-4)
    assert means.p[0] == pytest.approx(float(said["p"]), abs=5e-5)


def test_levene_on_the_drifting_resistor(published):
    # NIST/SEMATECH 1.4.2.7: four quarters of the series
    example = published("resistor")
    quarters = np.repeat(np.arange(4), 250)
    found = equal_spread(example["data"]["resistance_ohm"], quarters)
    assert found.statistic[0] == pytest.approx(float(example["published"]["levene"]), abs=5e-3)


def test_equality_against_scipy_with_gaps_and_single_values():
    x = RNG.normal(size=(60, 8)) * np.linspace(1, 2, 60)[:, None]
    x[RNG.random(x.shape) < 0.2] = np.nan
    labels = RNG.choice(["a", "b", "c", "d"], 60)
    labels[0] = "alone"
    tests = [equal_spread(x, labels), equal_spread_normal(x, labels), equal_means(x, labels)]
    welch = equal_means_unequal_spread(x, labels)
    for j in range(8):
        groups = [x[(labels == g) & ~np.isnan(x[:, j]), j] for g in "abcd"]
        expected = [
            stats.levene(*groups, center="median"), stats.bartlett(*groups),
            stats.f_oneway(*groups),
        ]  # fmt: skip
        for ours, theirs in zip(tests, expected, strict=True):
            assert ours.statistic[j] == pytest.approx(theirs.statistic)
            assert ours.p[j] == pytest.approx(theirs.pvalue)
        theirs = stats.f_oneway(*groups, equal_var=False)
        assert welch.statistic[j] == pytest.approx(theirs.statistic)
        assert welch.p[j] == pytest.approx(theirs.pvalue)


def test_nothing_to_compare_is_said():
    for test in (equal_spread, equal_spread_normal, equal_means, equal_means_unequal_spread):
        assert np.isnan(test([1.0, 2.0, 3.0], [0, 0, 0]).p[0])
        assert "nothing to compare" in test([1.0, 2.0, 3.0], [0, 0, 0]).notes[0]
        assert "do not vary" in test([1.0, 1.0, 2.0, 2.0], [0, 0, 1, 1]).notes[0]
        assert "only large differences" in test([1.0, 1.5, 2.0, 2.2, 3.0], [0, 0, 0, 1, 1]).notes[0]


def families(scale_b=1.0):
    family = np.tile(np.repeat(["a", "b"], 5), 12)
    offset = np.where(family == "a", 0.0, 40.0)[:, None]
    spread = np.where(family == "a", 1.0, scale_b)[:, None]
    return offset + spread * RNG.normal(size=(120, 50)), family, offset[:, 0]


def test_short_runs_stand_on_one_chart():
    x, family, target = families(scale_b=4.0)
    found = family_chart(x, family, target=target, pool=True)
    assert found.z.std() == pytest.approx(1.0, abs=0.05)
    assert found.sigma[1].mean() / found.sigma[0].mean() == pytest.approx(4, rel=0.05)
    assert not found.pooled.any()
    assert "differ in spread" in found.notes[0]
    assert found.families.tolist() == ["a", "b"]


def test_like_families_share_one_sigma_where_data_allow():
    x, family, target = families()
    found = family_chart(x, family, target=target, pool=True, alpha=0.05)
    assert found.pooled.mean() == pytest.approx(0.95, abs=0.1)
    j = int(np.argmax(found.pooled))
    assert found.sigma[0, j] == found.sigma[1, j] == found.pooled_sigma[j]
    a, b = (x[family == f, j] for f in "ab")
    expected = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 2)  # numpy, equal numbers
    assert found.pooled_sigma[j] == pytest.approx(expected)
    assert found.mean_test.p[j] == pytest.approx(stats.f_oneway(a, b - 40).pvalue)


def test_a_family_too_small_for_a_sigma_is_named():
    x, family, _ = families()
    family = family.astype(object)
    family[-3:] = "new"
    found = family_chart(x, family.astype(str))
    assert np.isnan(found.z[-3:]).all()
    assert not np.isnan(found.z[:-3]).any()
    assert "no sigma for new" in found.notes[0]


def test_a_target_must_be_one_a_family():
    x, family, target = families()
    target[0] = 5
    with pytest.raises(DataError, match="constant in a family"):
        family_chart(x, family, target=target)
