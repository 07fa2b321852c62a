"""Run sheets, expected widths and shorter designs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from spc.errors import DataError
from spc.gauge.anova import crossed_study
from spc.gauge.intervals import anova_quantities
from spc.gauge.power import balanced_counts, expected_widths
from spc.gauge.run_sheet import run_sheet

SD = {"hit": 0.05, "setup": 0.15, "operator_piece": 0.05, "operator": 0.15, "piece": 1.0}


@given(
    st.integers(1, 8),
    st.integers(1, 4),
    st.integers(1, 4),
    st.integers(1, 3),
    st.integers(1, 3),
    st.integers(1, 2),
    st.integers(0, 999),
)
@settings(max_examples=40, deadline=None)
def test_every_setup_comes_once_in_day_order(
    pieces, operators, setups, days, stations, probes, seed
):
    sheet = run_sheet(
        pieces=pieces,
        operators=operators,
        setups=setups,
        days=days,
        stations=stations,
        probes=probes,
        rng=np.random.default_rng(seed),
    )
    rows = set(
        zip(sheet.piece.tolist(), sheet.operator.tolist(), sheet.setup.tolist(), strict=True)
    )
    assert len(rows) == sheet.piece.size == pieces * operators * setups
    assert (np.diff(sheet.day) >= 0).all()
    for codes, size in ((sheet.day, days), (sheet.station, stations), (sheet.probe, probes)):
        assert codes.min() >= 0
        assert codes.max() < size


def test_no_piece_comes_twice_in_a_row_and_the_seed_fixes_the_order():
    for seed in range(20):
        make = dict(pieces=6, operators=3, setups=2, days=2)
        a = run_sheet(**make, rng=np.random.default_rng(seed))
        b = run_sheet(**make, rng=np.random.default_rng(seed))
        assert (np.diff(a.piece) != 0).all()
        np.testing.assert_array_equal(a.piece, b.piece)
        np.testing.assert_array_equal(a.operator, b.operator)
    other = run_sheet(**make, rng=np.random.default_rng(99))
    assert (a.piece != other.piece).any()


def test_first_places_are_dealt_fairly():
    first = [
        run_sheet(pieces=6, operators=2, setups=2, rng=np.random.default_rng(s)).piece[0]
        for s in range(600)
    ]
    assert stats.chisquare(np.bincount(first, minlength=6)).pvalue > 0.001


def test_days_and_stations_are_told_apart_and_meet_equally_often():
    sheet = run_sheet(
        pieces=6, operators=2, setups=2, days=2, stations=2, rng=np.random.default_rng(3)
    )
    assert {"day", "station", "piece", "operator", "operator_piece", "setup", "hit"} == set(
        sheet.separable.kept
    )
    pairs = np.bincount(sheet.day * 2 + sheet.station)
    np.testing.assert_array_equal(pairs, [6, 6, 6, 6])


def test_a_sheet_says_what_it_will_not_show():
    one = run_sheet(pieces=10, operators=1, setups=1, rng=np.random.default_rng(1))
    assert any("one operator" in note for note in one.notes)
    assert any("re-alignment will not be told" in note for note in one.notes)
    assert "setup" in {m.name for m in one.separable.merged}
    alone = run_sheet(pieces=1, operators=2, setups=3, rng=np.random.default_rng(1))
    assert any("twice in a row" in note for note in alone.notes)


def test_a_broken_off_study_goes_on_with_what_is_left():
    sheet = run_sheet(pieces=5, operators=2, setups=2, rng=np.random.default_rng(1))
    done = np.arange(20) < 7
    left = sheet.remaining(done)
    np.testing.assert_array_equal(left.piece, sheet.piece[7:])
    np.testing.assert_array_equal(left.setup, sheet.setup[7:])


def test_impossible_sizes_are_refused():
    with pytest.raises(DataError, match="pieces must be a whole number of 1 or more, not 0"):
        run_sheet(pieces=0, operators=1, setups=1, rng=np.random.default_rng(1))


def test_simulated_mean_squares_are_those_of_simulated_readings():
    # Twin: the whole way from readings through the analysis of variance.
    counts = balanced_counts(8, 3, 2, 3)
    got = expected_widths(counts, SD, rng=np.random.default_rng(1), studies=16_000)
    rng = np.random.default_rng(2)
    n = 16_000  # the 95 % point of an estimate is then known to about 1 %
    y = (
        SD["piece"] * rng.normal(size=(8, 1, 1, 1, n))
        + SD["operator"] * rng.normal(size=(1, 3, 1, 1, n))
        + SD["operator_piece"] * rng.normal(size=(8, 3, 1, 1, n))
        + SD["setup"] * rng.normal(size=(8, 3, 2, 1, n))
        + SD["hit"] * rng.normal(size=(8, 3, 2, 3, n))
    ).reshape(-1, n)
    study = crossed_study(y, *np.indices((8, 3, 2, 3)).reshape(4, -1)[:3], pool="never")
    seen = anova_quantities(study)
    for name, band in (
        ("gauge", seen.gauge),
        ("of_study", seen.of_study),
        ("setup", seen.sd["setup"]),
    ):
        width = got.width(name)
        assert width.low == pytest.approx(np.median(band.low), rel=0.03)
        assert width.high == pytest.approx(np.median(band.high), rel=0.05)
        assert width.estimate_low == pytest.approx(np.quantile(band.value, 0.05), rel=0.03)
        assert width.estimate_high == pytest.approx(np.quantile(band.value, 0.95), rel=0.03)


def test_chance_of_no_operator_at_all_is_that_of_the_f_distribution():
    got = expected_widths(
        balanced_counts(10, 3, 2, 1), SD, rng=np.random.default_rng(3), studies=20_000
    )
    setup = SD["hit"] ** 2 + SD["setup"] ** 2
    both = setup + 2 * SD["operator_piece"] ** 2
    operator = both + 20 * SD["operator"] ** 2
    assert got.width("operator").zero == pytest.approx(
        stats.f.cdf(both / operator, 2, 18), abs=0.006
    )


def test_widths_of_one_variance_are_the_chi_square_factors():
    got = expected_widths(balanced_counts(10, 3, 2, 3), SD, rng=np.random.default_rng(4)).width(
        "hit"
    )
    low, high = np.sqrt(120 / stats.chi2.isf(0.025, 120)), np.sqrt(120 / stats.chi2.ppf(0.025, 120))
    assert got.formula_low == pytest.approx(0.05 * low)
    assert got.formula_high == pytest.approx(0.05 * high)
    assert got.factor == pytest.approx(high / low, rel=1e-6)


def test_a_ten_by_three_by_two_study_reports_widely():
    # Common experience: a true 22 % is reported as anything from about 15 to 37 %.
    sd = {"setup": 0.155, "operator": 0.15, "operator_piece": 0.05, "piece": 1.0}
    got = expected_widths(balanced_counts(10, 3, 2, 1), sd, rng=np.random.default_rng(5))
    width = got.width("of_study")
    assert width.truth == pytest.approx(0.216, abs=0.01)
    assert width.estimate_low < 0.16
    assert width.estimate_high > 0.33
    assert width.factor > 4


def test_what_the_design_does_not_see_has_no_width():
    got = expected_widths(balanced_counts(10, 1, 2, 1), SD, rng=np.random.default_rng(6))
    assert np.isnan(got.width("operator").truth)
    assert np.isnan(got.width("hit").high)
    assert got.width("setup").truth == pytest.approx(np.hypot(0.15, 0.05))


def test_chance_of_a_clear_answer_grows_with_operators():
    few, many = (
        expected_widths(
            balanced_counts(10, o, 2, 3), SD, rng=np.random.default_rng(7), tolerance=8.0
        )
        for o in (3, 8)
    )
    assert many.sort_shown > few.sort_shown + 0.2
    assert np.isnan(
        expected_widths(balanced_counts(5, 3, 2, 3), SD, rng=np.random.default_rng(8)).sort_shown
    )


def test_assumptions_that_make_no_sense_are_refused():
    counts = balanced_counts(5, 3, 2, 3)
    with pytest.raises(DataError, match="unknown source"):
        expected_widths(counts, {"station": 1.0}, rng=np.random.default_rng(1))
    with pytest.raises(DataError, match="not all zero"):
        expected_widths(counts, {"hit": 0.0}, rng=np.random.default_rng(1))
