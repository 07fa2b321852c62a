import tomllib

import numpy as np
import pytest

from spc.demo.alignment import seen
from spc.demo.hood import Hood, direction, plan_text
from spc.demo.layers import bow_pattern, scale_pattern, twist_pattern
from spc.demo.scenario import Scenario


@pytest.fixture(scope="module")
def plan(full: Scenario) -> dict:
    return tomllib.loads(full.plan)


@pytest.fixture(scope="module")
def hood(full: Scenario) -> Hood:
    return full.hood


def test_plan_has_nine_fit_and_twenty_four_check_points_of_their_own_names(plan: dict) -> None:
    roles = [p["role"] for p in plan["point"]]
    assert roles.count("fit") == 9
    assert roles.count("check") == 24
    assert len({p["id"] for p in plan["point"]}) == 33
    assert (plan["part"], plan["revision"], plan["unit"]) == ("LH-640", "C", "mm")
    assert plan["fit"] == {"method": "least squares", "residual_limit": 1.25}


def test_written_normals_are_of_unit_length(plan: dict) -> None:
    normals = np.array([p["normal"] for p in plan["point"]])
    assert np.abs(np.linalg.norm(normals, axis=1) - 1.0).max() < 1e-9


def test_normals_point_out_of_the_hood(hood: Hood) -> None:
    inside = np.array([0.0, 0.0, 100.0])
    assert np.all(np.einsum("ij,ij->i", hood.nominal - inside, hood.normal) > 0)


def test_plan_text_carries_the_arrays_without_loss(plan: dict, hood: Hood) -> None:
    assert np.array_equal([p["nominal"] for p in plan["point"]], hood.nominal)
    assert np.array_equal([p["normal"] for p in plan["point"]], hood.normal)
    assert plan_text(hood) == plan_text(hood)


def test_fit_points_hold_all_six_degrees_of_freedom(hood: Hood) -> None:
    normal, at = hood.normal[hood.fit], hood.nominal[hood.fit] / 400.0
    rows = np.hstack([normal, np.cross(at, normal)])
    spread = np.linalg.svd(rows, compute_uv=False)
    assert spread.size == 6
    assert spread[-1] > 0.3


def test_tolerances_enclose_nominal_and_one_is_lopsided(plan: dict) -> None:
    ends = np.array([p["tolerance"] for p in plan["point"]])
    assert np.all(ends[:, 0] < 0)
    assert np.all(ends[:, 1] > 0)
    assert np.sum(ends[:, 0] != -ends[:, 1]) == 1
    assert np.sum(ends[:, 1] == 0.8) == 3


def test_check_points_tell_size_by_axis_twist_and_two_bows_apart(hood: Hood) -> None:
    by_axis = hood.normal * hood.nominal / 300.0
    across = hood.normal[:, 2] * (hood.nominal[:, 0] / 300.0) ** 2
    shapes = np.column_stack([by_axis, twist_pattern(hood), bow_pattern(hood), across])
    visible = (seen(hood) @ shapes)[~hood.fit]
    visible /= np.linalg.norm(visible, axis=0)
    assert np.linalg.cond(visible) < 10


def test_fit_points_alone_are_blind_to_size(hood: Hood) -> None:
    # One percent moves the tail by 9 mm; only the nominals' rounding to 0.01 mm is left here.
    assert np.abs((seen(hood) @ scale_pattern(hood))[hood.fit]).max() < 1e-4


def test_direction_is_measured_from_x_towards_y_and_up() -> None:
    assert direction(90.0, 0.0) == (0.0, 1.0, 0.0)
    assert direction(-135.0, 30.0) == pytest.approx((-(0.375**0.5), -(0.375**0.5), 0.5), abs=1e-12)
