"""Average-and-range method against its manual's example and tables of range factors."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from spc.errors import DataError
from spc.gauge.average_range import average_range, range_factor

REFERENCE = Path(__file__).parent.parent / "reference"


def box():
    case = json.loads((REFERENCE / "gauge_msa_10x3x3.json").read_text(encoding="utf-8"))
    data = case["data"]
    operator = np.unique(data["appraiser"], return_inverse=True)[1]
    y = np.full((10, 3, 3), np.nan)
    y[np.array(data["part"]) - 1, operator, np.array(data["trial"]) - 1] = data["y"]
    return y, case["published"]


def test_published_example():
    y, said = box()
    got = average_range(y)
    # The manual multiplies by factors rounded to four digits.
    assert got.repeatability[0] == pytest.approx(said["rng_EV"], rel=2e-4)
    assert got.reproducibility[0] == pytest.approx(said["rng_AV"], rel=3e-4)
    assert got.gauge[0] == pytest.approx(said["rng_GRR"], rel=2e-4)
    assert got.pieces[0] == pytest.approx(said["rng_PV"], rel=3e-4)
    assert got.total[0] == pytest.approx(said["rng_TV"], rel=3e-4)
    assert 100 * got.of_study[0] == pytest.approx(said["rng_pct_GRR"], abs=0.01)
    assert got.distinct[0] == pytest.approx(said["rng_ndc"], abs=0.003)
    np.testing.assert_allclose(got.mean_range[:, 0], said["rng_Rbar_by_appraiser"], atol=5e-4)
    np.testing.assert_allclose(got.operator_mean[:, 0], said["rng_Xbar_by_appraiser"], atol=5e-5)


def test_range_factors_are_those_of_the_tables():
    # Manual's K factors 0.5908 (3 trials), 0.5231 (3 operators), 0.3146 (10 pieces).
    assert 1 / range_factor(3, 30) == pytest.approx(0.5908, abs=5e-5)
    assert 1 / range_factor(3, 1) == pytest.approx(0.5231, abs=5e-5)
    assert 1 / range_factor(10, 1) == pytest.approx(0.3146, abs=5e-5)
    # Standard deviation of the range, table of control-chart constants: d3 0.8525, 0.7971.
    for size, d3 in ((2, 0.8525), (10, 0.7971)):
        square = range_factor(size, 1) ** 2 - range_factor(size, 99) ** 2
        assert np.sqrt(square) == pytest.approx(d3, abs=6e-5)
    assert range_factor(2, 1) == pytest.approx(np.sqrt(2), rel=1e-9)
    for size in (4, 20):
        whole = integrate.quad(
            lambda x, n=size: 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n, -10, 10
        )[0]
        assert range_factor(size, 99) == pytest.approx(whole, rel=1e-8)


def test_one_operator_says_what_was_not_tested():
    y, _ = box()
    got = average_range(y[:, :1])
    assert got.reproducibility[0] == 0.0
    assert "not tested" in got.note


def test_too_little_is_refused():
    y, _ = box()
    with pytest.raises(DataError, match="2 pieces and 2 trials"):
        average_range(y[:, :, :1])
    y[0, 0, 0] = np.nan
    with pytest.raises(DataError, match="missing"):
        average_range(y)
