"""A chart's traces hold the study's numbers, every signal is marked, nothing is mistaken."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from spc.errors import NotFoundError
from spc.pages.figures.chart import ALL_CHARTS, SHORT, chart_figure, tolerance_drawn
from spc.pages.palette import LIGHT
from spc.studies.chart_signals import EWMA_CHART, VALUE_CHART
from spc.studies.monitor import Monitor
from spc.units import MILLIMETRES

BEYOND = "signal: a value beyond a limit"


def parts(figure: go.Figure, part: str, mould: str | None = None) -> list[Any]:
    return [t for t in figure.data if t.meta["part"] == part
            and mould in (None, t.meta.get("mould"))]  # fmt: skip


def one(figure: go.Figure, part: str, mould: str | None = None) -> Any:
    (found,) = parts(figure, part, mould)
    return found


def rows_of(study: Monitor, mould: str) -> np.ndarray:
    return np.flatnonzero(np.array(study.rows.moulds, dtype=object) == mould)


@pytest.mark.parametrize("name", ["hinge-pad-left", "fit-noise", "mode-1", "deck-1"])
@pytest.mark.parametrize("mould", ["K1", "K2"])
def test_values_are_those_of_the_study(by_batch: Monitor, name: str, mould: str) -> None:
    figure = chart_figure(by_batch, name)
    column = by_batch.series.names.index(name)
    rows = rows_of(by_batch, mould)
    np.testing.assert_array_equal(one(figure, "values", mould).y, by_batch.values[rows, column])
    np.testing.assert_array_equal(
        one(figure, "moving average", mould).y, by_batch.average[rows, column]
    )
    np.testing.assert_array_equal(one(figure, "jumps", mould).y, by_batch.ranges[rows, column])
    times = [str(t)[:16].replace("T", " ") for t in by_batch.rows.times[rows]]
    assert [x[:16] for x in one(figure, "values", mould).x] == times


@pytest.mark.parametrize("unit", ["mm", "in", "thou"])
def test_lengths_are_in_the_plan_s_unit(by_batch: Monitor, unit: str) -> None:
    study = replace(by_batch, plan=replace(by_batch.plan, unit=unit))
    figure = chart_figure(study, "hinge-pad-left")
    rows, column = rows_of(study, "K1"), study.series.names.index("hinge-pad-left")
    # An inch is 25.4 mm, a thou a thousandth of it (ISO 80000-3, from memory of the standard).
    per = {"mm": 1.0, "in": 25.4, "thou": 0.0254}[unit]
    np.testing.assert_allclose(one(figure, "values", "K1").y * per, study.values[rows, column])
    upper = next(t for t in parts(figure, "upper limit", "K1") if t.meta["chart"] == VALUE_CHART)
    np.testing.assert_allclose(upper.y * per, study.upper[rows[0], column])
    assert any(f"batch means, {unit}" in note.text for note in figure.layout.annotations)


def test_limits_go_from_edge_to_edge(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "hinge-pad-left")
    column = by_batch.series.names.index("hinge-pad-left")
    for part, line in (("upper limit", by_batch.upper), ("lower limit", by_batch.lower),
                       ("centre", by_batch.center)):  # fmt: skip
        for mould in ("K1", "K2"):
            drawn = next(t for t in parts(figure, part, mould) if t.meta["chart"] == VALUE_CHART)
            assert [drawn.x[0], drawn.x[-1]] == list(figure.layout.xaxis.range)
            assert set(drawn.y) == {line[rows_of(by_batch, mould)[0], column]}


def test_steps_of_frozen_limits_are_drawn_as_steps(by_batch: Monitor) -> None:
    column = by_batch.series.names.index("latch-face")
    rows = rows_of(by_batch, "K1")
    upper = by_batch.upper.copy()
    upper[rows[:5], column], upper[rows[5:9], column] = np.nan, 1.5
    study = replace(by_batch, upper=upper, frozen=np.ones_like(by_batch.frozen))
    drawn = next(t for t in parts(chart_figure(study, "latch-face"), "upper limit", "K1")
                 if t.meta["chart"] == VALUE_CHART)  # fmt: skip
    assert drawn.line.shape == "hv"
    assert np.isnan(drawn.y[0])
    assert 1.5 in drawn.y
    assert drawn.y[-1] == by_batch.upper[rows[-1], column]
    assert not [s for s in chart_figure(study, "latch-face").layout.shapes
                if s.name == "baseline"]  # fmt: skip


def beyond_limits(study: Monitor, name: str) -> set[tuple[str, float]]:
    """Find values beyond a limit from the arrays, without the study's own list of signals."""
    at = study.series.names.index(name)
    out = (study.values[:, at] > study.upper[:, at]) | (study.values[:, at] < study.lower[:, at])
    return {(study.rows.moulds[row], study.values[row, at]) for row in np.flatnonzero(out)}


@pytest.mark.parametrize("charts", [ALL_CHARTS, SHORT])
@pytest.mark.parametrize("by", ["batch", "piece"])
def test_every_value_beyond_a_limit_is_marked_and_no_other(
    by: str, charts: tuple[str, ...], by_batch: Monitor, by_piece: Monitor
) -> None:
    study = {"batch": by_batch, "piece": by_piece}[by]
    for name in ("hinge-pad-left", "tail-left", "latch-face", "fit-noise"):
        marks = parts(chart_figure(study, name, charts=charts), BEYOND)
        found = {(t.meta["mould"], y) for t in marks for y in t.y}
        assert found == beyond_limits(study, name)


def test_marks_tell_rules_apart_without_colour(by_piece: Monitor) -> None:
    figure = chart_figure(by_piece, "tail-left")
    marks = [t for t in figure.data if t.meta["part"].startswith("signal")]
    shapes = {t.name: t.marker.symbol for t in marks}
    assert len(shapes) == len(set(shapes.values())) >= 3
    assert {t.marker.color for t in marks} == {LIGHT["accent"]}
    named = [t.name for t in figure.data if t.showlegend]
    assert sorted(named) == sorted(shapes)


def test_short_charts_thread_the_moving_average_through_the_values(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "hinge-pad-left", charts=SHORT)
    thread = one(figure, "moving average", "K2")
    assert thread.yaxis == one(figure, "values", "K2").yaxis
    above = [t for t in figure.data if t.meta["part"] == "signal: the moving average beyond its "
             "limit"]  # fmt: skip
    assert set(above[0].y) <= set(thread.y)


def test_moulds_have_panels_of_their_own(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "latch-face")
    assert one(figure, "values", "K1").yaxis != one(figure, "values", "K2").yaxis
    text = " ".join(note.text for note in figure.layout.annotations)
    assert "Mould K1" in text
    assert "Mould K2" in text
    domains = [figure.layout[a].domain for a in figure.layout.to_plotly_json()
               if a.startswith("yaxis")]  # fmt: skip
    ordered = sorted(domains, reverse=True)
    assert all(upper[0] >= lower[1] for upper, lower in pairwise(ordered))


def test_everything_drawn_lies_inside_its_panel(by_batch: Monitor, by_piece: Monitor) -> None:
    for study in (by_batch, by_piece):
        for name in study.series.names:
            figure = chart_figure(study, name)
            for t in figure.data:
                low, high = figure.layout[t.yaxis.replace("y", "yaxis")].range
                y = np.asarray(t.y, dtype=float)
                y = y[np.isfinite(y)]
                assert ((y >= min(low, high)) & (y <= max(low, high))).all(), (name, t.meta)


def test_the_baseline_is_shaded_and_named(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "latch-face")
    shaded = [s for s in figure.layout.shapes if s.name == "baseline"]
    assert len(shaded) == len(ALL_CHARTS) * 2
    inside = by_batch.rows.times[by_batch.rows.baseline]
    assert min(s.x0 for s in shaded)[:10] == str(inside.min())[:10]
    assert sum(note.text == "baseline" for note in figure.layout.annotations) == 2


@pytest.mark.parametrize(
    ("name", "near"),
    [("hinge-pad-left", (False, True)), ("latch-face", (False, False)), ("mode-1", (False, False))],
)
def test_a_tolerance_is_drawn_only_where_it_is_near(
    by_batch: Monitor, name: str, near: tuple[bool, bool]
) -> None:
    figure = chart_figure(by_batch, name)
    drawn = (bool(parts(figure, "lower tolerance")), bool(parts(figure, "upper tolerance")))
    assert drawn == near == tolerance_drawn(by_batch, name)


def test_a_tolerance_cannot_be_taken_for_a_control_limit(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "hinge-pad-left")
    tolerance, limit = parts(figure, "upper tolerance")[0], parts(figure, "upper limit")[0]
    assert tolerance.line.dash != limit.line.dash
    assert tolerance.line.color != limit.line.color
    beyond = parts(figure, "beyond upper tolerance")[0]
    assert beyond.fillpattern.shape
    assert (
        min(beyond.y)
        == tolerance.y[0]
        == by_batch.series.upper[by_batch.series.names.index("hinge-pad-left")]
    )
    assert [n for n in figure.layout.annotations if "outside tolerance" in n.text]


def test_events_stand_in_a_lane_of_their_kind(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "latch-face")
    marks = one(figure, "events")
    kinds = list(dict.fromkeys(by_batch.events["kind"]))
    assert len(marks.x) == len(by_batch.events)
    assert [kinds[int(y)] for y in marks.y] == list(by_batch.events["kind"])
    lanes = [n.text for n in figure.layout.annotations if n.name == "at the left"]
    assert lanes == kinds


def test_an_event_of_one_mould_goes_through_its_panels_only(
    made_up: Callable[..., Monitor],
) -> None:
    values = np.random.default_rng(3).normal(0, 0.1, (40, 33))
    events = pd.DataFrame({
        "happened_at": pd.to_datetime(["2026-01-20"]), "kind": ["mould work"], "mould": ["M2"],
        "note": ["<b>vent</b>"],
    })  # fmt: skip
    study = made_up(values, moulds=["M1", "M2"] * 20, events=events)
    figure = chart_figure(study, "latch-face")
    lines = [s for s in figure.layout.shapes if s.name == "event"]
    own = [figure.layout[t.yaxis.replace("y", "yaxis")].domain for t in figure.data
           if t.meta.get("mould") == "M2"]  # fmt: skip
    assert len(lines) == len(ALL_CHARTS)
    assert {(s.y0, s.y1) for s in lines} == set(own)
    assert "&lt;b&gt;vent&lt;/b&gt;" in one(figure, "events").text[0]


def test_without_limits_the_reason_stands_in_the_picture(made_up: Callable[..., Monitor]) -> None:
    study = made_up(np.random.default_rng(4).normal(0, 0.1, (5, 33)))
    figure = chart_figure(study, "latch-face")
    assert not parts(figure, "upper limit")
    assert [n for n in figure.layout.annotations if "no limits: 5 baseline pieces" in n.text]
    column = study.series.names.index("latch-face")
    np.testing.assert_array_equal(one(figure, "values").y, study.values[:, column])


def test_a_mould_without_a_baseline_says_so(made_up: Callable[..., Monitor]) -> None:
    values = np.random.default_rng(5).normal(0, 0.1, (60, 33))
    study = made_up(values, moulds=["M1"] * 50 + ["M2"] * 10)
    text = [n.text for n in chart_figure(study, "latch-face").layout.annotations]
    assert "no limits: this mould has no value in the baseline" in text


@pytest.mark.parametrize("rows", [1, 2])
def test_few_pieces_are_drawn(made_up: Callable[..., Monitor], rows: int) -> None:
    study = made_up(np.full((rows, 33), 0.25))
    figure = chart_figure(study, "latch-face")
    assert one(figure, "values").y.tolist() == [0.25] * rows
    assert np.isfinite(figure.layout.yaxis.range).all()


def test_a_missing_value_leaves_a_gap(made_up: Callable[..., Monitor]) -> None:
    values = np.random.default_rng(6).normal(0, 0.1, (30, 33))
    values[7] = np.nan
    figure = chart_figure(made_up(values), "latch-face")
    drawn = one(figure, "values")
    assert np.flatnonzero(np.isnan(drawn.y)).tolist() == [7]
    assert not drawn.connectgaps


def test_nothing_measured_at_a_point_is_drawn_as_nothing(made_up: Callable[..., Monitor]) -> None:
    values = np.random.default_rng(7).normal(0, 0.1, (30, 33))
    values[:, 4] = np.nan
    study = made_up(values)
    figure = chart_figure(study, study.plan.points[4].id)
    assert np.isnan(one(figure, "values").y).all()
    assert np.isfinite(figure.layout.yaxis.range).all()


def test_two_thousand_pieces_keep_every_value(made_up: Callable[..., Monitor]) -> None:
    values = np.random.default_rng(8).normal(0, 0.1, (2000, 33))
    study = made_up(values)
    figure = chart_figure(study, "latch-face", charts=SHORT)
    column = study.series.names.index("latch-face")
    np.testing.assert_array_equal(one(figure, "values").y, study.values[:, column])
    assert one(figure, "values").marker.size < 5
    assert len(figure.to_json()) < 400_000


def test_names_of_people_are_no_markup(made_up: Callable[..., Monitor]) -> None:
    study = made_up(np.random.default_rng(9).normal(0, 0.1, (20, 33)), moulds=["<b>K</b> & 1"] * 20)
    text = chart_figure(study, "latch-face").layout.annotations[0].text
    assert "&lt;b&gt;K&lt;/b&gt; &amp; 1" in text


def test_an_unknown_series_is_refused(by_batch: Monitor) -> None:
    with pytest.raises(NotFoundError, match="no-such"):
        chart_figure(by_batch, "no-such")


def test_the_figure_brings_no_template_and_no_chance(by_batch: Monitor) -> None:
    first, second = (chart_figure(by_batch, "latch-face").to_json() for _ in range(2))
    assert first == second
    assert len(first) < 60_000


def test_units_of_the_tests_are_those_of_the_program() -> None:
    assert {"mm": 1.0, "in": 25.4, "thou": 0.0254} == dict(MILLIMETRES)


def test_signals_of_the_moving_average_are_on_it(by_batch: Monitor) -> None:
    figure = chart_figure(by_batch, "hinge-pad-left")
    for t in figure.data:
        if t.meta["part"] == "signal: the moving average beyond its limit":
            assert t.meta["chart"] == EWMA_CHART
            own = one(figure, "moving average", t.meta["mould"])
            assert set(t.y) <= set(own.y)
