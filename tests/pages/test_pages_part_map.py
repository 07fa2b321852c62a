"""The part opened flat and in space: every patch once, at its place, as large as it is off."""

from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.pages.figures.labels import PLACES, Label, placed
from spc.pages.figures.net import facing, net
from spc.pages.figures.part_map import (
    AGAIN,
    HOLDS,
    INSIDE,
    LEFT,
    MARKS,
    OMITTED,
    SMALL,
    SORTS,
    SORTS_NOT,
    UNMEASURED,
    UNSURE,
    Mark,
    marks_of,
    part_map,
    unnamed_words,
)
from spc.pages.figures.part_solid import part_solid, stick_scale
from spc.plan import CHECK, Plan, PlanPoint
from spc.studies.month import Month
from spc.studies.point_state import NO_LIMITS, OUTSIDE, SIGNAL, STEADY

AXES = {"+x": (1, 0, 0), "-x": (-1, 0, 0), "+y": (0, 1, 0), "-y": (0, -1, 0), "+z": (0, 0, 1),
        "-z": (0, 0, -1)}  # fmt: skip


def plan_of(points: list[tuple[tuple[float, float, float], str]], like: Plan) -> Plan:
    made = tuple(
        PlanPoint(id=f"p{at}", role=CHECK, nominal=place, normal=AXES[side])
        for at, (place, side) in enumerate(points)
    )
    return replace(like, points=made)


coordinates = st.tuples(*[st.floats(-1000, 1000).map(lambda v: round(v, 3))] * 3)
layouts = st.lists(st.tuples(coordinates, st.sampled_from(sorted(AXES))), min_size=1, max_size=30)


@given(layouts)
def test_patches_of_one_side_keep_their_distances(points: list) -> None:
    plan = plan_of(points, BLANK)
    flat = net(plan)
    for side, axis in AXES.items():
        at = [i for i, name in enumerate(flat.side) if name == side]
        seen = np.array([p.nominal for p in plan.points])[at] * (1 - np.abs(axis))
        drawn = flat.at[at]
        for i in range(len(at)):
            np.testing.assert_allclose(
                np.linalg.norm(drawn - drawn[i], axis=1), np.linalg.norm(seen - seen[i], axis=1),
                atol=1e-6,
            )  # fmt: skip


@given(layouts)
def test_every_patch_lies_on_its_own_side_and_sides_do_not_overlap(points: list) -> None:
    flat = net(plan_of(points, BLANK))
    boxes = {side.name: np.array([side.low, side.high]) for side in flat.sides}
    for place, name in zip(flat.at, flat.side, strict=True):
        low, high = boxes[name]
        assert (place >= low - 1e-6).all()
        assert (place <= high + 1e-6).all()
    for one in boxes.values():
        for other in boxes.values():
            apart = (one[0] >= other[1] - 1e-6) | (other[0] >= one[1] - 1e-6)
            assert one is other or apart.any()


BLANK = Plan(plan_id="", part="P", revision="A", name="Part", unit="mm", method="least squares",
             residual_limit=None, points=(), source="")  # fmt: skip


@given(coordinates.filter(any))
def test_a_normal_looks_out_of_the_side_that_it_is_nearest_to(normal: tuple) -> None:
    best = max(np.dot(axis, normal) for axis in AXES.values())
    assert np.dot(AXES[facing(normal)], normal) == pytest.approx(best)


def test_walls_fold_out_beside_the_edges_that_they_share() -> None:
    points = [((0.0, 0.0, 300.0), "+z"), ((300.0, 0.0, 150.0), "+x"), ((-300.0, 0.0, 150.0), "-x"),
              ((0.0, 450.0, 150.0), "+y"), ((0.0, -450.0, 150.0), "-y")]  # fmt: skip
    flat = net(plan_of(points, BLANK))
    top, right, left, front, back = flat.at
    assert right[0] > top[0] > left[0]
    assert right[1] == top[1] == left[1]
    assert front[1] > top[1] > back[1]
    # A wall's upper edge lies next to the deck.
    lower = plan_of([*points, ((300.0, 0.0, 50.0), "+x")], BLANK)
    assert net(lower).at[-1][0] > net(lower).at[1][0]


def traces(figure: go.Figure) -> dict[str, go.Scatter]:
    return {t.meta["part"]: t for t in figure.data}


def test_every_point_of_the_plan_is_drawn_once(october: Month) -> None:
    marks = marks_of(october.plan, october.points)
    for figure in (part_map(october.plan, marks), part_solid(october.plan, marks)):
        drawn = [text.split("<br>")[0] for state, t in traces(figure).items() if state in MARKS
                 for text in t.hovertext]  # fmt: skip
        assert sorted(drawn) == sorted(p.id for p in october.plan.points)


def test_a_point_is_drawn_in_the_state_that_the_month_gives_it(october: Month) -> None:
    figure = part_map(october.plan, marks_of(october.plan, october.points))
    for state in (OUTSIDE, SIGNAL, STEADY):
        wanted = {p.point for p in october.points if p.state == state}
        found = {text.split("<br>")[0] for text in traces(figure)[state].hovertext}
        assert found == wanted
    fit = {text.split("<br>")[0] for text in traces(figure)[HOLDS].hovertext}
    assert fit == {p.id for p in october.plan.fit_points}


def test_states_differ_by_shape(october: Month) -> None:
    figure = part_map(october.plan, marks_of(october.plan, october.points))
    symbols = [t.marker.symbol for t in figure.data]
    assert len(symbols) == len(set(symbols))
    # A page shows the states of a month, of a gauge study or of a run: within it each has a shape.
    month = (OUTSIDE, SIGNAL, STEADY, NO_LIMITS, HOLDS, UNMEASURED)
    study = (SORTS, UNSURE, SORTS_NOT, HOLDS, UNMEASURED)
    run = (INSIDE, OUTSIDE, AGAIN, LEFT, OMITTED, UNMEASURED)
    assert {*month, *study, *run} == set(MARKS)
    for page in (month, study, run):
        assert len({MARKS[state][0] for state in page}) == len(page)
        assert len({MARKS[state][1] for state in page}) == len(page)


def test_the_area_of_a_mark_grows_with_the_deviation() -> None:
    plan = plan_of([((float(at), 0.0, 0.0), "+z") for at in range(4)], BLANK)
    off = (0.0, -0.25, 1.0, np.nan)
    marks = [Mark(point=f"p{i}", state=STEADY, deviation=v) for i, v in enumerate(off)]
    sizes = np.asarray(traces(part_map(plan, marks))[STEADY].marker.size) - SMALL
    # A quarter of the deviation is half the width beyond the smallest mark.
    np.testing.assert_allclose(sizes / sizes[2], [0.0, 0.5, 1.0, 0.0])


def test_a_stick_shows_sign_and_size_along_the_normal() -> None:
    plan = plan_of([((0.0, 0.0, 0.0), "+z"), ((500.0, 0.0, 0.0), "-x")], BLANK)
    marks = [Mark(point="p0", state=STEADY, deviation=-0.5),
             Mark(point="p1", state=STEADY, deviation=0.25)]  # fmt: skip
    scale = stick_scale(plan, marks)
    sticks = traces(part_solid(plan, marks))["sticks"]
    ends = np.column_stack([sticks.x, sticks.y, sticks.z])
    np.testing.assert_allclose(ends[1], [0.0, 0.0, -0.5 * scale])
    np.testing.assert_allclose(ends[4], [500.0 - 0.25 * scale, 0.0, 0.0])
    # A tenth of 500 mm over 0.5 mm.
    assert scale == 100.0


def test_a_point_that_was_not_measured_says_so(october: Month) -> None:
    states = tuple(
        replace(p, n=0, mean=np.nan, smallest=np.nan, largest=np.nan)
        if p.point == "latch-face" else p for p in october.points
    )  # fmt: skip
    figure = part_map(october.plan, marks_of(october.plan, states))
    assert traces(figure)[UNMEASURED].hovertext == (f"latch-face<br>{UNMEASURED}",)


def test_a_single_point_can_be_drawn() -> None:
    plan = plan_of([((5.0, 5.0, 5.0), "-y")], BLANK)
    marks = [Mark(point="<i>p</i>", state=SIGNAL, deviation=0.1, beside="+0.1")]
    assert traces(part_map(plan, marks))[SIGNAL].text == ("<b>&lt;i&gt;p&lt;/i&gt;</b><br>+0.1",)
    assert part_solid(plan, marks).data


def overlap(one: np.ndarray, other: np.ndarray) -> bool:
    return bool((one[:2] < other[2:]).all() and (other[:2] < one[2:]).all())


def test_labels_keep_clear_of_each_other_where_there_is_room() -> None:
    from spc.pages.figures.labels import _box

    spots = [(x, y) for x in (60.0, 100.0, 600.0, 640.0) for y in (60.0, 75.0, 300.0)]
    labels = [Label(x=x, y=y, radius=5.0, lines=("a-name-so-long",)) for x, y in spots]
    chosen = placed(labels, (0.0, 0.0, 800.0, 400.0))
    ways = {name: (right, up) for name, right, up in PLACES}
    boxes = [_box(label, *ways[name]) for label, name in zip(labels, chosen, strict=True)]
    for at, one in enumerate(boxes):
        assert not any(overlap(one, other) for other in boxes[at + 1 :])
        assert (one[:2] >= 0).all()


def test_the_sample_part_lies_in_a_net_of_six_sides(sample_plan: Plan) -> None:
    assert {side.name for side in net(sample_plan).sides} == set(AXES)


def test_a_label_without_room_is_left_out_and_said() -> None:
    crowd = [Label(x=100.0, y=4.0 * at, radius=8.0, lines=("a-long-name", "+0.123"))
             for at in range(40)]  # fmt: skip
    chosen = placed(crowd, (0.0, 0.0, 300.0, 400.0))
    # Two columns of labels 28 pixels high beside 164 pixels of marks: some twelve have room.
    assert 8 <= sum(bool(place) for place in chosen) <= 20
    apart = [replace(label, y=60.0 * at) for at, label in enumerate(crowd)]
    assert all(placed(apart, (0.0, 0.0, 300.0, 2400.0)))


def test_a_map_says_how_many_names_had_no_room(sample_plan: Plan) -> None:
    first = sample_plan.points[0]
    # Forty patches on one another, the usual trouble of a dense plan seen from one side.
    points = tuple(replace(first, id=f"patch-{at}", role="check") for at in range(40))
    marks = [Mark(point=p.id, state=STEADY, deviation=0.1) for p in points]
    figure = part_map(replace(sample_plan, points=(*sample_plan.points, *points)), [
        *(Mark(point=p.id, state=HOLDS, deviation=np.nan) for p in sample_plan.points), *marks
    ])  # fmt: skip
    named = sum(text != "" for trace in figure.data for text in trace.text)
    unnamed = figure.layout.meta["unnamed"]
    assert unnamed >= 30
    assert named + unnamed == len(sample_plan.points) + 40
    assert f"{unnamed} names have no room" in unnamed_words(figure)
