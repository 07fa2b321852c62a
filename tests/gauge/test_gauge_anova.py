"""Mean squares and components of a crossed study against a general library and published tables."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from spc.errors import DataError
from spc.gauge.anova import crossed_study

REFERENCE = Path(__file__).parent.parent / "reference"
ROWS = ("hit", "setup", "operator_piece", "operator", "piece")


def reference(name):
    return json.loads((REFERENCE / f"gauge_{name}.json").read_text(encoding="utf-8"))


def levels(values):
    return np.unique(np.asarray(values), return_inverse=True)[1]


def box_study(p, o, s, n, points=3, seed=1):
    rng = np.random.default_rng(seed)
    y = (
        rng.normal(size=(p, 1, 1, 1, points))
        + 0.4 * rng.normal(size=(1, o, 1, 1, points))
        + 0.3 * rng.normal(size=(p, o, 1, 1, points))
        + 0.5 * rng.normal(size=(p, o, s, 1, points))
        + 0.2 * rng.normal(size=(p, o, s, n, points))
    )
    index = np.indices((p, o, s, n)).reshape(4, -1)
    return y.reshape(-1, points), index[0], index[1], index[2]


def test_mean_squares_are_those_of_a_general_linear_model():
    y, p, o, s = box_study(5, 3, 2, 3)
    got = crossed_study(y, p, o, s, pool="never")
    for point in range(3):
        frame = pd.DataFrame({"y": y[:, point], "p": p, "o": o, "s": s})
        table = anova_lm(ols("y ~ C(p)*C(o) + C(p):C(o):C(s)", frame).fit())
        rows = ["Residual", "C(p):C(o):C(s)", "C(p):C(o)", "C(o)", "C(p)"]
        np.testing.assert_allclose(got.mean_squares[:, point], table["mean_sq"][rows], rtol=1e-9)
        np.testing.assert_allclose(got.dof[:, point], table["df"][rows])


def test_published_gauge_study_with_pooled_interaction():
    # Measurement Systems Analysis manual, 10 x 3 x 3; its trials are set-ups of one hit here.
    case = reference("msa_10x3x3")
    data, said = case["data"], case["published"]
    got = crossed_study(data["y"], data["part"], levels(data["appraiser"]), data["trial"])
    assert got.pooled.all()
    want = [said["MS_equipment"], said["MS_interaction"], said["MS_appraiser"], said["MS_parts"]]
    np.testing.assert_allclose(got.mean_squares[1:, 0], want, atol=5.5e-6)
    assert got.f[2, 0] == pytest.approx(said["F_interaction"], abs=5.5e-4)
    assert got.component("setup")[0] == pytest.approx(said["var_equipment_pooled"], abs=5.5e-7)
    assert got.component("operator")[0] == pytest.approx(said["var_appraiser"], abs=5.5e-7)
    # 1.0864466 printed as 1.086446: cut, not rounded, so a whole unit of the last digit.
    assert got.component("piece")[0] == pytest.approx(said["var_part"], abs=1e-6)
    assert np.sqrt(got.gauge_variance()[0]) == pytest.approx(said["GRR"], abs=5.5e-6)
    assert np.sqrt(got.piece_variance()[0]) == pytest.approx(said["PV"], abs=5.5e-6)


def test_published_study_of_twenty_parts_with_an_estimate_below_zero():
    # Montgomery, Design and Analysis of Experiments; its measurements are set-ups of one hit here.
    case = reference("capability_experiment")
    said, y = case["published"], np.array(case["data"]["y"], dtype=float)
    part, column = np.indices(y.shape)
    codes = part.ravel(), column.ravel() // 2, column.ravel() % 2
    full = crossed_study(y.ravel(), *codes, pool="never")
    names = ("error", "interaction", "operator", "part")
    np.testing.assert_allclose(full.dof[1:, 0], [said["df"][n] for n in names])
    squares = full.mean_squares[1:, 0] * full.dof[1:, 0]
    np.testing.assert_allclose(squares, [said["SS"][n] for n in names], atol=5.1e-4)
    assert full.f[2, 0] == pytest.approx(said["F"]["interaction"], abs=5e-3)
    np.testing.assert_allclose(full.raw[1:, 0], [said["variance"][n] for n in names], atol=5e-3)
    reduced = crossed_study(y.ravel(), *codes)
    assert reduced.pooled.all()
    want = [said["reduced"][n] for n in ("error", "operator", "part")]
    got = [reduced.component(n)[0] for n in ("setup", "operator", "piece")]
    np.testing.assert_allclose(got, want, atol=5.1e-5)


def test_published_two_way_table():
    # Engineering statistics handbook, section 3.2.3.2: machines x coolants, 5 readings each.
    case = reference("two_way")
    data, said = case["data"], case["published"]["two_way"]
    coolant = levels(data["coolant"])
    trial = np.array(
        [
            sum(
                m == data["machine"][i] and c == coolant[i]
                for m, c in zip(data["machine"][:i], coolant[:i], strict=True)
            )
            for i in range(50)
        ]
    )
    got = crossed_study(data["diameter"], data["machine"], coolant, trial, pool="never")
    squares = got.mean_squares[:, 0] * got.dof[:, 0]
    assert squares[4] == pytest.approx(said["SS"][0], abs=5.5e-7)
    assert squares[3] == pytest.approx(said["SS"][1], abs=5.5e-9)
    assert squares[2] == pytest.approx(said["SS"][2], abs=5.5e-9)
    assert squares[1] == pytest.approx(said["SS"][3], abs=5.5e-7)
    assert got.f[2, 0] == pytest.approx(said["F"][2], abs=5.5e-3)
    assert list(got.dof[[4, 3, 2, 1], 0]) == said["df"]


@pytest.mark.parametrize(
    "shape",
    [
        (4, 3, 2, 2),
        (4, 1, 3, 2),
        (1, 3, 2, 2),
        (4, 3, 1, 2),
        (4, 3, 2, 1),
        (4, 3, 1, 1),
        (4, 1, 1, 3),
        (1, 1, 3, 2),
    ],
)
def test_components_times_expected_table_give_the_mean_squares_back(shape):
    got = crossed_study(*box_study(*shape), pool="never")
    back = got.expected @ np.nan_to_num(got.raw)
    have = got.dof[:, 0] > 0
    np.testing.assert_allclose(back[have], got.mean_squares[have], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("shape", "merged"),
    [
        ((4, 3, 2, 2), {}),
        ((4, 3, 2, 1), {"hit": "setup"}),
        ((4, 3, 1, 2), {"setup": "operator_piece"}),
        ((4, 3, 1, 1), {"hit": "operator_piece", "setup": "operator_piece"}),
        ((4, 1, 2, 2), {"operator_piece": "piece", "operator": ""}),
        ((1, 3, 2, 2), {"operator_piece": "operator", "piece": ""}),
        ((4, 1, 1, 2), {"setup": "piece", "operator_piece": "piece", "operator": ""}),
    ],
)
def test_what_a_small_design_cannot_tell_apart_is_said(shape, merged):
    got = crossed_study(*box_study(*shape))
    assert {m.name: m.into for m in got.merged} == merged
    for one in got.merged:
        assert np.isnan(got.component(one.name)).all()
        assert one.reason in got.notes


def test_one_operator_and_one_setup_says_nothing_about_the_gauge():
    got = crossed_study(*box_study(4, 1, 1, 2))
    assert np.isnan(got.gauge_variance()).all()
    assert np.isnan(got.piece_variance()).all()
    assert "re-alignment cannot be told" in got.gauge_reason


def test_one_piece_gives_the_gauge_but_no_pieces():
    got = crossed_study(*box_study(1, 3, 2, 2))
    assert np.isfinite(got.gauge_variance()).all()
    assert np.isnan(got.piece_variance()).all()
    assert "one piece" in got.piece_reason


def test_reported_value_is_a_mean_of_hits():
    got = crossed_study(*box_study(6, 3, 2, 3), pool="never")
    hit, rest = got.variance[0], got.variance[1:4].sum(axis=0)
    np.testing.assert_allclose(got.gauge_variance(), hit / 3 + rest)
    np.testing.assert_allclose(got.gauge_variance(hits=1), hit + rest)


def test_pooling_is_by_point_and_adds_the_squares():
    y, p, o, s = box_study(6, 3, 2, 2, points=40, seed=3)
    auto, never = (crossed_study(y, p, o, s, pool=how) for how in ("auto", "never"))
    np.testing.assert_array_equal(auto.pooled, never.p[2] > 0.25)
    assert 0 < auto.pooled.sum() < 40
    ss = never.mean_squares * never.dof
    want = (ss[1] + ss[2]) / (never.dof[1] + never.dof[2])
    np.testing.assert_allclose(
        auto.used_mean_squares[1], np.where(auto.pooled, want, never.mean_squares[1])
    )
    np.testing.assert_array_equal(auto.component("operator_piece")[auto.pooled], 0.0)


def test_a_single_setup_is_never_pooled_away():
    got = crossed_study(*box_study(5, 3, 1, 3), pool="always")
    assert not got.pooled.any()


def test_equal_readings_have_no_variance_at_all():
    _, p, o, s = box_study(4, 3, 2, 2)
    got = crossed_study(np.full((48, 2), 0.1 + 0.2), p, o, s)
    np.testing.assert_array_equal(got.variance, 0.0)
    assert np.isnan(got.f[1:]).all()
    step = crossed_study(np.repeat(np.arange(4) * 0.3, 12), p, o, s)
    assert step.component("hit")[0] == 0.0
    assert step.p[4, 0] == 0.0


def test_order_of_rows_and_names_of_levels_do_not_matter():
    y, p, o, s = box_study(5, 3, 2, 2)
    shuffled = np.random.default_rng(5).permutation(len(p))
    a = crossed_study(y, p, o, s)
    b = crossed_study(y[shuffled], 7 - p[shuffled], o[shuffled] * 100 - 3, 9 - s[shuffled])
    np.testing.assert_allclose(a.mean_squares, b.mean_squares, rtol=1e-10)


def test_unbalanced_and_missing_are_refused_with_the_way_out():
    y, p, o, s = box_study(4, 3, 2, 2)
    with pytest.raises(DataError, match=r"unbalanced .* restricted maximum likelihood"):
        crossed_study(y[1:], p[1:], o[1:], s[1:])
    y[0, 1] = np.nan
    with pytest.raises(DataError, match="1 of 3 points miss a value"):
        crossed_study(y, p, o, s)
    with pytest.raises(DataError, match="whole-number codes"):
        crossed_study(y, p + 0.5, o, s)
    with pytest.raises(DataError, match="one code a row"):
        crossed_study(y, p[:-1], o, s)
