"""Nested and one-way tables against certified data sets, published tables and exact arithmetic."""

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from spc.errors import DataError
from spc.gauge.anova import crossed_study
from spc.gauge.nested import nested_study, one_way, one_way_from_summary

REFERENCE = Path(__file__).parent.parent / "reference"


def reference(name):
    return json.loads((REFERENCE / f"gauge_{name}.json").read_text(encoding="utf-8"))


CERTIFIED = reference("smls")["sets"]


def certified(name):
    case = CERTIFIED[name]
    response = [float(value) for value in case["response"]]
    return (
        np.repeat(response, case["count"]),
        np.repeat(case["treatment"], case["count"]),
        case["published"],
    )


# Digits that a double can hold: the sets have 0, 6 and 12 constant leading digits.
DIGITS = {
    "smls01": 13,
    "smls02": 13,
    "smls03": 12,
    "smls04": 9,
    "smls05": 9,
    "smls07": 4,
    "smls09": 3.9,
}


@pytest.mark.parametrize("name", sorted(DIGITS))
def test_certified_one_way_tables(name):
    y, group, said = certified(name)
    for got in (one_way(y, group), None):
        if got is None:
            table = nested_study(y, {"group": group})
            f, within, between = table.f[0, 0], table.mean_squares[1, 0], table.mean_squares[0, 0]
        else:
            f, within, between = got.f[0], got.within[0], got.between[0]
        assert f == pytest.approx(said["F"], rel=10.0 ** -DIGITS[name])
        assert within == pytest.approx(said["MSW"], rel=10.0 ** -DIGITS[name])
        assert between == pytest.approx(said["MSB"], rel=10.0 ** -DIGITS[name])


def exact_f(y, group):
    """Twin: F in exact rational arithmetic of the very doubles that were passed in."""
    values = {}
    for g, v in zip(group, y, strict=True):
        values.setdefault(g, []).append(Fraction(float(v)))
    everything = [v for part in values.values() for v in part]
    grand = sum(everything) / len(everything)
    mean = {g: sum(part) / len(part) for g, part in values.items()}
    between = sum(len(part) * (mean[g] - grand) ** 2 for g, part in values.items())
    within = sum((v - mean[g]) ** 2 for g, part in values.items() for v in part)
    return between / (len(values) - 1) / (within / (len(everything) - len(values)))


@pytest.mark.parametrize("name", ["smls04", "smls07"])
def test_no_digit_that_the_input_has_is_lost(name):
    y, group, _ = certified(name)
    want = float(exact_f(y, group))
    assert one_way(y, group).f[0] == pytest.approx(want, rel=1e-13)
    assert nested_study(y, {"group": group}).f[0, 0] == pytest.approx(want, rel=1e-12)


def test_certified_resistivity_table():
    case = reference("sirstv")
    got, said = one_way(case["data"]["response"], case["data"]["treatment"]), case["published"]
    assert got.between[0] == pytest.approx(said["MSB"], rel=1e-11)
    assert got.within[0] == pytest.approx(said["MSW"], rel=1e-11)
    assert got.f[0] == pytest.approx(said["F"], rel=1e-11)
    assert (got.between_dof[0], got.within_dof[0]) == (said["df_between"], said["df_within"])


def test_turnip_leaves_in_plants():
    case = reference("turnip")
    data, said = case["data"], case["published"]
    got = nested_study(data["calcium_pct"], {"plant": data["plant"], "leaf": data["leaf"]})
    want = [said["MS_plants"], said["MS_leaves"], said["MS_determinations"]]
    np.testing.assert_allclose(got.mean_squares[:, 0], want, atol=1.1e-4)
    want = [said["var_plant"], said["var_leaf"], said["var_determination"]]
    np.testing.assert_allclose(got.variance[:, 0], want, atol=1.1e-4)
    np.testing.assert_array_equal(got.dof, [3, 8, 12])


def test_dyestuff_batches():
    case = reference("dyestuff")
    batch, said = np.unique(case["data"]["batch"], return_inverse=True)[1], case["published"]
    got = one_way(case["data"]["yield"], batch)
    assert got.between[0] == pytest.approx(said["anova_MS_between"], abs=0.5)
    assert got.within[0] == pytest.approx(said["anova_MS_within"], abs=0.05)
    assert got.group[0] == pytest.approx(said["var_batch_anova"], abs=0.1)


def test_voltage_standard_over_days_from_its_summary():
    # Guide to the expression of uncertainty, annex H.5: 10 days x 5 readings.
    case = reference("zener")
    given, said = case["inputs"], case["published"]
    sd = np.array(given["daily_sd_microvolt"]) * 1e-6
    got = one_way_from_summary(given["daily_mean_V"], sd**2, np.full(10, 5))
    assert got.mean[0] == pytest.approx(said["mean"], abs=5e-7)
    assert 1e6 * np.sqrt(got.between[0]) == pytest.approx(said["s_a_uV"], abs=0.5)
    assert 1e6 * np.sqrt(got.within[0]) == pytest.approx(said["s_b_uV"], abs=0.5)
    assert 1e6 * np.sqrt(got.group[0]) == pytest.approx(said["s_B_uV"], abs=0.5)
    # The guide's F comes from the rounded 128 and 85.
    assert got.f[0] == pytest.approx(said["F"], abs=0.05)
    assert stats.f.isf(0.05, 9, 40) < got.f[0] < stats.f.isf(0.025, 9, 40)


@pytest.mark.parametrize("level", ["1", "2", "3", "4"])
def test_repeatability_and_reproducibility_with_unequal_replication(level):
    # ISO 5725-2 example: sulfur in coal, 8 laboratories, unequal numbers of tests.
    case = reference("coal_sulfur")
    data, said = case["data"], case["published"][level]
    rows = np.array(data["level"]) == int(level)
    got = one_way(np.array(data["y"])[rows], np.array(data["laboratory"])[rows])
    assert got.mean[0] == pytest.approx(said["m"], abs=5.5e-4)
    assert np.sqrt(got.within[0]) == pytest.approx(said["s_r"], abs=5.5e-4)
    assert np.sqrt(got.reproducibility[0]) == pytest.approx(said["s_R"], abs=5.5e-4)


def test_missing_values_leave_each_point_its_own_groups():
    rng = np.random.default_rng(3)
    y, group = rng.normal(size=(24, 3)), np.repeat(np.arange(6), 4)
    y[2:9, 1] = np.nan
    y[4:, 2] = np.nan
    got = one_way(y, group)
    rows = ~np.isnan(y[:, 1])
    f, p = stats.f_oneway(*(y[rows & (group == g), 1] for g in np.unique(group[rows])))
    assert got.f[1] == pytest.approx(f)
    assert got.p[1] == pytest.approx(p)
    assert np.isnan(got.f[2])


def test_published_gauge_study_over_days_and_runs():
    # Engineering statistics handbook 2.6.1: level 2 days, level 3 runs, five wafers pooled.
    case = reference("nested_study")
    data, said = case["data"], case["published"]
    rows = np.array(data["probe"]) == 2362
    wafer, run = (np.array(data[k])[rows] for k in ("wafer", "run"))
    average = np.array(data["average_ohm_cm"])[rows]
    short = np.array(data["stddev_ohm_cm"])[rows]
    got = nested_study(average, {"wafer": wafer, "run": run})
    assert np.sqrt(got.mean_squares[2, 0]) == pytest.approx(said["s2"], abs=5.5e-6)
    assert got.dof[2] == said["df2"]
    assert np.sqrt(got.mean_squares[1, 0] / 6) == pytest.approx(said["s3"], abs=5.5e-5)
    assert got.dof[1] == said["df3"]
    assert np.sqrt(got.raw[1, 0]) == pytest.approx(said["s_runs"], abs=2e-6)
    repeat = np.mean(short**2)
    assert np.sqrt(repeat) == pytest.approx(said["s1"], abs=5.5e-6)
    days = got.mean_squares[2, 0] - repeat / 6
    assert np.sqrt(days) == pytest.approx(said["s_days"], abs=2e-6)


def test_machine_screws_by_machine():
    case = reference("machine_screw")
    said = case["published"]
    got = one_way(case["data"]["diameter"], case["data"]["machine"])
    assert got.f[0] == pytest.approx(said["one_factor"]["F"], abs=0.005)
    assert got.p[0] == pytest.approx(said["one_factor"]["p"], rel=2e-4)
    between, within = said["one_factor"]["SS"]
    assert got.between[0] * 2 == pytest.approx(between, abs=5.5e-9)
    assert got.within[0] * 177 == pytest.approx(within, abs=5.5e-9)


def test_four_levels_are_those_of_a_general_linear_model():
    rng = np.random.default_rng(4)
    a, b, c, _ = (f.ravel() for f in np.indices((3, 2, 4, 2)))
    y = rng.normal(size=48) + rng.normal(size=3)[a] + rng.normal(size=6)[a * 2 + b]
    got = nested_study(y, {"a": a, "b": b, "c": c})
    frame = pd.DataFrame({"y": y, "a": a, "b": b, "c": c})
    table = anova_lm(ols("y ~ C(a) + C(a):C(b) + C(a):C(b):C(c)", frame).fit())
    np.testing.assert_allclose(got.mean_squares[:, 0], table["mean_sq"], rtol=1e-9)
    np.testing.assert_allclose(got.f[2, 0], table["F"].iloc[2], rtol=1e-9)
    np.testing.assert_allclose(got.p[2, 0], table["PR(>F)"].iloc[2], rtol=1e-7)


def test_one_operator_crossed_is_nested():
    rng = np.random.default_rng(9)
    p, s, _ = (f.ravel() for f in np.indices((6, 3, 2)))
    y = rng.normal(size=(36, 5))
    a = nested_study(y, {"piece": p, "setup": s})
    b = crossed_study(y, p, np.zeros(36, int), s)
    np.testing.assert_allclose(a.raw[::-1], b.raw[[0, 1, 4]], rtol=1e-9)


def test_single_rows_in_a_level_leave_its_hits_without_a_mean_square():
    got = nested_study(np.arange(8.0) ** 2, {"a": np.repeat([0, 1], 4), "b": np.arange(8)})
    assert np.isnan(got.mean_squares[2, 0])
    assert np.isnan(got.f[1, 0])
    assert got.raw[1, 0] == pytest.approx(got.mean_squares[1, 0])


def test_unequal_numbers_and_missing_values_are_refused():
    with pytest.raises(DataError, match="restricted maximum likelihood"):
        nested_study(np.arange(5.0), {"a": [0, 0, 0, 1, 1]})
    with pytest.raises(DataError, match="missing"):
        nested_study([1.0, np.nan, 2.0, 3.0], {"a": [0, 0, 1, 1]})
    with pytest.raises(DataError, match="counts must be 1 or more"):
        one_way_from_summary([1.0, 2.0], [0.1, 0.1], [0, 3])
