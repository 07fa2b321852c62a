"""A store that is whole passes its check; whatever is changed behind its back is said in words."""

import json
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from helpers import SAMPLES, Outcome, fill, held_bytes
from strategies import csv_text

from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.store.connection import open_store
from spc.studies.intake import take_file
from spc.studies.omissions import omit, restore
from spc.studies.store_check import check_store

Command = Callable[..., Outcome]


def as_points(text: str) -> str:
    """Return a table of hits as one of points under serials of their own, the first hits alone."""
    head, *rows = (line.split(",") for line in text.splitlines())
    at = head.index("hit")
    kept = [row[:at] + row[at + 1 :] for row in [head, *rows] if row[at] in ("hit", "1")]
    return "\n".join(",".join(row) for row in kept).replace("H00", "Q00")


def as_deviations(store_path: Path) -> str:
    """Return deviations as another program would deliver them, some residuals of its own making."""
    with open_store(store_path, read_only=True) as store:
        rows = store.frame(
            "SELECT r.part, r.revision, 'R-' || r.serial AS serial, 'R-' || r.run AS run, d.point, "
            "round(d.deviation, 4) AS deviation, CASE WHEN d.point = 'deck-1' THEN 0.125 "
            "WHEN d.point = 'latch-face' THEN 9 ELSE round(d.residual, 4) END AS residual, "
            "'mm' AS unit FROM deviation d JOIN run r USING (run_id) WHERE r.depth = 'hits'"
        )
    return csv_text(rows.astype(object).fillna("").to_dict("records"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of hits, points, deviations, events, arm checks, decisions and corrections."""
    folder = tmp_path_factory.mktemp("check")
    path = folder / "whole.duckdb"
    first = sorted((SAMPLES / "runs" / "2026-04").glob("*.csv"))[0]
    others = [p for p in SAMPLES.rglob("*.csv") if "runs" not in p.parts and "gauge" not in p.parts]
    fill(path, [first, *sorted(others)])
    (folder / "points.csv").write_text(as_points(first.read_text(encoding="utf-8")))
    (folder / "deviations.csv").write_text(as_deviations(path))
    with open_store(path) as store:
        for name in ("points.csv", "deviations.csv"):
            take_file(store, read_file(folder / name, Declared()), "tester")
        for again in range(2):
            omit(store, "H0002-1", "flank-1", why=f"{again}", reason="slip", force=True, who="ana")
            restore(store, "H0002-1", None, why="as it was", who="ana")
    return path


def told(path: Path) -> dict[str, int]:
    """Return what the check finds, and how often."""
    with open_store(path, read_only=True) as store:
        return {fault.what: fault.cases for fault in check_store(store).faults}


def test_a_store_of_everything_is_whole(whole: Path, spc: Command) -> None:
    before = held_bytes(whole)
    outcome = spc("store", "check", "--store", whole)
    assert outcome.done("whole", "hits", "audit entries")
    assert outcome.out.count("\n") == 1
    document = json.loads(spc("store", "check", "--json", "--store", whole).out)
    assert document["whole"]
    assert (document["faults"], document["remarks"]) == ([], [])
    assert document["runs"] == 36
    assert held_bytes(whole) == before


def test_the_store_of_the_samples_is_whole(sample_store: Path, spc: Command) -> None:
    assert spc("store", "check", "--store", sample_store).done("whole", "491 runs", "491 fits")


DEPTH = "(SELECT run_id FROM run WHERE depth = '{}' ORDER BY run LIMIT 1)"
HITS, DEVIATIONS = DEPTH.format("hits"), DEPTH.format("deviations")
OF_HITS = f"run_id = {HITS}"

TAMPERED = {
    "a hit moved by a micrometre": (
        f"UPDATE hit SET x = x + 1e-3 WHERE {OF_HITS} AND point = 'deck-2' AND hit = 2",
        "values are not those"),
    "a hit of a point exchanged with another's": (
        f"UPDATE hit SET point = CASE point WHEN 'deck-1' THEN 'deck-2' ELSE 'deck-1' END "
        f"WHERE {OF_HITS} AND point IN ('deck-1', 'deck-2')", "values are not those"),
    "a hit taken out": (f"DELETE FROM hit WHERE {OF_HITS} AND point = 'deck-2' AND hit = 2",
                        "values are not those"),
    "a hit taken out is missing from its file": (
        f"DELETE FROM hit WHERE {OF_HITS} AND point = 'deck-2' AND hit = 2", "rows are gone"),
    "a hit taken out is missing from its mean": (
        f"DELETE FROM hit WHERE {OF_HITS} AND point = 'deck-2' AND hit = 2", "does not count"),
    "every hit of a run taken out": (f"DELETE FROM hit WHERE {OF_HITS}", "without any hit"),
    "a hit doubled": (f"INSERT INTO hit SELECT * FROM hit WHERE {OF_HITS} AND point = 'deck-1'",
                      "a row of 'hit' twice"),
    "a coordinate that is none": (f"UPDATE hit SET z = 'nan' WHERE {OF_HITS} AND hit = 1",
                                  "a number of 'hit' that is none"),
    "an infinite deviation": (f"UPDATE deviation SET deviation = 'inf' WHERE {OF_HITS}",
                              "a number of 'deviation' that is none"),
    "a measuring time changed": (
        f"UPDATE run SET measured_at = measured_at + INTERVAL 1 SECOND WHERE {OF_HITS}",
        "values are not those"),
    "a label changed": (f"UPDATE run SET run = 'other' WHERE {OF_HITS}", "values are not those"),
    "a label of another run": (
        f"UPDATE run SET serial = 'H0002', run = 'H0002-1' WHERE {OF_HITS}",
        "two runs of one label"),
    "a reported deviation changed": (
        f"UPDATE deviation SET deviation = deviation + 0.001 WHERE run_id = {DEVIATIONS} "
        "AND point = 'latch-face'", "values are not those"),
    "a reported residual changed": (
        f"UPDATE deviation SET residual = 0.2 WHERE run_id = {DEVIATIONS} AND point = 'deck-1'",
        "values are not those"),
    "a computed deviation changed": (
        f"UPDATE deviation SET deviation = deviation + 0.001 WHERE {OF_HITS} "
        "AND point = 'latch-face'", "does not follow from the hits"),
    "a residual changed": (
        f"UPDATE deviation SET residual = residual + 0.001 WHERE {OF_HITS} AND point = 'deck-1'",
        "do not follow from its residuals"),
    "a deviation taken out": (f"DELETE FROM deviation WHERE {OF_HITS} AND point = 'latch-face'",
                              "left without a deviation"),
    "a fit point taken out": (f"DELETE FROM deviation WHERE {OF_HITS} AND point = 'deck-1'",
                              "number of points"),
    "a check point made a fit point": (
        f"UPDATE deviation SET role = 'fit', residual = deviation WHERE {OF_HITS} "
        "AND point = 'latch-face'", "a check point that a fit says"),
    "a deviation under another run": (
        f"UPDATE deviation SET run_id = 'other' WHERE {OF_HITS} AND point = 'latch-face'",
        "under another run"),
    "a deviation of a point of no plan": (
        f"UPDATE deviation SET point = 'deck-9' WHERE {OF_HITS} AND point = 'latch-face'",
        "the plan of its fit does not have"),
    "a noise made smaller": (f"UPDATE fit SET noise = noise / 2 WHERE {OF_HITS}",
                             "do not follow from its residuals"),
    "a pose turned": (f"UPDATE fit SET translation = '[1, 2, 3]' WHERE {OF_HITS}",
                      "does not follow from the hits"),
    "a pose that is none": (f"UPDATE fit SET rotation = 'x' WHERE {OF_HITS}",
                            "cannot be worked out again"),
    "a fit under another name": (f"UPDATE fit SET fit_id = 'f' WHERE {OF_HITS}",
                                 "a row of 'deviation' whose fit_id"),
    "an omission that never was": (f"UPDATE fit SET omitted = 'nose-1' WHERE {OF_HITS}",
                                   "a row of 'fit' under an identity"),
    "a fit taken out": (f"DELETE FROM fit WHERE {OF_HITS}", "a row of 'deviation' whose fit_id"),
    "two last fits": ("UPDATE fit SET fitted_at = (SELECT max(fitted_at) FROM fit)",
                      "two last fits"),
    "a run taken out": (f"DELETE FROM run WHERE {OF_HITS}", "a row of 'hit' whose run_id"),
    "a run doubled": (f"INSERT INTO run SELECT * FROM run WHERE {OF_HITS}",
                      "a row of 'run' twice"),
    "a piece taken out": ("DELETE FROM piece WHERE serial = 'H0001'", "a row of 'run' whose piece"),
    "a piece under another serial": ("UPDATE piece SET serial = 'X' WHERE serial = 'H0001'",
                                     "a row of 'piece' under an identity"),
    "a nominal moved": ("UPDATE plan_point SET nominal_x = nominal_x + 1e-6 WHERE point = 'deck-1'",
                        "a plan that does not say"),
    "a tolerance widened": ("UPDATE plan_point SET upper = upper * 2 WHERE point = 'latch-face'",
                            "a plan that does not say"),
    "a plan taken out": ("DELETE FROM plan", "a row of 'fit' whose plan_id"),
    "a plan of a part that is gone": ("DELETE FROM part", "a part that is not known"),
    "a file taken out": ("DELETE FROM source_file WHERE kind = 'hits'",
                         "a row of 'run' whose file_id"),
    "a file that nobody took": (
        "INSERT INTO source_file BY NAME SELECT repeat('f', 64) AS file_id, 'x.csv' AS name, "
        "now() AS taken_at",
        "without an entry in the audit chain"),
    "an event changed": ("UPDATE event SET kind = 'nothing' WHERE kind = 'resin lot'",
                         "a row of 'event' under an identity"),
    "an event taken out": (
        "DELETE FROM event WHERE event_id = (SELECT min(event_id) FROM event)", "rows are gone"),
    "an arm check made better": ("UPDATE arm_check SET reading = reference",
                                 "a row of 'arm_check' under an identity"),
    "a decision given to another": ("UPDATE omission SET who = 'ben'",
                                    "a row of 'omission' under an identity"),
    "a decision about no run": ("UPDATE omission SET run_id = 'r'",
                                "a row of 'omission' whose run_id"),
    "an audit entry changed": ("UPDATE audit SET who = 'ben' WHERE seq = 2",
                               "the audit chain was changed"),
    "an audit entry taken out": ("DELETE FROM audit WHERE seq = 3", "the audit chain was changed"),
    "a column dropped": ("ALTER TABLE run DROP COLUMN device", "not as the schema says"),
    "a strange table": ("CREATE TABLE notes (a INTEGER)", "not as the schema says"),
    "a column of another type": ("ALTER TABLE run ALTER part_temp_c TYPE VARCHAR",
                                "not as the schema says"),
    "a depth that there is not": (f"UPDATE run SET depth = 'foo' WHERE {OF_HITS}",
                                  "none of hits, points and deviations"),
    "a batch changed in the piece": ("UPDATE piece SET batch = 'B77' WHERE serial = 'H0001'",
                                     "the runs of the same file say something else"),
    "a mould changed in the run": (f"UPDATE run SET mould = 'K9' WHERE {OF_HITS}",
                                   "the runs of the same file say something else"),
    "a time forgotten": ("UPDATE source_file SET taken_at = NULL", "without its time"),
}  # fmt: skip


@pytest.mark.parametrize("name", TAMPERED)
def test_what_is_changed_behind_its_back_is_said(name: str, whole: Path, tmp_path: Path) -> None:
    statement, words = TAMPERED[name]
    copy = Path(shutil.copy(whole, tmp_path / "copy.duckdb"))
    with duckdb.connect(str(copy)) as connection:
        connection.execute(statement)
    found = told(copy)
    assert [what for what in found if words in what], found


def test_a_column_of_another_type_is_named(whole: Path, tmp_path: Path, spc: Command) -> None:
    copy = Path(shutil.copy(whole, tmp_path / "copy.duckdb"))
    with duckdb.connect(str(copy)) as connection:
        connection.execute(TAMPERED["a column of another type"][0])
    outcome = spc("store", "check", "--store", copy)
    assert outcome.status == 1
    assert "run.part_temp_c is VARCHAR, not DOUBLE" in outcome.out


def test_a_broken_store_is_listed_with_examples_and_status_1(
    whole: Path, tmp_path: Path, spc: Command
) -> None:
    copy = Path(shutil.copy(whole, tmp_path / "copy.duckdb"))
    with duckdb.connect(str(copy)) as connection:
        connection.execute("UPDATE hit SET y = y + 1 WHERE point = 'deck-1'")
    outcome = spc("store", "check", "--store", copy)
    assert (outcome.status, outcome.err) == (1, "")
    assert "BROKEN in 2 ways" in outcome.out
    assert "run H0001-1 of serial H0001" in outcome.out
    assert "and 21 more" in outcome.out
    document = json.loads(spc("store", "check", "--json", "--store", copy).out)
    assert not document["whole"]
    assert [fault["cases"] for fault in document["faults"]] == [24, 28]


def test_clocks_that_disagree_are_told_and_break_nothing(
    tmp_path: Path, first_batch: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "slow.duckdb"
    monkeypatch.setattr("spc.studies.intake.now", lambda: datetime(2020, 1, 1))
    fill(path, [first_batch])
    assert spc("store", "check", "--store", path).done("whole", "note: measured after it was taken")
