import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import log_ndtr
from scipy.stats import studentized_range

from spc.charts import constants
from spc.errors import DataError


def test_constants_exact(published):
    # exact table for n = 2..25 by independent integration, to 1e-10
    for row in published("constants")["exact"]:
        ours = constants.chart_constants(int(row["n"]))
        for name, value in row.items():
            assert getattr(ours, name) == pytest.approx(value, abs=2e-10), (row["n"], name)


def test_constants_as_printed(published):
    # ASTM MNL 7; where older tables used rounded d2, d3 the last digit differs by up to 1.6 units
    units = []
    for n, row in published("constants")["table"].items():
        ours = constants.chart_constants(int(n))
        for name, text in row.items():
            unit = 10.0 ** -len(text.partition(".")[2])
            units.append(abs(getattr(ours, name) - float(text)) / unit)
    assert max(units) < 1.6
    assert np.mean(np.array(units) <= 0.5) > 0.9


@pytest.mark.parametrize("n", [2, 3, 25, 100, 1000, 100_000])
def test_mean_range_against_order_statistics(n):
    # Tippett 1925: E R = ∫ 1 − (1−Φ)^n − Φ^n
    def tails(x):
        return -np.expm1(n * log_ndtr(x)) - np.exp(n * log_ndtr(-x))

    value = quad(tails, -12, 12, limit=500, epsabs=1e-12, points=[0.0])[0]
    assert constants.d2(n) == pytest.approx(value, abs=1e-9)


def test_range_law_against_scipy():
    # the studentized range with infinite degrees of freedom is the range itself
    r = np.array([0.5, 1.0, 2.0, 3.5, 5.0])
    for n in (2, 5, 12):
        expected = studentized_range.cdf(r, n, np.inf)
        assert constants.range_cdf(r, n) == pytest.approx(expected, abs=1e-8)


def test_median_range_of_two():
    # |N(0, √2)| has its median at √2 Φ⁻¹(3/4)
    assert constants.median_range(2) == pytest.approx(0.9538725524, abs=1e-9)


@given(st.integers(2, 400))
def test_constants_are_consistent(n):
    k = constants.chart_constants(n)
    assert pytest.approx(3 / np.sqrt(n)) == k.A2 * k.d2 == pytest.approx(k.A3 * k.c4)
    assert k.B3 + k.B4 == pytest.approx(2) or k.B3 == 0
    assert 0 < k.c4 < 1


def test_c4_keeps_the_shape_and_says_nothing_below_two():
    c = constants.c4([[1, 2], [0, 5]])
    assert np.isnan(c[:, 0]).all()
    assert c[:, 1] == pytest.approx([np.sqrt(2 / np.pi), 0.9399856])


@pytest.mark.parametrize("n", [1, 0, 2.5, float("inf"), 10**7])
def test_sizes_that_have_no_constants(n):
    with pytest.raises(DataError, match="whole number from 2"):
        constants.d2(n)


def test_width_must_be_positive():
    with pytest.raises(DataError, match="width must be above 0, not -3"):
        constants.chart_constants(5, width=-3)
