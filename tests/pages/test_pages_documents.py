"""Whole pages: well formed, complete, the same each time, and nobody's name where none belongs."""

import csv
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from html import escape
from pathlib import Path

import numpy as np
import pytest
from documents import Document, well_formed
from plotly.offline import get_plotlyjs

from spc.errors import NotFoundError
from spc.pages.blocks import SHAPES, badge, columns, table
from spc.pages.chart_page import chart_page
from spc.pages.index_page import index_entry, index_page
from spc.pages.month_page import month_page
from spc.pages.month_quality import capability_figure
from spc.plan import FIT
from spc.studies.monitor import Monitor
from spc.studies.month import Month
from spc.studies.month_rows import Gap, Held, Remeasured

NASTY = '<script>alert("1")</script> & größe'


@pytest.fixture(scope="session")
def october_page(october: Month) -> str:
    return month_page(october)


@pytest.fixture(scope="session")
def overview_page(by_batch: Monitor) -> str:
    return chart_page(by_batch)


def test_pages_are_well_formed(
    october_page: str, overview_page: str, april: Month, by_piece: Monitor
) -> None:
    for page in (october_page, overview_page, month_page(april), chart_page(by_piece, "tail-left"),
                 index_page([index_entry(april, "a.html")]), index_page([])):  # fmt: skip
        well_formed(page)


def test_the_same_study_has_the_same_bytes(october: Month, october_page: str, by_batch: Monitor,
                                           overview_page: str) -> None:  # fmt: skip
    assert month_page(october) == october_page
    assert chart_page(by_batch) == overview_page


# The month.


def test_the_answer_stands_first_as_the_study_gives_it(october: Month, october_page: str) -> None:
    text = Document(october_page).text
    places = [text.index(sentence) for sentence in october.answer]
    assert places == sorted(places)
    assert places[-1] < text.index("pieces measured again")


def test_every_check_point_has_its_row(october: Month, october_page: str) -> None:
    read = Document(october_page)
    assert read.column("points", "check point") == [p.point for p in october.points]
    assert read.column("points", "state") == [p.state for p in october.points]
    assert [int(n) for n in read.column("points", "outside")] == [p.outside for p in october.points]
    means = read.column("points", "mean, mm")
    np.testing.assert_allclose([float(m) for m in means], [p.mean for p in october.points],
                               atol=0.0005)  # fmt: skip


def test_every_series_has_its_chart(october: Month, october_page: str) -> None:
    read = Document(october_page)
    charts = [i for i in read.ids if i.startswith("chart-") and i.endswith("-figure")]
    assert len(charts) == len(october.monitor.series.names)
    opened = re.findall(r'<details id="chart-[^"]*" open', october_page)
    assert len(opened) == 4


def test_capability_is_shown_or_refused_in_words(october: Month, october_page: str) -> None:
    read = Document(october_page)
    points = {p.point: p for p in october.capability.points}
    assert set(read.column("capability-table", "check point")) == set(points)
    for name, verdict, ppk, words, n in zip(
        *(read.column("capability-table", c)
          for c in ("check point", "1.33 is", "Ppk", "in words", "pieces")), strict=True,
    ):  # fmt: skip
        assert (verdict, words, int(n)) == (points[name].verdict, points[name].reason,
                                            points[name].n)  # fmt: skip
        assert (ppk == "–") == np.isnan(points[name].ppk)
    assert {"refused", "shown", "not shown"} <= set(read.column("capability-table", "1.33 is"))


def test_an_index_never_steps_over_what_is_asked_for(october: Month) -> None:
    points = tuple(replace(p, ppk=1.3296, ppk_low=1.1, ppk_high=1.5, verdict="cannot be shown")
                   for p in october.capability.points)  # fmt: skip
    study = replace(october, capability=replace(october.capability, points=points))
    assert set(Document(month_page(study)).column("capability-table", "Ppk")) == {"1.3296"}


def test_the_gauge_study_is_told_with_its_interval(october: Month, october_page: str) -> None:
    assert october.gauge is not None
    text = Document(october_page).text
    at = len(october.gauge.groups) - 1
    whole = october.gauge.pooled.gauge
    assert f"{whole.value[at]:.3f} ({whole.low[at]:.3f} to {whole.high[at]:.3f}) mm" in text
    assert "10 pieces x 3 operators x 3 set-ups x 3 hits" in text
    without = replace(october, gauge=None, gauge_note="no gauge study of this part is here")
    assert "No gauge study of this part is here." in Document(month_page(without)).text


def test_what_the_gauge_is_good_for_counts_every_point(october: Month, october_page: str) -> None:
    assert october.gauge is not None
    read = Document(october_page)
    shown = [int(n) for n in read.column("gauge-verdicts", "shown")]
    for key, number in zip(("watch", "sort", "guide"), shown, strict=True):
        states = [getattr(v, key).state for v in october.gauge.verdicts]
        assert states.count("shown") == number
    states = ("shown", "not shown", "cannot tell from this study")
    rows = zip(*(map(int, read.column("gauge-verdicts", s)) for s in states), strict=True)
    assert {sum(row) for row in rows} == {len(october.gauge.points)}


def people(samples: Path) -> set[str]:
    found = set()
    for path in (samples / "runs").rglob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            found |= {row["operator"] for row in csv.DictReader(file)}
    return found


def test_people_are_counted_and_never_named(october: Month, october_page: str, samples: Path
                                            ) -> None:  # fmt: skip
    text = october_page.replace(get_plotlyjs(), "")
    assert len(people(samples)) == 3
    for name in people(samples):
        assert not re.search(rf"\b{name}\b", text)
    assert f"<dt>people probing</dt><dd>{october.operators}</dd>" in text


def test_what_asks_for_a_look_is_listed(october: Month) -> None:
    when = datetime(2026, 10, 5, 9, 30)
    study = replace(
        october,
        held=(Held(serial="H9", run="H9-1", batch="B9", point="flank-3", residual=-1.9),),
        gaps=(Gap(serial="H8", batch="", points=("deck-3", "latch-face")),),
        remeasured=(Remeasured(serial="H7", batch="B7", earlier="1", later="2",
                               measured_at=when),),
        superseded=1,
    )  # fmt: skip
    read = well_formed(month_page(study))
    assert read.tables["held"][1] == ["H9", "H9-1", "B9", "hold", "flank-3", "-1.900"]
    assert read.tables["gaps"][1] == ["H8", "–", "2", "deck-3, latch-face"]
    assert read.tables["remeasured"][1] == ["H7", "B7", "1", "2", "2026-10-05 09:30"]
    assert "2 on 1 piece" in read.text


def test_the_picture_of_capability_says_what_the_verdicts_say(october: Month) -> None:
    figure = capability_figure(october)
    assert figure is not None
    bars = next(t for t in figure.data if t.meta["part"] == "bars")
    names = list(figure.layout.yaxis.ticktext)
    ends = {names[int(bars.y[k])]: (bars.x[k], bars.x[k + 1]) for k in range(0, len(bars.x), 3)}
    asked = october.capability.required
    judged = {p.point: p.verdict for p in october.capability.points}
    assert {"shown", "not shown", "cannot be shown"} <= {judged[name] for name in ends}
    for name, (low, high) in ends.items():
        reads = "shown" if low >= asked else "not shown" if high < asked else "cannot be shown"
        assert reads == judged[name], name


def test_the_answer_names_the_shapes_of_the_whole_part(october: Month) -> None:
    # The sample runs have a twist and a shrink planted (sample-runs/truth.json).
    first = october.answer[0]
    assert "twist of the +z face" in first
    assert first.endswith("size have moved.")


def test_a_month_without_anything_says_so(april: Month) -> None:
    quiet = replace(april, events=())
    text = Document(month_page(quiet)).text
    assert "No signal began in April 2026." in text
    assert "No event is recorded in April 2026." in text
    assert 'class="answer act"' not in month_page(quiet)


@pytest.mark.parametrize(
    "words",
    ["Control limits are not tolerances", "Wall thickness, leaks", "releases nothing",
     "does not prove a right alignment", "no count of bad parts in a million", "arm check",
     "EN 13575", "second person", "age or temperature"],
)  # fmt: skip
def test_cautions_are_on_the_page(october_page: str, words: str) -> None:
    assert words in Document(october_page).text


def test_a_side_that_is_never_looked_at_is_told(october: Month) -> None:
    only_up = tuple(p for p in october.plan.points if p.normal[2] > 0.9)
    blind = replace(october.plan, points=only_up)
    from spc.pages.month_record import not_measured

    said = " ".join(not_measured(replace(october, plan=blind)))
    assert "Size along x and y and z" in said
    assert "Size along" not in " ".join(not_measured(october))


def test_the_page_says_from_which_data_it_is_made(october: Month, october_page: str) -> None:
    text = Document(october_page).text
    assert text.count(october.fingerprint) >= 2
    assert f"Data up to {october.cutoff:%Y-%m-%d %H:%M} UTC" in text
    for role in ("Prepared", "Reviewed", "Accepted"):
        assert role in text


# Names as people give them.


def renamed(study: Monitor) -> Monitor:
    """Return charts of which plan, series, moulds and rows carry a hostile name."""
    old = study.series.names[10]
    names = tuple(NASTY if n == old else n for n in study.series.names)
    spoken = tuple(f"deviation of {name}" for name in names)
    many = len(study.rows.labels)
    rows = replace(study.rows, labels=tuple(f"{NASTY} {i}" for i in range(many)),
                   moulds=(NASTY,) * many)  # fmt: skip
    place = {label: at for at, label in enumerate(study.rows.labels)}
    signals = tuple(
        replace(s, series=NASTY if s.series == old else s.series, mould=NASTY,
                first=rows.labels[place[s.first]], last=rows.labels[place[s.last]])
        for s in study.signals
    )  # fmt: skip
    events = study.events.assign(kind=NASTY, note=NASTY, mould=NASTY)
    plan = replace(study.plan, name=NASTY, part=NASTY, revision=NASTY)
    return replace(study, plan=plan, series=replace(study.series, names=names, spoken=spoken),
                   rows=rows, signals=signals, events=events, remarks=(NASTY,))  # fmt: skip


def test_hostile_names_are_text_and_nothing_else(
    made_up: Callable[..., Monitor], october: Month
) -> None:
    values = np.random.default_rng(1).normal(0, 0.1, (40, 33))
    values[30:] += 1.0
    study = renamed(made_up(values))
    own = Document(chart_page(made_up(values))).scripts
    for page in (chart_page(study), chart_page(study, NASTY)):
        read = well_formed(page)
        assert NASTY in read.text
        assert read.scripts == own
        assert escape(NASTY, quote=False) in page
    entry = replace(index_entry(october, "a.html"), name=NASTY, part=NASTY, month=NASTY)
    assert well_formed(index_page([entry])).text.count(NASTY) == 3


def test_one_piece_has_a_page(made_up: Callable[..., Monitor]) -> None:
    study = made_up(np.full((1, 33), 0.2))
    assert "No limits: 1 baseline piece, " in well_formed(chart_page(study, "latch-face")).text
    well_formed(chart_page(study))


# Charts.


def test_the_values_table_holds_every_value_in_full(by_batch: Monitor) -> None:
    page = chart_page(by_batch, "hinge-pad-left")
    read = well_formed(page)
    assert len(read.column("values", "batch")) == len(by_batch.rows.labels)
    column = by_batch.series.names.index("hinge-pad-left")
    saved = re.findall(r'data-value="([^"]*)"', page.split('id="values"')[1])
    for value in by_batch.values[:, column]:
        assert repr(float(value)) in saved


def test_many_signals_are_folded_and_none_is_lost(by_piece: Monitor) -> None:
    page = chart_page(by_piece, "hinge-pad-left")
    read = well_formed(page)
    open_ones, rest = (
        read.column(key, "time (UTC)") for key in ("signal-list", "signal-list-rest")
    )
    mine = [s for s in by_piece.signals if s.series == "hinge-pad-left"]
    assert len(open_ones) < len(mine) == len(open_ones) + len(rest)
    assert open_ones + rest == sorted(open_ones + rest, reverse=True)
    # A page of one chart has no short print: paper shows what is folded too.
    assert 'class="long"' not in page
    assert 'class="brief"' not in page


def test_signals_are_listed_the_newest_first(by_batch: Monitor) -> None:
    read = Document(chart_page(by_batch, "hinge-pad-left"))
    times = read.column("signal-list", "time (UTC)")
    assert times == sorted(times, reverse=True)
    assert len(times) == sum(s.series == "hinge-pad-left" for s in by_batch.signals)


def test_states_of_a_kind_are_listed_what_matters_first(
    overview_page: str, by_batch: Monitor
) -> None:
    read = Document(overview_page)
    order = ["out of control", "settled again", "no limits", "in control"]
    role = {p.id: 1 + (p.role == FIT) for p in by_batch.plan.points}
    states = [
        (role.get(name, 0), order.index(state))
        for name, state in zip(
            read.column("states", "series"), read.column("states", "state"), strict=True
        )
    ]
    assert states == sorted(states)
    assert len({kind for kind, _ in states}) == 3
    assert set(read.column("states", "series")) == set(by_batch.series.names)


def test_a_chart_says_that_its_limits_are_no_tolerance(by_batch: Monitor) -> None:
    text = Document(chart_page(by_batch, "hinge-pad-left")).text
    assert "The tolerance of this point is -0.800 to +0.800 mm (hatched" in text
    assert "not what is allowed" in text


def test_neighbours_that_hang_together_are_told(made_up: Callable[..., Monitor]) -> None:
    steps = np.random.default_rng(2).normal(0, 0.1, (200, 33))
    study = made_up(np.cumsum(steps, axis=0) * 0.3, baseline="2026-01-01..2026-06-30")
    assert "Neighbours hang together" in Document(chart_page(study, "latch-face")).text
    calm = made_up(steps, baseline="2026-01-01..2026-06-30")
    assert "speaks against what the limits take" in Document(chart_page(calm, "latch-face")).text


def test_wider_limits_say_how_wide(by_batch: Monitor) -> None:
    wide = replace(by_batch, width=np.full_like(by_batch.width, 3.9))
    assert "Control limits lie 3.9 standard deviations" in Document(chart_page(wide)).text
    assert "Control limits lie 3 standard deviations" in Document(chart_page(by_batch)).text


def test_frozen_limits_are_told_apart(by_batch: Monitor) -> None:
    frozen = replace(by_batch, frozen=np.ones_like(by_batch.frozen))
    text = Document(chart_page(frozen, "latch-face")).text
    assert "Frozen limits were worked out once" in text
    assert "shaded baseline) and are not computed anew" not in text


def test_an_unknown_series_has_no_page(by_batch: Monitor) -> None:
    with pytest.raises(NotFoundError):
        chart_page(by_batch, "no-such")


# The list of months.


def test_months_are_listed_part_by_part_the_newest_first(october: Month, april: Month) -> None:
    other = replace(index_entry(april, "x.html"), part="AA-1", month="May 2026")
    entries = [index_entry(april, "apr.html"), other, index_entry(october, "oct.html")]
    read = well_formed(index_page(entries))
    assert [link for link in read.links if link.endswith(".html")] == [
        "x.html", "oct.html", "apr.html",
    ]  # fmt: skip
    assert "plotly.js v" not in index_page(entries)
    assert index_page(entries) == index_page(list(reversed(entries)))


# The pieces.


@pytest.mark.parametrize("state", sorted(SHAPES))
def test_a_state_is_a_word_and_a_shape(state: str) -> None:
    made = badge(state)
    assert state in made
    assert "<svg" in made


def test_states_that_need_action_differ_in_shape_from_those_that_do_not() -> None:
    act = {(shape, filled) for shape, filled, action in SHAPES.values() if action}
    rest = {(shape, filled) for shape, filled, action in SHAPES.values() if not action}
    assert not act & rest


def test_a_row_with_a_cell_too_few_is_refused() -> None:
    with pytest.raises(ValueError, match="zip"):
        table("t", "caption", columns("a", "b#"), [("x",)])
