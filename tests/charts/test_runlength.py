import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr

from spc.charts.cusum import cusum
from spc.charts.estimated import estimated_limits, mean_range_law, width_for_rate
from spc.charts.limits import individuals_limits
from spc.charts.memory import ewma
from spc.charts.rules import DEFAULT, RULES, TESTS_1984, ZONES_1956, signals
from spc.charts.runlength import (
    ORDERED,
    noncentral_chi2_sf,
    rules_chain,
    rules_run_length,
    rules_width,
    t2_run_length,
)
from spc.charts.runlength_memory import (
    cusum_limit,
    cusum_run_length,
    ewma_run_length,
    ewma_width,
)
from spc.charts.runlength_mewma import mewma_limit, mewma_run_length
from spc.errors import DataError

NAMES = {
    "1": "beyond limit", "2": "two of three far out", "3": "four of five off centre",
    "4": "eight on one side",
}  # fmt: skip


def first_signals(found):
    """Return the run length of each column; columns without a signal are refused."""
    assert found.any(axis=0).all()
    return found.argmax(axis=0) + 1


def same(values, expected, sigmas=4.0):
    """Hold a simulated mean to an exact one within its own error."""
    error = values.std(ddof=1) / np.sqrt(len(values))
    assert abs(values.mean() - expected) < sigmas * error
    assert error < 0.02 * expected


@pytest.mark.parametrize("name", ["C1", "C12", "C13", "C14", "C123", "C124", "C134", "C1234"])
def test_champ_and_woodall_table(published, name):
    # Champ & Woodall 1987, Table 1 (from memory; cells where memory failed have no value)
    example = published("run_length_zones")
    cells = [(s, v) for rule, s, v in example["published"] if rule == name and v]
    assert len(cells) >= 15
    for shift, value in cells[::2] if name == "C1234" else cells:
        found = rules_run_length([NAMES[c] for c in name[1:]], shift)
        assert found.mean == pytest.approx(float(value), abs=example["tolerance"])


def test_closed_forms():
    # a run of k on one side of an in-control process: 2^k − 1 (renewal of fair coin tosses)
    assert rules_run_length(["eight on one side"]).mean == pytest.approx(2**8 - 1)
    assert rules_run_length(["nine on one side"]).mean == pytest.approx(2**9 - 1)
    p = 2 * stats.norm.sf(3)
    alone = rules_run_length(["beyond limit"])
    assert alone.mean == pytest.approx(1 / p)
    assert alone.sd == pytest.approx(np.sqrt(1 - p) / p)
    assert alone.median == stats.geom.ppf(0.5, p)
    assert (alone.low, alone.high) == (stats.geom.ppf(0.05, p), stats.geom.ppf(0.95, p))
    # k successes in a row of probability q: (q^-k − 1) / (1 − q)
    q = 1 - 2 * stats.norm.sf(1)
    near = rules_run_length(["fifteen near the centre"]).mean
    assert near == pytest.approx((q**-15 - 1) / (1 - q))
    away = rules_run_length(["eight away from the centre"]).mean
    assert away == pytest.approx(((1 - q) ** -8 - 1) / q)


def exact_trend(length):
    """Mean run length of ``length`` values in one direction, by the integral equation on (0, 1)."""
    n = 40
    x, w = np.polynomial.legendre.leggauss(n)
    onto = np.linalg.inv(np.polynomial.legendre.legvander(x, n - 1))
    below = np.column_stack([
        np.polynomial.legendre.legval(x, np.polynomial.legendre.legint(c, lbnd=-1)) / 2
        for c in np.eye(n)
    ]) @ onto  # fmt: skip
    above, steps = w / 2 - below, length - 1
    system = np.eye((steps - 1) * n)
    for k in range(steps - 1):
        rows = slice(k * n, (k + 1) * n)
        if k + 1 < steps - 1:
            system[rows, (k + 1) * n : (k + 2) * n] -= above
        system[rows, :n] -= below[:, ::-1]  # a fall begins: the mirror image of a rise
    rise = np.linalg.solve(system, np.ones(len(system)))[:n]
    return 1 + w / 2 @ (1 + above @ rise + below @ rise[::-1])


def test_six_in_one_direction_against_its_integral_equation():
    found = rules_run_length(["six in one direction"])
    assert found.n == 10_000
    assert abs(found.mean - exact_trend(6)) < 4 * found.error
    assert exact_trend(6) == pytest.approx(421.6, abs=0.05)


@pytest.mark.parametrize(
    ("rules", "shift"), [(ZONES_1956, 0.5), (DEFAULT, 0.0), (TESTS_1984, 1.0)]
)  # fmt: skip
def test_rules_chain_against_the_rules_themselves(rules, shift):
    x = np.random.default_rng(6).normal(shift, 1, size=(1500, 4000))
    hit = np.logical_or.reduce(list(signals(x, 0.0, 1.0, rules=rules).values()))
    open_share = 1 - hit.any(axis=0).mean()
    lengths = first_signals(hit | (np.arange(1500)[:, None] == 1499))
    exact = rules_run_length(rules, shift, runs=20_000)
    assert open_share < 0.002
    same(lengths.astype(float), exact.mean)
    assert np.median(lengths) == pytest.approx(exact.median, rel=0.06)
    assert np.quantile(lengths, 0.95) == pytest.approx(exact.high, rel=0.08)


def test_quantiles_are_those_of_the_chain():
    chain = rules_chain(ZONES_1956, 0.3)
    row, survival = chain.weight, [1.0]
    while survival[-1] > 0.04:
        survival.append(row.sum())
        row = row @ chain.step
    survival = np.array(survival)
    for p in (0.02, 0.05, 0.5, 0.9, 0.95):
        assert chain.quantiles(p)[0] == np.flatnonzero(survival <= 1 - p)[0]
    more = np.sum(survival)  # Σ P(N > n), up to what was left off
    assert more == pytest.approx(chain.mean(), rel=0.05)


def test_width_for_a_wanted_run_length():
    assert rules_width(["beyond limit"], 370.3983473) == pytest.approx(3.0, abs=1e-6)
    width = rules_width(DEFAULT, 300.0)
    assert rules_run_length(DEFAULT, width=width).mean == pytest.approx(300.0)
    with pytest.raises(DataError, match="below 51"):
        rules_width(DEFAULT, 600.0)
    with pytest.raises(DataError, match="rules of zones"):
        rules_width(["six in one direction"], 200.0)


def test_t2_run_length_is_geometric():
    assert t2_run_length(1, 9.0).mean == pytest.approx(370.3983473)
    for p, shift in ((1, 1.0), (3, 0.5), (6, 3.0)):
        expected = 1 / stats.ncx2.sf(14.16, p, shift**2)
        assert t2_run_length(p, 14.16, shift).mean == pytest.approx(expected, rel=1e-8)
    assert noncentral_chi2_sf(80.0, 1, 0.0) == pytest.approx(stats.chi2.sf(80.0, 1))


def test_lucas_and_saccucci_table(published):
    # Lucas & Saccucci 1990, Table 3 (from memory); tolerance as the reference states it
    example = published("run_length_ewma")
    for lam, width in example["inputs"]["designs"]:
        key = f"lambda={lam:g},L={width}"
        for shift, value, tolerance in zip(
            example["inputs"]["shifts"], example["published"][key], example["tolerance"][key],
            strict=True,
        ):  # fmt: skip
            found = ewma_run_length(lam, width, shift, exact_limits=False)
            assert found.mean == pytest.approx(value, abs=tolerance)


@pytest.mark.parametrize(
    ("lam", "width", "shift"), [(0.2, 2.86, 0.5), (0.05, 2.2, 0.3), (0.9, 2.5, 0)]
)
def test_ewma_with_exact_limits_against_the_chart_itself(lam, width, shift):
    x = np.random.default_rng(12).normal(shift, 1, size=(1400, 6000))
    lengths = first_signals(ewma(x, 0.0, 1.0, lam=lam, width=width).beyond).astype(float)
    exact = ewma_run_length(lam, width, shift)
    same(lengths, exact.mean)
    assert lengths.std() == pytest.approx(exact.sd, rel=0.05)
    assert np.quantile(lengths, [0.05, 0.5, 0.95]) == pytest.approx(
        [exact.low, exact.median, exact.high], rel=0.06, abs=1
    )


def test_shifts_that_come_later_against_the_charts_themselves():
    rng, wait, count = np.random.default_rng(21), 60, 12_000
    x = rng.normal(size=(wait + 900, count))
    x[wait:] += 0.75
    charts = {
        "ewma": (ewma(x, 0.0, 1.0, lam=0.1, width=2.2).beyond,
                 ewma_run_length(0.1, 2.2, 0.75, after_a_while=True)),
        "sum": (cusum(x, 0.0, 1.0, h=4.0).rise,
                cusum_run_length(0.5, 4.0, 0.75, two_sided=False, after_a_while=True)),
        "sums": (cusum(x, 0.0, 1.0, h=4.0).beyond,
                 cusum_run_length(0.5, 4.0, 0.75, after_a_while=True)),
        "rules": (np.logical_or.reduce(list(signals(x, 0.0, 1.0, rules=ZONES_1956).values())),
                  rules_run_length(ZONES_1956, 0.75, after_a_while=True)),
    }  # fmt: skip
    for hit, exact in charts.values():
        quiet = ~hit[:wait].any(axis=0)
        same(first_signals(hit[wait:, quiet]).astype(float), exact.mean)


def test_ewma_that_forgets_at_once_is_the_plain_chart():
    for exact in (True, False):
        found = ewma_run_length(1.0, 3.0, 1.0, exact_limits=exact)
        assert found.mean == pytest.approx(rules_run_length(["beyond limit"], 1.0).mean)


def test_ewma_width_solves():
    for lam in (0.05, 0.2, 0.6):
        width = ewma_width(lam, 500.0)
        assert ewma_run_length(lam, width).mean == pytest.approx(500.0)


def test_lucas_and_crosier_tables(published, printed):
    # Lucas & Crosier 1982, Lucas 1976 (from memory), to the printed digits
    example = published("run_length_cusum")
    for key, h, start in (("h4", 4.0, 0.0), ("h5", 5.0, 0.0), ("h5_FIR", 5.0, 2.5)):
        for shift, text in example["published"][key].items():
            found = cusum_run_length(0.5, h, float(shift), head_start=start)
            assert found.mean == pytest.approx(float(text), abs=printed(text)), (key, shift)


def test_hawkins_limits(published):
    # Hawkins 1993, h for 370 (from memory): the last printed pair is 0.006 off, tolerance 0.01
    for k, text in published("run_length_cusum")["published"]["h_for_ARL0_370"].items():
        assert cusum_limit(float(k), 370.0) == pytest.approx(float(text), abs=0.01)


@pytest.mark.parametrize(("start", "shift"), [(0.0, 0.0), (2.0, 0.6), (2.0, 0.0)])
def test_two_sided_cusum_against_the_chart_itself(start, shift):
    x = np.random.default_rng(14).normal(shift, 1, size=(1800, 6000))
    lengths = first_signals(cusum(x, 0.0, 1.0, h=4.0, head_start=start).beyond).astype(float)
    same(lengths, cusum_run_length(0.5, 4.0, shift, head_start=start).mean)


def test_one_sided_cusum_distribution():
    x = np.random.default_rng(15).normal(0.5, 1, size=(600, 8000))
    lengths = first_signals(cusum(x, 0.0, 1.0, h=4.0).rise).astype(float)
    exact = cusum_run_length(0.5, 4.0, 0.5, two_sided=False)
    same(lengths, exact.mean)
    assert lengths.std() == pytest.approx(exact.sd, rel=0.05)
    assert np.median(lengths) == pytest.approx(exact.median, rel=0.05)


def test_head_start_limit_solves():
    h = cusum_limit(0.5, 370.0, head_start_share=0.5)
    found = cusum_run_length(0.5, h, head_start=h / 2)
    assert found.mean == pytest.approx(370.0)
    assert np.isnan(found.median)
    assert "only the mean" in found.note


def test_mewma_of_one_value_is_the_ewma():
    for shift in (0.0, 0.5, 2.0):
        for exact in (True, False):
            one = mewma_run_length(1, 0.2, 2.86**2, shift, exact_limits=exact).mean
            two = ewma_run_length(0.2, 2.86, shift, exact_limits=exact).mean
            assert one == pytest.approx(two, rel=2e-4)


@pytest.mark.parametrize(
    ("p", "lam", "h"),
    [(1, 0.1, 7.4), (2, 0.1, 10.2), (3, 0.1, 12.4), (4, 0.1, 14.4), (6, 0.1, 18.2),
     (1, 0.2, 8.2), (2, 0.2, 11.0), (3, 0.2, 13.4), (4, 0.2, 15.5), (6, 0.2, 19.3)],
)  # fmt: skip
def test_mewma_limits_against_an_independent_simulation(p, lam, h):
    # limits for 370 with the exact start-up covariance, simulated elsewhere to ±2 % of the run
    # length
    assert mewma_limit(p, lam, 370.4) == pytest.approx(h, abs=0.1)


def test_mewma_without_memory_is_t2():
    for p, shift in ((2, 0.0), (3, 1.0)):
        found = mewma_run_length(p, 1.0, 12.0, shift).mean
        assert found == pytest.approx(t2_run_length(p, 12.0, shift).mean, rel=1e-4)


@pytest.mark.parametrize(("p", "shift"), [(3, 1.0), (2, 0.0), (5, 1.5)])
def test_mewma_against_the_chart_itself(p, shift):
    # the chart's own recursion is held to a plain one elsewhere; here it is run side by side
    rng, lam, count = np.random.default_rng(16), 0.2, 6000
    h = mewma_limit(p, lam, 60.0)
    z, lengths, alive = np.zeros((count, p)), np.zeros(count), np.ones(count, dtype=bool)
    n = 0
    while alive.any():
        n += 1
        x = rng.normal(size=(count, p))
        x[:, 0] += shift
        z = lam * x + (1 - lam) * z
        over = alive & ((z**2).sum(axis=1) > h * lam / (2 - lam) * (1 - (1 - lam) ** (2 * n)))
        lengths[over], alive = n, alive & ~over
    exact = mewma_run_length(p, lam, h, shift)
    same(lengths, exact.mean)
    assert lengths.std() == pytest.approx(exact.sd, rel=0.06)


def test_law_of_the_mean_moving_range_against_simulation():
    for m in (6, 25):
        value, weight = mean_range_law(m)
        x = np.random.default_rng(18).normal(size=(m, 200_000))
        simulated = np.abs(np.diff(x, axis=0)).mean(axis=0) / 1.1283791671
        heaped = np.cumsum(weight) - weight / 2
        for p in (0.01, 0.1, 0.5, 0.9, 0.99):
            assert np.interp(p, heaped, value) == pytest.approx(
                np.quantile(simulated, p), rel=0.012
            )
        assert weight @ value == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize(("m", "percent"), [(10, 2.4), (25, 0.87), (50, 0.54), (100, 0.39)])
def test_false_alarms_of_estimated_limits_against_a_simulation_elsewhere(m, percent):
    found = estimated_limits(m)
    assert found.mean_rate * 100 == pytest.approx(percent, rel=0.04)
    assert found.promised == pytest.approx(0.0027, abs=1e-6)


def test_estimated_limits_against_our_own_charts():
    rng = np.random.default_rng(19)
    x = rng.normal(size=(25, 20_000))
    limits = individuals_limits(x)
    rate = ndtr(limits.lower) + ndtr(-limits.upper)
    found = estimated_limits(25)
    same(rate, found.mean_rate)
    assert np.quantile(rate, [0.1, 0.5, 0.9]) == pytest.approx(
        [found.low_rate, found.median_rate, found.high_rate], rel=0.04
    )
    assert (1 - (1 - rate) ** 100).mean() == pytest.approx(found.any_in, rel=0.02)
    assert np.quantile(limits.sigma, [0.025, 0.975]) == pytest.approx(
        [found.sigma_low, found.sigma_high], rel=0.02
    )


def test_limits_by_the_standard_deviation_are_exact():
    # one new piece beyond x̄ ± w s: Student's t with m − 1 degrees of freedom
    for m in (5, 12, 400):
        expected = 2 * stats.t.sf(3 / np.sqrt(1 + 1 / m), m - 1)
        found = estimated_limits(m, estimator="standard deviation")
        assert found.mean_rate == pytest.approx(expected, rel=1e-5)


def test_width_that_keeps_the_promise():
    for m in (10, 25, 200):
        width = width_for_rate(m, 0.0027)
        assert estimated_limits(m, width=width).mean_rate == pytest.approx(0.0027, rel=1e-6)
    exact = np.sqrt(1 + 1 / 12) * stats.t.isf(0.00135, 11)
    assert width_for_rate(12, 0.0027, estimator="standard deviation") == pytest.approx(
        exact, rel=1e-5
    )


def test_what_has_no_run_length_is_refused():
    with pytest.raises(DataError, match="rule must be one of"):
        rules_run_length(["nonsense"])
    with pytest.raises(DataError, match="one or more names"):
        rules_run_length([])
    with pytest.raises(DataError, match="all but never signals"):
        rules_run_length(["beyond limit"], width=9.0)
    with pytest.raises(DataError, match="m must be 5 or more"):
        estimated_limits(4)
    assert all(
        RULES[name].kind in ORDERED for name in ("six in one direction", "fourteen up and down")
    )
