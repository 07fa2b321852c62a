import numpy as np
import pytest
from scipy import stats

from spc.charts.budget import budget, false_alarms
from spc.charts.design import compare_designs, pieces_for_shift
from spc.charts.rules import DEFAULT, TESTS_1984, ZONES_1956
from spc.charts.runlength import rules_run_length
from spc.charts.runlength_memory import ewma_run_length, ewma_width
from spc.errors import DataError


@pytest.mark.parametrize("shift", [0.5, 1.0, 3.0])
def test_every_design_keeps_the_wanted_run_length(shift):
    found = compare_designs(shift, run_length=250.0)
    for design in found.designs:
        assert design.in_control.mean == pytest.approx(250.0, rel=1e-6)
    order = [d.pieces_to_signal for d in found.designs]
    assert order == sorted(order)
    names = {d.chart for d in found.designs}
    assert names == {"limits alone", "limits and run rules", "moving average", "cumulative sum"}


def test_memory_finds_small_shifts_sooner_and_limits_large_ones_as_soon():
    small = {d.chart: d.shifted.mean for d in compare_designs(0.5).designs}
    large = {d.chart: d.shifted.mean for d in compare_designs(4.0).designs}
    assert small["moving average"] < small["limits alone"] / 4
    assert small["cumulative sum"] < small["limits alone"] / 4
    assert large["limits alone"] < 1.25
    assert large["moving average"] == pytest.approx(large["limits alone"], abs=0.1)


def test_the_weight_chosen_is_the_quickest_of_its_list():
    found = next(d for d in compare_designs(1.0).designs if d.chart == "moving average")
    for lam in (0.05, 0.1, 0.2, 0.3, 0.5):
        width = ewma_width(lam, 370.4)
        other = ewma_run_length(lam, width, 1.0, after_a_while=True).mean
        assert found.shifted.mean <= other + 1e-6


def test_unit_and_batches():
    in_mm = compare_designs(0.5, sigma=0.25, batch=4, run_length=100.0)
    in_sigma = compare_designs(4.0, run_length=100.0)
    assert in_mm.shift_in_sigma == pytest.approx(4.0)
    for a, b in zip(in_mm.designs, in_sigma.designs, strict=True):
        assert a.chart == b.chart
        assert a.shifted.mean == pytest.approx(b.shifted.mean)
        assert a.pieces_to_signal == pytest.approx(4 * b.pieces_to_signal)


def test_spread_between_batches_is_not_averaged_away():
    found = compare_designs(1.0, sigma=1.0, sigma_between=1.0, batch=100)
    assert found.sigma_charted == pytest.approx(np.sqrt(1.01))
    assert any("between batches" in note for note in found.notes)


def test_what_run_rules_cannot_keep_is_said():
    found = compare_designs(1.0, run_length=1000.0)
    assert len(found.designs) == 3
    assert any("run rules" in note and "below 51" in note for note in found.notes)


def test_batch_for_a_shift():
    # P(|Z + δ√n| > 3) ≥ 1/2 from δ√n = 3: with δ = 1 nine pieces, on average 2 batches
    n = pieces_for_shift(1.0, 2.0, run_length=1 / (2 * stats.norm.sf(3)))
    assert n == 9
    assert pieces_for_shift(0.1, 1.5, sigma_between=1.0) is None


@pytest.mark.parametrize(
    ("rules", "expected"),
    [(["beyond limit"], 2.4), (DEFAULT, 4.1), (ZONES_1956, 9.8), (TESTS_1984, 12.2)],
)
def test_a_month_of_nine_charts_and_a_hundred_pieces(rules, expected):
    # simulated elsewhere, two digits printed; the last set has rules of order, simulated here too
    assert false_alarms(9, 100, rules=rules).expected == pytest.approx(expected, rel=0.025)


def test_chance_of_any_false_alarm_lies_within_its_bounds():
    found = false_alarms(9, 100, rules=["beyond limit"])
    rng = np.random.default_rng(2)
    for tie, expected in ((0.0, found.any_independent), (1.0, found.any_low)):
        common = rng.normal(size=(3000, 100, 1))
        own = rng.normal(size=(3000, 100, 9))
        x = common if tie else own
        seen = (np.abs(x) > 3).any(axis=(1, 2)).mean()
        assert seen == pytest.approx(expected, abs=0.03)
    assert found.any_low < found.any_independent < found.any_high


def test_few_reference_pieces_cost_false_alarms():
    known, few = (
        false_alarms(9, 100, rules=["beyond limit"]),
        false_alarms(9, 100, rules=["beyond limit"], m=25),
    )
    assert few.expected / known.expected == pytest.approx(0.0089 / 0.0027, rel=0.02)
    assert few.note == ""
    assert "run rules" in false_alarms(9, 100, m=25).note


@pytest.mark.parametrize(("points", "width"), [(9, 3.62), (20, 3.82)])
def test_family_rate_of_one_chart(points, width):
    # 0.0027 shared among k charts, two-sided: closed form
    assert budget(points, 1 / 0.0027).width == pytest.approx(width, abs=0.005)
    assert budget(points, 1 / 0.0027).width == pytest.approx(stats.norm.isf(0.00135 / points))


def test_budget_is_kept():
    found = budget(9, 100, months=6)
    assert false_alarms(
        9, 100, rules=["beyond limit"], width=found.width
    ).expected * 6 == pytest.approx(1)
    careful = budget(9, 100, months=6, m=40)
    assert careful.width > found.width
    kept = false_alarms(9, 100, rules=["beyond limit"], width=careful.width, m=40).expected
    assert kept * 6 == pytest.approx(1)
    ruled = budget(3, 100, rules=DEFAULT)
    assert rules_run_length(DEFAULT, width=ruled.width).mean == pytest.approx(300)
    assert found.piece_low < found.piece_independent < found.piece_high


def test_budgets_that_cannot_be_kept_are_refused():
    with pytest.raises(DataError, match="below 51"):
        budget(9, 100, months=6, rules=DEFAULT)
    with pytest.raises(DataError, match="left out where run rules"):
        budget(3, 100, rules=DEFAULT, m=30)
    with pytest.raises(DataError, match="pieces must be above 0"):
        budget(9, 0)
    with pytest.raises(DataError, match="shift must be above 0"):
        compare_designs(0.0)
