"""Hits, points and ready deviations of the same runs, in any unit, pose and order, agree."""

import random
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from helpers import fill
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from strategies import Array, box, csv_text, dated_runs, hit_rows, plan_toml, posed, probed

from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.store import read
from spc.store.connection import open_store
from spc.studies.arrays import pivot
from spc.studies.capability import capability_study
from spc.studies.intake import Taken, take_file
from spc.studies.monitor import monitor
from spc.studies.month import month_study
from spc.studies.spans import month

#: Coordinates of the tests have some 16 digits of a metre, so nanometres are safe.
NANOMETRE = 1e-6
#: What one micrometre of a written coordinate may change in a deviation, mm.
AGREED = 1e-9


def deviations(path: Path) -> pd.DataFrame:
    """Return the store's working deviations, one row a piece, one column a point."""
    with open_store(path, read_only=True) as store:
        plan = read.plan(store, None)
        runs = read.runs(store)
        long = read.deviations(store, plan.part, plan.revision)
        names = tuple(p.id for p in plan.points)
        laid = pivot(long, "deviation", list(runs["run_id"]), names)
    return pd.DataFrame(laid, index=runs["run"], columns=list(names)).sort_index()


def as_points(hits: pd.DataFrame) -> pd.DataFrame:
    """Return the means of the hits of each point, as the arm's software may export them."""
    head = [c for c in hits.columns if c not in ("hit", "x", "y", "z")]
    means = hits.groupby(head, sort=False, dropna=False)[["x", "y", "z"]].mean().reset_index()
    return means.map(lambda v: repr(v) if isinstance(v, float) else v)


@pytest.fixture(scope="module")
def from_hits(tmp_path_factory: pytest.TempPathFactory, first_batch: Path) -> Path:
    """Return a store of the first batch, taken as hits."""
    path = tmp_path_factory.mktemp("depths") / "hits.duckdb"
    fill(path, [first_batch])
    return path


@pytest.fixture(scope="module")
def table(first_batch: Path) -> pd.DataFrame:
    """Return the first batch's file, coordinates as numbers and everything else as text."""
    frame = pd.read_csv(first_batch, dtype=str, keep_default_na=False)
    return frame.astype({"x": float, "y": float, "z": float})


def test_means_of_hits_give_the_deviations_of_the_hits(
    from_hits: Path, table: pd.DataFrame, tmp_path: Path
) -> None:
    file, path = tmp_path / "points.csv", tmp_path / "points.duckdb"
    as_points(table).to_csv(file, index=False)
    (taken,) = fill(path, [file])
    assert (taken.kind, taken.new, taken.rows) == ("points", 12, 12 * 33)
    pd.testing.assert_frame_equal(deviations(path), deviations(from_hits), atol=AGREED, rtol=0)


def test_ready_deviations_are_kept_as_they_were_given(
    from_hits: Path, table: pd.DataFrame, tmp_path: Path
) -> None:
    computed = deviations(from_hits)
    rows = table.drop_duplicates(["run", "point"]).drop(columns=["hit", "x", "y", "z"])
    pairs = zip(rows.run, rows.point, strict=True)
    rows["deviation"] = [repr(float(computed.at[r, p])) for r, p in pairs]
    file, path = tmp_path / "ready.csv", tmp_path / "ready.duckdb"
    rows.to_csv(file, index=False)
    (taken,) = fill(path, [file])
    assert (taken.kind, taken.new) == ("deviations", 12)
    pd.testing.assert_frame_equal(deviations(path), computed, atol=0, rtol=0)
    # The fit's own figures are worked out from what its points keep, and are those of the fit.
    with open_store(path, read_only=True) as store, open_store(from_hits, read_only=True) as other:
        ready, own = (read.runs(s).set_index("run").sort_index() for s in (store, other))
    assert (ready["origin"] == "file").all()
    np.testing.assert_allclose(ready["noise"], own["noise"], atol=AGREED)
    np.testing.assert_allclose(ready["worst_residual"], own["worst_residual"], atol=AGREED)
    assert list(ready["worst_point"]) == list(own["worst_point"])
    assert list(ready["dof"]) == [3] * 12


def test_a_residual_given_beside_the_deviation_goes_before_it(tmp_path: Path) -> None:
    plan = box(check=1)
    rows = [
        {"part": "BX-1", "revision": "A", "serial": "P1", "run": "P1-1", "point": p.id,
         "deviation": "0.5", "residual": "0.25" if p.role == "fit" else "", "unit": "in"}
        for p in plan.points
    ]  # fmt: skip
    (tmp_path / "plan.toml").write_text(plan_toml(plan))
    (tmp_path / "ready.csv").write_text(csv_text(rows))
    fill(tmp_path / "s.duckdb", [tmp_path / "ready.csv"], plan=tmp_path / "plan.toml")
    with open_store(tmp_path / "s.duckdb", read_only=True) as store:
        (run,) = read.runs(store).to_dict("records")
        held = read.fit_deviations(store, run["fit_id"]).set_index("point")
    assert (held["deviation"] == 0.5 * 25.4).all()
    assert list(held["residual"].dropna()) == [0.25 * 25.4] * 9
    assert run["ssr"] == pytest.approx(9 * (0.25 * 25.4) ** 2)
    assert run["noise"] == pytest.approx(np.sqrt(3) * 0.25 * 25.4)


def test_ready_deviations_without_fit_points_have_no_figures_of_a_fit(tmp_path: Path) -> None:
    rows = [{"part": "BX-1", "serial": "P1", "run": "P1-1", "point": "check-1", "deviation": "0.1",
             "unit": "mm"}]  # fmt: skip
    (tmp_path / "plan.toml").write_text(plan_toml(box()))
    (tmp_path / "ready.csv").write_text(csv_text(rows))
    fill(tmp_path / "s.duckdb", [tmp_path / "ready.csv"], plan=tmp_path / "plan.toml")
    with open_store(tmp_path / "s.duckdb", read_only=True) as store:
        (run,) = read.runs(store).to_dict("records")
    assert (run["n_points"], run["dof"], run["worst_point"]) == (0, 0, "")
    assert np.isnan([run["noise"], run["worst_residual"]]).all()


@pytest.mark.parametrize(("unit", "per"), [("in", 25.4), ("thou", 0.0254)])
def test_the_same_run_in_inches_gives_the_same_deviations(
    unit: str, per: float, from_hits: Path, table: pd.DataFrame, tmp_path: Path
) -> None:
    other = table.assign(unit=unit)
    for axis in "xyz":
        other[axis] = [repr(v / per) for v in table[axis]]
    file, path = tmp_path / "other.csv", tmp_path / "other.duckdb"
    other.to_csv(file, index=False)
    fill(path, [file])
    pd.testing.assert_frame_equal(deviations(path), deviations(from_hits), atol=AGREED, rtol=0)


PLAN = box(check=3)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds the box's plan; to be copied."""
    folder = tmp_path_factory.mktemp("empty")
    (folder / "plan.toml").write_text(plan_toml(PLAN))
    fill(folder / "box.duckdb", [], plan=folder / "plan.toml")
    return folder / "box.duckdb"


Rows = list[dict[str, object]]


def through_the_intake(empty: Path, *ways: list[Rows]) -> list[pd.DataFrame]:
    """Return the deviations of the same runs, taken into one store in several ways.

    Each way is a list of files; its runs get a name of their own, which is taken off again.
    """
    with tempfile.TemporaryDirectory() as name:
        path, file = Path(name, "s.duckdb"), Path(name, "rows.csv")
        shutil.copy(empty, path)
        with open_store(path) as store:
            for way, files in enumerate(ways):
                for rows in files:
                    own = [{**r, "serial": f"{way}{r['serial']}", "run": f"{way}{r['run']}"}
                           for r in rows]  # fmt: skip
                    file.write_text(csv_text(own), encoding="utf-8")
                    take_file(store, read_file(file, Declared()), "tester")
        found = deviations(path)
    runs = found.index.astype(str)
    return [
        found[runs.str.startswith(str(way))].rename(index=lambda run: run[1:])
        for way in range(len(ways))
    ]


@st.composite
def measured(draw: st.DrawFn) -> tuple[Array, Rows]:
    """Draw the hits of a few pieces, some of them missing a check point or a hit."""
    count = draw(st.integers(1, 4))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    hits = probed(PLAN, rng.normal(0, 0.5, (count, len(PLAN.points))), rng)
    for run in range(count):
        if draw(st.booleans()):
            hits[run, draw(st.integers(0, len(PLAN.points) - 1)), draw(st.integers(0, 2))] = np.nan
        if draw(st.booleans()):
            hits[run, 9 + draw(st.integers(0, 2))] = np.nan
    return hits, dated_runs(count)


@settings(max_examples=6, deadline=None)
@given(case=measured(), seed=st.integers(0, 2**32))
def test_a_piece_may_lie_anywhere(case: tuple[Array, Rows], seed: int, empty: Path) -> None:
    hits, runs = case
    rng = np.random.default_rng(seed)
    turned = posed(hits, Rotation.random(len(hits), rng=rng).as_matrix(),
                   rng.uniform(-1500, 1500, (len(hits), 3)))  # fmt: skip
    here, there = through_the_intake(empty, *([hit_rows(PLAN, h, runs)] for h in (hits, turned)))
    assert len(here) == len(runs)
    pd.testing.assert_frame_equal(here, there, atol=NANOMETRE, rtol=0)


@settings(max_examples=6, deadline=None)
@given(case=measured(), unit=st.sampled_from([("in", 25.4), ("thou", 0.0254)]))
def test_a_unit_is_only_a_way_of_writing(
    case: tuple[Array, Rows], unit: tuple[str, float], empty: Path
) -> None:
    hits, runs = case
    name, per = unit
    other = hit_rows(PLAN, hits, [{**r, "unit": name} for r in runs], per=per)
    here, there = through_the_intake(empty, [hit_rows(PLAN, hits, runs)], [other])
    pd.testing.assert_frame_equal(here, there, atol=NANOMETRE, rtol=0)


@settings(max_examples=6, deadline=None)
@given(case=measured(), order=st.randoms(use_true_random=False))
def test_neither_the_order_of_rows_nor_of_files_matters(
    case: tuple[Array, Rows], order: random.Random, empty: Path
) -> None:
    rows = hit_rows(PLAN, *case)
    apart = [[row for row in rows if row["run"] == run["run"]] for run in case[1]]
    mixed = rows[:]
    order.shuffle(mixed)
    order.shuffle(apart)
    whole, *others = through_the_intake(empty, [rows], [mixed], apart)
    for other in others:
        pd.testing.assert_frame_equal(whole, other, atol=NANOMETRE, rtol=0)


def test_two_thousand_pieces_are_taken_whole(
    tmp_path: Path, take_synthetic: Callable[[Path, int], Taken]
) -> None:
    taken = take_synthetic(tmp_path / "many.duckdb", 2000)
    assert (taken.new, taken.rows) == (2000, 2000 * 12 * 3)
    with open_store(tmp_path / "many.duckdb", read_only=True) as store:
        counts = {t: store.scalar(f"SELECT count(*) FROM {t}") for t in
                  ("run", "piece", "fit", "hit", "deviation")}  # fmt: skip
        chart, able = monitor(store), capability_study(store, span="B000..B399")
        seen = month_study(store, month("2026-01"))
    assert counts == {"run": 2000, "piece": 2000, "fit": 2000, "hit": 72_000, "deviation": 24_000}
    assert len(chart.rows.labels) == 400
    assert chart.values.shape == (400, len(chart.series.names))
    assert (able.pieces, able.batches) == (2000, 400)
    # One an hour from the 5th of January at 8 o'clock.
    assert seen.pieces == 26 * 24 + 16


@pytest.fixture
def take_synthetic(tmp_path: Path) -> Callable[[Path, int], Taken]:
    """Return a function that fills a store with so many simulated pieces."""

    def taking(path: Path, count: int) -> Taken:
        rng = np.random.default_rng(5)
        hits = probed(PLAN, rng.normal(0, 0.2, (count, len(PLAN.points))), rng)
        (tmp_path / "plan.toml").write_text(plan_toml(PLAN))
        (tmp_path / "many.csv").write_text(csv_text(hit_rows(PLAN, hits, dated_runs(count))))
        return fill(path, [tmp_path / "many.csv"], plan=tmp_path / "plan.toml")[0]

    return taking
