"""Pages of other kinds of chart, and of the piece as a whole: what is drawn is what was found."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from documents import Document, well_formed

from spc.pages.chart_words import how_limits
from spc.pages.display import per
from spc.pages.figures.limited import limited_figure
from spc.pages.figures.positions import positions
from spc.pages.kind_page import _panels, kind_page
from spc.pages.kind_text import NO_CHART
from spc.pages.shape_page import shape_page
from spc.store import read
from spc.store.connection import open_store
from spc.studies.kind_results import KindStudy
from spc.studies.kinds import KINDS, kind_study
from spc.studies.monitor import monitor
from spc.studies.shape import ShapeStudy, shape_study
from spc.studies.streams import Sharing

#: No event.
NOTHING = pd.DataFrame({c: [] for c in ("happened_at", "kind", "mould", "note")})


@pytest.fixture(scope="module")
def studies(sample_store: Path) -> dict[str, KindStudy]:
    with open_store(sample_store, read_only=True) as store:
        return {
            kind: kind_study(
                store, "out-of-tolerance" if kind == "counts" else "hinge-pad-left", kind
            )
            for kind in KINDS
        }


@pytest.fixture(scope="module")
def whole(sample_store: Path) -> ShapeStudy:
    with open_store(sample_store, read_only=True) as store:
        return shape_study(store, of="checks")


def drawn(study: KindStudy) -> Any:
    where = replace(positions(study.times), names=study.labels)
    return limited_figure(_panels(study), where, NOTHING)


@pytest.mark.parametrize("kind", KINDS)
def test_every_value_and_every_signal_is_drawn_once(
    kind: str, studies: dict[str, KindStudy]
) -> None:
    study = studies[kind]
    one = {p.name: per(study.plan.unit) if p.unit == "mm" else 1.0 for p in study.panels}
    figure = drawn(study)
    seen = np.concatenate([t.y for t in figure.data if t.meta["part"] == "values"])
    there = np.concatenate([p.values / one[p.name] for p in study.panels])
    np.testing.assert_allclose(np.sort(seen[np.isfinite(seen)]), np.sort(there[np.isfinite(there)]))
    marked = [y for t in figure.data if t.meta["part"] == "signal" for y in t.y]
    assert sorted(marked) == pytest.approx(sorted(s.value / one[s.panel] for s in study.signals))


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_of_a_kind_says_what_the_study_found(
    kind: str, studies: dict[str, KindStudy]
) -> None:
    study = studies[kind]
    page = kind_page(study, NOTHING)
    read = well_formed(page)
    assert page == kind_page(study, NOTHING)
    if study.signals:
        listed = read.column("signal-list", "where")
        assert sorted(listed) == sorted(s.label for s in study.signals)
        assert f"{len(study.signals)} values lie beyond a limit" in read.text
    else:
        assert (NO_CHART in read.text) != study.limited
    for note in study.notes:
        assert note[1:] in read.text
    assert len(read.column("values-1", "where")) == len(study.labels)


@pytest.mark.parametrize("kind", ["batches", "cusum", "steps"])
def test_limits_are_drawn_inside_the_panel_and_labelled(
    kind: str, studies: dict[str, KindStudy]
) -> None:
    figure = drawn(studies[kind])
    words = [a.text for a in figure.layout.annotations]
    for trace in figure.data:
        axis = figure.layout[f"yaxis{trace.yaxis[1:]}"]
        y = np.asarray(trace.y, dtype=float)
        y = y[np.isfinite(y)]
        assert ((axis.range[0] <= y) & (y <= axis.range[1])).all()
        if trace.meta["part"] == "upper limit":
            assert any(f"limit {y[-1]:.2f}"[:-1] in word for word in words)
    assert not any("-0.00" in word for word in words)


def test_the_page_of_the_whole_names_what_made_each_signal(whole: ShapeStudy) -> None:
    page = shape_page(whole, NOTHING)
    read = well_formed(page)
    listed = [*read.column("signal-list", "piece"), *read.column("signal-list-rest", "piece")]
    assert sorted(listed) == sorted(s.label for s in whole.signals)
    newest = max(whole.signals, key=lambda s: s.at)
    assert f"the newest {newest.label} of mould {newest.mould}, by {newest.made_by[0]}" in read.text
    assert read.column("signal-list", "made by")[0].startswith(newest.made_by[0])
    assert read.column("values", "beyond").count("yes") == len(whole.signals)
    assert page == shape_page(whole, NOTHING)


def test_hostile_names_are_text(studies: dict[str, KindStudy]) -> None:
    study = studies["batches"]
    bad = "<script>alert(1)</script>"
    changed = replace(study, labels=(bad, *study.labels[1:]), moulds=(bad, *study.moulds[1:]))
    page = kind_page(changed, NOTHING)
    assert bad not in page
    assert isinstance(well_formed(page), Document)


def test_what_moulds_together_stand_on_is_said_of_the_chart(sample_store: Path) -> None:
    """Centre and spread of a shared chart are no mould's own."""
    with open_store(sample_store, read_only=True) as store:
        shared = monitor(store, names=("tail-left",), sharing=Sharing(moulds="together"))
        apart = monitor(store, names=("tail-left",))
    words = ("of all moulds that share the chart", "of each mould's own baseline")
    assert [w in " ".join(how_limits(shared)) for w in words] == [True, False]
    assert [w in " ".join(how_limits(apart)) for w in words] == [False, True]


def test_events_stand_on_the_charts_of_the_moulds_that_they_concern(
    sample_store: Path, studies: dict[str, KindStudy], whole: ShapeStudy
) -> None:
    with open_store(sample_store, read_only=True) as store:
        events = read.events(store, whole.plan.part)
    study = studies["batches"]
    where = replace(positions(study.times), names=study.labels)
    figure = limited_figure(_panels(study), where, events)
    lanes = next(t for t in figure.data if t.meta["part"] == "events")
    inside = events[[where.at(at.to_pydatetime()) is not None for at in events["happened_at"]]]
    assert len(lanes.x) == len(inside) > 0
    top = figure.layout[f"yaxis{lanes.yaxis[1:]}"].domain
    panels = [figure.layout[f"yaxis{'' if k == 1 else k}"].domain
              for k in range(1, len(_panels(study)) + 1)]  # fmt: skip
    assert max(high for _, high in panels) < top[0]
    # Rare events run through the panels of their mould, and of every mould where they name none.
    reach = {p.group: p.tools for p in _panels(study)}
    assert reach == {"Mould K1": {"K1"}, "Mould K2": {"K2"}}
    groups = [p.group for p in _panels(study)]
    rare = inside.groupby("kind").filter(lambda kind: len(kind) <= 5)
    through = sum(mould in ("", *reach[group]) for mould in rare["mould"] for group in groups)
    lines = [s for s in figure.layout.shapes if s.name == "event"]
    assert len(lines) == through > len(rare)
    for page in (kind_page(study, events), shape_page(whole, events)):
        read_page = well_formed(page)
        assert read_page.column("events", "kind")
        assert "Dotted uprights are events" in read_page.text
    for page in (kind_page(study, NOTHING), shape_page(whole, NOTHING)):
        assert "Dotted uprights" not in page
