"""Small, lopsided and silent data: every study answers, or says in words why it cannot."""

import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import pytest
from helpers import Outcome, fill
from strategies import Array, box, csv_text, dated_runs, hit_rows, plan_toml, probed

from spc.plan import Plan, PlanPoint
from spc.store import read
from spc.store.connection import open_store
from spc.studies.capability import capability_study
from spc.studies.history import production
from spc.studies.hit_check import suspect_hits
from spc.studies.intake import Taken
from spc.studies.monitor import monitor
from spc.studies.month import month_study
from spc.studies.spans import month

Command = Callable[..., Outcome]
Runs = Sequence[Mapping[str, object]]
Made = Callable[..., Path]

PLAN = box(check=3)
JANUARY = "2026-01"


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Return a function that makes a store of simulated hits, with what became of the file."""

    def making(
        runs: Runs, plan: Plan = PLAN, *, hits: Array | None = None, spread: float = 0.2
    ) -> Path:
        rng = np.random.default_rng(11)
        drawn = rng.normal(0, spread, (len(runs), len(plan.points)))
        laid = probed(plan, drawn, rng) if hits is None else hits
        (tmp_path / "plan.toml").write_text(plan_toml(plan))
        (tmp_path / "hits.csv").write_text(csv_text(hit_rows(plan, laid, runs)))
        making.taken = fill(tmp_path / "s.duckdb", [tmp_path / "hits.csv"],  # type: ignore[attr-defined]
                            plan=tmp_path / "plan.toml")[0]  # fmt: skip
        return tmp_path / "s.duckdb"

    return making


def texts(spc: Command, store: Path) -> str:
    """Run the commands that look at a store; each must end well and be silent on errors."""
    said = []
    for command in (["run", "list"], ["chart", "list"]):
        outcome = spc(*command, "--store", store)
        assert (outcome.status, outcome.err) == (0, ""), (command, outcome)
        said.append(outcome.out)
    return "\n".join(said)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_a_few_pieces_get_figures_but_no_limits_and_no_indices(
    count: int, made: Made, spc: Command
) -> None:
    store = made(dated_runs(count))
    texts(spc, store)
    assert spc("capability", "--store", store).done("too few batches to tell whether it is stable")
    with open_store(store, read_only=True) as opened:
        chart = monitor(opened)
        able = capability_study(opened)
        seen = month_study(opened, month(JANUARY))
    assert chart.signals == ()
    assert all(note.startswith("no limits: 1 baseline batch,") for note in chart.notes)
    assert np.isnan(chart.upper).all()
    assert {p.verdict for p in able.points} == {"cannot be shown"}
    assert {p.stable for p in able.points} == {None}
    assert np.isnan([(p.cp, p.cpk, p.pp, p.ppk, p.cpm) for p in able.points]).all()
    assert [p.n for p in able.points] == [count] * 3
    assert seen.pieces == count
    assert "too short for limits" in seen.answer[0]


def test_one_batch_of_many_pieces_is_charted_by_piece_only(made: Made, spc: Command) -> None:
    store = made(dated_runs(60, each=60))
    texts(spc, store)
    with open_store(store, read_only=True) as opened:
        by_batch, by_piece = monitor(opened), monitor(opened, by="piece")
        able = capability_study(opened)
    assert len(by_batch.rows.labels) == 1
    assert np.isnan(by_batch.sigma).all()
    assert len(by_piece.rows.labels) == 60
    assert np.isfinite(by_piece.sigma).all()
    assert all("1 batch is too few" in p.reason for p in able.points)


@pytest.mark.parametrize("missing", ["mould", "batch", "operator", "device"])
def test_what_is_not_known_of_the_pieces_is_no_obstacle(
    missing: str, made: Made, spc: Command
) -> None:
    store = made(dated_runs(60, **{missing: ""}))
    texts(spc, store)
    with open_store(store, read_only=True) as opened:
        chart = monitor(opened)
        seen = month_study(opened, month(JANUARY))
    assert seen.pieces == 60
    if missing == "mould":
        assert set(chart.rows.moulds) == {""}
        assert seen.moulds == ()
    if missing == "batch":
        # Pieces without a batch are taken together by the day; 60 hours are four days.
        assert set(chart.rows.labels) == {f"no batch, 2026-01-0{d}" for d in (5, 6, 7)}
        assert seen.batches == ()
    else:
        assert len(chart.rows.labels) == 12


def test_pieces_without_a_time_are_kept_and_named_but_not_charted(made: Made, spc: Command) -> None:
    runs = dated_runs(50)
    for at in range(0, 50, 10):
        runs[at]["measured_at"] = ""
    store = made(runs)
    assert "left out: 5 runs without a time to stand at" in texts(spc, store)
    assert spc("run", "list", "--store", store).done("50 runs")
    with open_store(store, read_only=True) as opened:
        past = production(opened, read.plan(opened, None))
        assert month_study(opened, month(JANUARY)).undated == 5
    assert (len(past.runs), past.undated) == (45, 5)


def test_where_no_piece_has_a_time_it_says_so(made: Made, spc: Command) -> None:
    store = made(dated_runs(3, measured_at=""))
    assert spc("run", "list", "--store", store).done("3 runs")
    for command in (["chart", "list"], ["capability"], ["report", JANUARY]):
        refused = spc(*command, "--store", store)
        assert refused.refused("3 runs of BX-1 A", "without a measuring time")


def test_an_empty_store_and_an_empty_month_say_so(store_path: Path, spc: Command) -> None:
    for command in (["chart", "list"], ["capability"], ["report", "2026-04"]):
        assert spc(*command, "--store", store_path).refused("no production run of LH-640 C")
    assert spc("run", "list", "--store", store_path).done("No such run")
    assert spc("event", "list", "--store", store_path).done("No event")
    assert spc("gauge", "study", "G1", "--store", store_path).refused("no gauge study 'G1'", "none")


def test_production_is_no_study_without_a_name(made: Made, spc: Command) -> None:
    store = made(dated_runs(10, operator="ana"))
    assert spc("gauge", "study", "", "--store", store).refused("no gauge study ''", "none")
    for kind in ("study", "device"):
        asked = spc("gauge", "bridge", f"{kind}:", f"{kind}:x", "--store", store)
        assert asked.refused(f"no run of {kind} ''")


def test_a_month_outside_the_history_names_what_there_is(made: Made, spc: Command) -> None:
    store = made(dated_runs(10))
    refused = spc("report", "2027-05", "--store", store)
    assert refused.refused("nothing of BX-1 A", "May 2027", "2026-01-05")
    for bad in ("2026-13", "2026", "January", ""):
        assert spc("report", bad, "--store", store).refused(f"'{bad}' is not a month")


def ready(plan: Plan, values: Array, runs: Runs) -> str:
    """Return a file of ready deviations (runs, points); NaN has no row."""
    return csv_text(
        {"part": plan.part, **run, "point": p.id, "deviation": repr(float(values[r, c]))}
        for r, run in enumerate(runs)
        for c, p in enumerate(plan.points)
        if np.isfinite(values[r, c])
    )


@pytest.fixture
def reported(tmp_path: Path) -> Made:
    """Return a function that makes a store of ready deviations."""

    def making(values: Array, plan: Plan = PLAN, runs: Runs | None = None) -> Path:
        text = ready(plan, values, runs or dated_runs(len(values)))
        (tmp_path / "plan.toml").write_text(plan_toml(plan))
        (tmp_path / "ready.csv").write_text(text)
        files = [tmp_path / "ready.csv"]
        fill(tmp_path / "s.duckdb", files, plan=tmp_path / "plan.toml")
        return tmp_path / "s.duckdb"

    return making


def test_a_series_that_does_not_vary_gets_no_limits_and_no_index(
    reported: Made, spc: Command
) -> None:
    values = np.random.default_rng(2).normal(0, 0.2, (60, 12))
    values[:, 9] = 0.125
    store = reported(values)
    assert "the baseline does not vary" in texts(spc, store)
    with open_store(store, read_only=True) as opened:
        chart, able = monitor(opened), capability_study(opened)
        assert len(monitor(opened, by="piece", names=("check-1",)).rows.labels) == 60
    column = chart.series.names.index("check-1")
    assert chart.notes[column] == "no limits: the baseline does not vary"
    assert np.isnan(chart.upper[:, column]).all()
    assert not [s for s in chart.signals if s.series == "check-1"]
    (point,) = (p for p in able.points if p.point == "check-1")
    assert (point.verdict, point.mean, point.sd) == ("refused", 0.125, 0.0)


def test_a_check_point_never_measured_is_said_to_have_no_data(reported: Made, spc: Command) -> None:
    values = np.random.default_rng(2).normal(0, 0.2, (60, 12))
    values[:, 10] = np.nan
    store = reported(values)
    texts(spc, store)
    with open_store(store, read_only=True) as opened:
        chart, able = monitor(opened), capability_study(opened)
        assert len(monitor(opened, by="piece").rows.labels) == 60
        seen = month_study(opened, month(JANUARY))
    column = chart.series.names.index("check-2")
    assert chart.notes[column].startswith("no limits: 0 baseline batches")
    (point,) = (p for p in able.points if p.point == "check-2")
    assert (point.n, point.verdict) == (0, "cannot be shown")
    assert np.isnan([point.mean, point.sd, point.smallest, point.largest, point.cpk]).all()
    (state,) = (p for p in seen.points if p.point == "check-2")
    assert (state.state, state.n) == ("no limits", 0)
    assert len(seen.gaps) == seen.pieces


def test_a_point_without_a_tolerance_is_charted_and_gets_no_index(
    reported: Made, spc: Command
) -> None:
    free = replace(PLAN.points[11], lower=None, upper=None)
    plan = replace(PLAN, points=(*PLAN.points[:11], free), residual_limit=None)
    store = reported(np.random.default_rng(2).normal(0, 0.2, (60, 12)), plan)
    texts(spc, store)
    with open_store(store, read_only=True) as opened:
        able, seen = capability_study(opened), month_study(opened, month(JANUARY))
    (point,) = (p for p in able.points if p.point == "check-3")
    assert point.verdict == "refused"
    assert point.reason.startswith("No tolerance")
    assert seen.held == ()
    assert all(p.outside == 0 for p in seen.points)


def test_six_points_hold_a_piece_and_say_nothing_of_noise(made: Made, spc: Command) -> None:
    names = ("top-1", "top-2", "top-3", "side-1", "side-3", "front-1", "check-1", "check-2")
    plan = replace(PLAN, points=tuple(p for p in PLAN.points if p.id in names))
    assert len(plan.fit_points) == 6
    store = made(dated_runs(30), plan)
    with open_store(store, read_only=True) as opened:
        runs = read.runs(opened)
        chart = monitor(opened)
        held = read.deviations(opened, "BX-1", "A")
    assert set(runs["dof"]) == {0}
    assert runs["noise"].isna().all()
    assert held[held["role"] == "fit"]["residual"].abs().max() < 1e-9
    at = chart.series.names.index("fit-noise")
    assert chart.notes[at].startswith("no limits")
    assert spc("run", "list", "--store", store).done("–")
    texts(spc, store)


def kept(count: int, *names: str) -> Array:
    """Return hits of so many pieces, the last of them without these points."""
    rng = np.random.default_rng(4)
    hits = probed(PLAN, rng.normal(0, 0.2, (count, 12)), rng)
    for name in names:
        hits[-1, [p.id for p in PLAN.points].index(name)] = np.nan
    return hits


def test_a_run_of_five_fit_points_is_kept_but_not_aligned(made: Made, spc: Command) -> None:
    store = made(dated_runs(12), hits=kept(12, "top-1", "side-1", "front-1", "side-2"))
    taken: Taken = made.taken  # type: ignore[attr-defined]
    assert [r.note for r in taken.runs][-1] == "not aligned"
    assert "kept but not aligned: 5 fit points" in taken.warnings[-1]
    with open_store(store, read_only=True) as opened:
        past = production(opened, read.plan(opened, None))
        assert opened.scalar("SELECT count(*) FROM run") == 12
        assert opened.scalar("SELECT count(*) FROM fit") == 11
        assert opened.scalar("SELECT count(DISTINCT run_id) FROM deviation") == 11
        assert suspect_hits(opened, past) == ()
    assert (len(past.runs), past.unaligned) == (11, 1)
    assert "left out: 1 run that could not be aligned" in texts(spc, store)
    assert spc("run", "list", "--store", store).done("not aligned", "12 runs")


def test_a_run_of_six_of_nine_fit_points_is_aligned_and_said_so(made: Made) -> None:
    store = made(dated_runs(12), hits=kept(12, "top-4", "side-2", "front-2"))
    taken: Taken = made.taken  # type: ignore[attr-defined]
    assert [r.note for r in taken.runs][-1] == "3 of 9 fit points not measured"
    with open_store(store, read_only=True) as opened:
        last = read.runs(opened).iloc[-1]
        past = production(opened, read.plan(opened, None))
    assert (last["n_points"], last["dof"]) == (6, 0)
    assert np.isnan(last["noise"])
    # Points that were not measured have no deviation; all others do.
    assert np.isnan(past.deviations[-1]).sum() == 3


def test_six_points_that_leave_the_piece_free_do_not_align_it(made: Made, spc: Command) -> None:
    store = made(dated_runs(12), hits=kept(12, "front-1", "front-2"))
    taken: Taken = made.taken  # type: ignore[attr-defined]
    assert [r.note for r in taken.runs][-1] == "not aligned"
    with open_store(store, read_only=True) as opened:
        assert opened.scalar("SELECT count(*) FROM fit") == 11
    texts(spc, store)


def test_two_revisions_and_two_parts_live_side_by_side(tmp_path: Path, spc: Command) -> None:
    rng = np.random.default_rng(8)
    files, stores = [], tmp_path / "s.duckdb"
    made = (box(check=2), box(check=3, revision="B"), box(check=1, part="Ö 7/b", revision="1"))
    for number, plan in enumerate(made):
        values = rng.normal(number, 0.1, (30, len(plan.points)))
        runs = [{**r, "revision": plan.revision, "serial": f"{r['serial']}-{number}"}
                for r in dated_runs(30)]  # fmt: skip
        (tmp_path / f"{number}.toml").write_text(plan_toml(plan), encoding="utf-8")
        files.append(tmp_path / f"{number}.csv")
        files[-1].write_text(ready(plan, values, runs), encoding="utf-8")
    fill(stores, [], plan=tmp_path / "0.toml")
    for number in (1, 2):
        assert spc("plan", "add", tmp_path / f"{number}.toml", "--store", stores).status == 0
    assert spc("ingest", *files, "--store", stores).done("30 runs")
    for number, plan in enumerate(made):
        named = ["--part", plan.part, "--revision", plan.revision]
        out = spc("capability", *named, "--store", stores)
        assert out.done(f"{plan.part} {plan.revision}", "30 pieces")
        with open_store(stores, read_only=True) as opened:
            past = production(opened, read.plan(opened, plan.part, plan.revision))
            assert past.deviations.shape == (30, len(plan.points))
            assert past.deviations.mean() == pytest.approx(number, abs=0.05)
    refused = spc("capability", "--store", stores)
    assert refused.refused("more than one part or revision", "--part and --revision")
    assert spc("capability", "--part", "BX-1", "--store", stores).refused("more than one")
    assert spc("capability", "--part", "nö", "--store", stores).refused("no plan for part 'nö'")


def test_a_file_that_does_not_say_its_revision_goes_to_the_only_one_or_is_refused(
    tmp_path: Path, spc: Command
) -> None:
    (tmp_path / "0.toml").write_text(plan_toml(PLAN))
    (tmp_path / "1.toml").write_text(plan_toml(replace(PLAN, revision="B")))
    values = np.random.default_rng(1).normal(0, 0.2, (2, 12))
    (tmp_path / "a.csv").write_text(ready(PLAN, values, dated_runs(2)))
    fill(tmp_path / "s.duckdb", [tmp_path / "a.csv"], plan=tmp_path / "0.toml")
    assert spc("plan", "add", tmp_path / "1.toml", "--store", tmp_path / "s.duckdb").status == 0
    (tmp_path / "b.csv").write_text(ready(PLAN, values + 1, dated_runs(2)))
    refused = spc("ingest", tmp_path / "b.csv", "--store", tmp_path / "s.duckdb")
    assert refused.refused("b.csv, row 2", "more than one part or revision", "--revision")
    (tmp_path / "b.csv").write_text(
        ready(PLAN, values + 1, [{**r, "run": f"{r['run']}b"} for r in dated_runs(2)])
    )
    told = spc("ingest", tmp_path / "b.csv", "--revision", "B", "--store", tmp_path / "s.duckdb")
    assert told.done("2 runs")
    with duckdb.connect(str(tmp_path / "s.duckdb"), read_only=True) as connection:
        rows = connection.execute("SELECT revision, count(*) FROM run GROUP BY 1 ORDER BY 1")
        assert rows.fetchall() == [("A", 2), ("B", 2)]


Rows = list[dict[str, object]]


@pytest.fixture(scope="module")
def with_history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of 40 pieces of production; to be copied."""
    folder, rng = tmp_path_factory.mktemp("history"), np.random.default_rng(3)
    rows = hit_rows(PLAN, probed(PLAN, rng.normal(0, 0.3, (40, 12)), rng), dated_runs(40))
    (folder / "plan.toml").write_text(plan_toml(PLAN))
    (folder / "runs.csv").write_text(csv_text(rows))
    fill(folder / "s.duckdb", [folder / "runs.csv"], plan=folder / "plan.toml")
    return folder / "s.duckdb"


@pytest.fixture(scope="module")
def study_rows() -> Rows:
    """Return a study of 4 of the pieces, 3 operators and 2 set-ups, in hits."""
    rng = np.random.default_rng(3)
    piece = rng.normal(0, 0.3, (4, 12))
    runs: list[dict[str, object]] = [
        {"serial": f"P{p:04d}", "run": f"S-{p}-{o}-{s}", "batch": f"B{p // 5:03d}", "mould": "M1",
         "measured_at": f"2026-01-20T{8 + p:02d}:{10 * o + s:02d}:00Z", "unit": "mm",
         "operator": "abc"[o], "study": "S1"}
        for p in range(4) for o in range(3) for s in range(2)
    ]  # fmt: skip
    values = np.repeat(piece, 6, axis=0) + rng.normal(0, 0.05, (24, 12))
    return hit_rows(PLAN, probed(PLAN, values, rng), runs)


STUDIES: dict[str, Callable[[Rows], Rows]] = {
    "complete": lambda rows: rows,
    "one run missing": lambda rows: [r for r in rows if r["run"] != "S-1-1-1"],
    "one cell missing": lambda rows: [r for r in rows if not str(r["run"]).startswith("S-1-1")],
    "one operator": lambda rows: [r for r in rows if r["operator"] == "a"],
    "one piece": lambda rows: [r for r in rows if r["serial"] == "P0001"],
    "two pieces": lambda rows: [r for r in rows if r["serial"] in ("P0000", "P0001")],
    "one set-up": lambda rows: [r for r in rows if str(r["run"]).endswith("-0")],
    "one hit": lambda rows: [r for r in rows if r["hit"] == 1],
    "two hits in one run": lambda rows: [r for r in rows if (r["run"], r["hit"]) != ("S-0-0-0", 3)],
    "operators unknown": lambda rows: [{**r, "operator": ""} for r in rows],
    "one run": lambda rows: [r for r in rows if r["run"] == "S-0-0-0"],
    "one name for every set-up": lambda rows: [{**r, "setup": "1"} for r in rows],
}


#: What a design lacks is said instead of a figure.
MISSING = {
    "two pieces": "2 pieces say little of how far pieces differ",
    "one set-up": "no piece was set up twice by the same person",
    "one hit": "one hit a point: probing cannot be told",
    "complete": "The pose is no figure of this study",
    "one name for every set-up": "12 runs say the set-up of an earlier run, but their piece lay",
    "one operator": "neither people nor days were tested",
}


@pytest.mark.parametrize("name", STUDIES)
def test_a_gauge_study_of_any_design_answers_or_says_why_not_and_spoils_no_report(
    name: str, with_history: Path, study_rows: Rows, tmp_path: Path, spc: Command
) -> None:
    store = Path(shutil.copy(with_history, tmp_path / "s.duckdb"))
    (tmp_path / "study.csv").write_text(csv_text(STUDIES[name](study_rows)))
    assert spc("ingest", tmp_path / "study.csv", "--store", store).status == 0
    outcome = spc("gauge", "study", "S1", "--store", store)
    if outcome.status == 0:
        assert outcome.done("gauge study S1", "probing", MISSING.get(name, ""))
    else:
        assert outcome.refused()
    if name == "two pieces":
        found = json.loads(spc("gauge", "study", "S1", "--json", "--store", store).out)
        assert found["pooled"]["gauge"]["value"][0] is not None
        for key in ("pieces", "total", "of_study", "distinct", "correlation"):
            assert set(found["pooled"][key]["value"]) == {None}
            assert "2 pieces tell nothing" in found["pooled"][key]["note"]
    # The month is told all the same, with the study or with the reason why there is none.
    with open_store(store, read_only=True) as opened:
        seen = month_study(opened, month(JANUARY))
    assert seen.pieces == 40
    # A study that can be read may still repeat too little to speak for readings after it.
    assert (seen.gauge is None) == (
        outcome.status == 2 or name in ("one operator", "one set-up", "two pieces")
    )
    assert bool(seen.gauge_note) == (seen.gauge is None)


def test_a_point_of_the_plan_that_no_fit_may_use_is_a_check_point(tmp_path: Path) -> None:
    idle = PlanPoint(id="idle", role="fit", nominal=(0.0, 0.0, 200.0), normal=(0.0, 0.0, 1.0),
                     weight=0.0)  # fmt: skip
    plan = replace(PLAN, points=(*PLAN.points, idle))
    rng = np.random.default_rng(6)
    rows = hit_rows(plan, probed(plan, rng.normal(0, 0.2, (3, 13)), rng), dated_runs(3))
    (tmp_path / "plan.toml").write_text(plan_toml(plan))
    (tmp_path / "hits.csv").write_text(csv_text(rows))
    files = [tmp_path / "hits.csv"]
    fill(tmp_path / "s.duckdb", files, plan=tmp_path / "plan.toml")
    with open_store(tmp_path / "s.duckdb", read_only=True) as opened:
        held = read.deviations(opened, "BX-1", "A").set_index("point").loc["idle"]
        assert set(read.runs(opened)["n_points"]) == {9}
    assert set(held["role"]) == {"check"}
    assert held["residual"].isna().all()
