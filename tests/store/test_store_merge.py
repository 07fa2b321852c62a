"""Two stations, one truth: merging loses nothing, in any order, and decides nothing in silence."""

import json
import shutil
from collections.abc import Callable
from itertools import permutations
from pathlib import Path

import duckdb
import pytest
from helpers import SAMPLES, Outcome, contents, fill, held_bytes

from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.store import read
from spc.store.audit import record
from spc.store.connection import create_store, open_store
from spc.studies import plans
from spc.studies.corrections import correct_serial, correct_words
from spc.studies.events import add_event
from spc.studies.freezing import freeze
from spc.studies.intake import Taken, take_file
from spc.studies.omissions import omit
from spc.studies.store_check import check_store
from spc.studies.store_merge import Merged, merge_store

Command = Callable[..., Outcome]

MONTH = sorted((SAMPLES / "runs" / "2026-04").glob("*.csv"))
#: What each store has for itself.
OWN = ("audit", "merged_audit", "schema_version")


def station(path: Path, files: list[Path]) -> Path:
    """Return a store of one station, which took these files."""
    fill(path, files)
    return path


def take(path: Path, file: Path, correction: str = "") -> Taken:
    with open_store(path) as store:
        return take_file(store, read_file(file, Declared()), "tester", correction=correction)


def merged(into: Path, other: Path, **how: bool) -> Merged:
    """Merge and expect the store to be whole afterwards."""
    with open_store(into) as store:
        done = merge_store(store, other, "merger", **how)
    with open_store(into, read_only=True) as store:
        assert check_store(store).faults == ()
    return done


def content(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Return everything that a merge shares between stores."""
    return {table: rows for table, rows in contents(path).items() if table not in OWN}


def copied(path: Path, name: str) -> Path:
    return Path(shutil.copy(path, path.with_name(f"{name}.duckdb")))


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Return three stations: the first two share a file, the third began as a copy of the first."""
    folder = tmp_path_factory.mktemp("merge")
    one = station(folder / "one.duckdb", MONTH[:2])
    two = station(folder / "two.duckdb", [*MONTH[1:3], SAMPLES / "events.csv"])
    three = copied(one, "three")
    take(three, MONTH[3])
    with open_store(one) as store:
        freeze(store, names=("latch-face",), baseline="B01..B02", by="piece", since=None,
               why="calm", who="ana", rules=("beyond limit",))  # fmt: skip
    with open_store(two) as store:
        omit(store, "H0014", "flank-1", why="slid", reason="slip", force=True, who="ben")
        correct_words(store, "H0013", {"batch": "B2"}, why="label misread", who="ben")
    with open_store(three) as store:
        add_event(store, {"at": "2026-04-05T08:00Z", "kind": "arm work", "part": "", "mould": "",
                          "note": "fell"}, None, "cyn")  # fmt: skip
        correct_serial(store, "H0021", "H0921", run=None, why="typed wrong", who="cyn")
    return one, two, three


@pytest.fixture
def stations(filled: tuple[Path, Path, Path], tmp_path: Path) -> tuple[Path, Path, Path]:
    """Return copies of the three stations that a test may write to."""
    one, two, three = (Path(shutil.copy(path, tmp_path)) for path in filled)
    return one, two, three


def test_a_merge_brings_everything_and_leaves_the_other_store_as_it_was(
    stations: tuple[Path, Path, Path], spc: Command
) -> None:
    one, two, _ = stations
    before = held_bytes(two)
    outcome = spc("store", "merge", two, "--store", one)
    assert outcome.done("Merged", "990 hit", "21 run", "1 omission", "15 event")
    assert held_bytes(two) == before
    held, other = contents(one), contents(two)
    for table in ("hit", "deviation", "event", "omission", "fit"):
        assert set(other[table]) <= set(held[table])
    with open_store(one, read_only=True) as store:
        runs = read.runs(store)
        assert (len(runs), runs["run_id"].nunique()) == (33, 33)
        assert len(read.files(store)) == 4
        of = runs.set_index("serial")
        assert of.loc["H0014", "omitted"] == "flank-1"
        assert of.loc["H0013", "batch"] == "B2"
    assert spc("store", "check", "--store", one).done("whole", "4 files, 33 runs")


def test_the_same_merge_again_changes_nothing(
    stations: tuple[Path, Path, Path], spc: Command
) -> None:
    one, two, _ = stations
    merged(one, two)
    before = held_bytes(one)
    assert merged(one, two).already
    assert spc("store", "merge", two, "--store", one).done("is here already; nothing changed")
    assert held_bytes(one) == before


def test_any_order_gives_the_same_content(
    stations: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    seen = []
    for place, order in enumerate(permutations(stations)):
        into = Path(shutil.copy(order[0], tmp_path / f"order-{place}.duckdb"))
        for other in order[1:]:
            assert merged(into, other).merged
        seen.append(content(into))
    assert all(held == seen[0] for held in seen[1:])
    assert len({row[0] for row in seen[0]["run"]}) == 46


def test_stores_that_merged_each_other_are_the_same_and_stay_so(
    stations: tuple[Path, Path, Path],
) -> None:
    one, two, three = stations
    for into, other in ((one, two), (two, one), (three, one), (one, three), (two, three)):
        merged(into, other)
    assert content(one) == content(two) == content(three)
    before = [held_bytes(path) for path in stations]
    for into, other in permutations(stations, 2):
        assert merged(into, other).already
    assert [held_bytes(path) for path in stations] == before


def test_what_a_person_decided_holds_whichever_station_took_the_file_later(
    tmp_path: Path,
) -> None:
    """The other station takes the same file after the decision; its fit is newer and says less."""
    early = station(tmp_path / "early.duckdb", MONTH[:1])
    with open_store(early) as store:
        omit(store, "H0002", "flank-1", why="slid", reason="slip", force=True, who="ana")
        correct_words(store, "H0003", {"mould": "K9"}, why="misread", who="ana")
        correct_serial(store, "H0004", "H0904", run=None, why="typed wrong", who="ana")
    late = station(tmp_path / "late.duckdb", MONTH[:1])
    for into, other in ((copied(early, "a"), late), (copied(late, "b"), early)):
        done = merged(into, other)
        assert (done.conflicts, done.differences) == ((), ())
        with open_store(into, read_only=True) as store:
            runs = read.runs(store).set_index("run")
        assert len(runs) == 12
        assert runs.loc["H0002-1", "omitted"] == "flank-1"
        assert runs.loc["H0003-1", "mould"] == "K9"
        assert runs.loc["H0004-1", "serial"] == "H0904"
        assert not runs["superseded"].any()


def test_a_plan_that_one_store_went_on_from_is_history_there(tmp_path: Path) -> None:
    ahead = station(tmp_path / "ahead.duckdb", MONTH[:1])
    text = (SAMPLES / "LH-640.toml").read_text(encoding="utf-8")
    newer = tmp_path / "newer.toml"
    newer.write_text(text.replace("residual_limit = ", "residual_limit = 1"), encoding="utf-8")
    with open_store(ahead) as store:
        plans.add(store, *read_plan(newer), "ana")
    # Made later, so that the plan it has was added later than the newer one.
    behind = station(tmp_path / "behind.duckdb", MONTH[1:2])
    for into, other in ((copied(ahead, "a"), behind), (copied(behind, "b"), ahead)):
        assert merged(into, other).conflicts == ()
        with open_store(into, read_only=True) as store:
            assert read.plan(store, "LH-640") == read_plan(newer)[0]


def edited(folder: Path, old: str, new: str, *, name: str = "other.csv") -> Path:
    """Return the first file of the month with something else in it."""
    text = MONTH[0].read_text(encoding="utf-8")
    assert old in text
    path = folder / name
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def other_plan(folder: Path, factor: str) -> Path:
    text = (SAMPLES / "LH-640.toml").read_text(encoding="utf-8")
    path = folder / f"plan-{factor}.toml"
    path.write_text(text.replace("residual_limit = ", f"residual_limit = {factor}"), "utf-8")
    return path


def add_plan(path: Path, plan: Path) -> None:
    with open_store(path) as store:
        plans.add(store, *read_plan(plan), "ana")


def contradicting(kind: str, folder: Path) -> tuple[Path, Path]:
    """Return two stores that contradict each other in one thing."""
    one = station(folder / "here.duckdb", MONTH[:1])
    if kind == "label":
        x = MONTH[0].read_text(encoding="utf-8").splitlines()[1].split(",")[15]
        return one, station(folder / "there.duckdb", [edited(folder, f",{x},", ",935.000,")])
    if kind == "mould":
        return one, station(folder / "there.duckdb", [edited(folder, ",K1,", ",K2,")])
    two = copied(one, "there")
    if kind == "plan":
        add_plan(one, other_plan(folder, "1"))
        add_plan(two, other_plan(folder, "2"))
    for path, point, batch, serial in ((one, "flank-1", "B7", "S7"), (two, "nose-1", "B8", "S8")):
        with open_store(path) as store:
            if kind == "omission":
                omit(store, "H0002", point, why="x", reason="slip", force=True, who="ana")
            if kind == "batch corrected twice":
                correct_words(store, "H0003", {"batch": batch}, why="x", who="ana")
            if kind == "serial":
                correct_serial(store, "H0005", serial, run=None, why="x", who="ana")
    return one, two


CONTRADICTIONS = {
    "label": "run H0001-1 of serial H0001: here measured 2026-04-02 10:50:00",
    "mould": "mould of serial H0001: here K1; there K2",
    "batch corrected twice": "batch of serial H0003: here B7; there B8",
    "plan": "plan of LH-640 C: here ",
    "omission": "points left out of run H0002-1: here flank-1; there nose-1",
    "serial": "here S7; there S8",
}


@pytest.mark.parametrize("kind", CONTRADICTIONS)
def test_a_contradiction_is_listed_and_nothing_is_taken(
    kind: str, tmp_path: Path, spc: Command
) -> None:
    one, two = contradicting(kind, tmp_path)
    take(two, MONTH[1])
    before = held_bytes(one)
    outcome = spc("store", "merge", two, "--store", one)
    assert (outcome.status, outcome.err) == (1, "")
    assert CONTRADICTIONS[kind] in outcome.out
    assert "Nothing was taken" in outcome.out
    assert held_bytes(one) == before
    document = json.loads(spc("store", "merge", two, "--store", one, "--json").out)
    assert (document["merged"], len(document["conflicts"]) >= 1) == (False, True)
    # Seen from the other side it is the same contradiction.
    other_way = json.loads(spc("store", "merge", one, "--store", two, "--json").out)
    here, there = document["conflicts"][0], other_way["conflicts"][0]
    assert here["subject"] == there["subject"]


@pytest.mark.parametrize("kind", CONTRADICTIONS)
def test_the_rest_is_taken_where_that_is_asked_for(kind: str, tmp_path: Path) -> None:
    one, two = contradicting(kind, tmp_path)
    take(two, MONTH[1])
    kept = content(one)
    done = merged(one, two, take_rest=True)
    assert done.conflicts
    # A plan that is in question holds up whatever was measured under it.
    assert done.merged == (kind != "plan")
    held = contents(one)
    assert len(held["run"]) == (23 if done.merged else 12)
    for table, rows in kept.items():
        assert set(rows) <= set(held[table])
    again = merged(one, two, take_rest=True)
    assert (again.merged, len(again.conflicts)) == (False, len(done.conflicts))


def test_a_file_left_out_can_still_be_taken_by_hand(tmp_path: Path) -> None:
    one, two = contradicting("mould", tmp_path)
    merged(one, two, take_rest=True)
    assert not take(one, tmp_path / "other.csv", "the plate was misread").already
    with open_store(one, read_only=True) as store:
        assert set(read.runs(store)["mould"]) == {"K2"}
        assert check_store(store).whole


def test_contradictions_go_away_by_deciding(tmp_path: Path) -> None:
    one, two = contradicting("batch corrected twice", tmp_path)
    with open_store(two) as store:
        correct_words(store, "H0003", {"batch": "B7"}, why="agreed", who="ana")
    assert merged(one, two).merged
    (tmp_path / "p").mkdir()
    one, two = contradicting("plan", tmp_path / "p")
    for path in (one, two):
        add_plan(path, other_plan(tmp_path, "3"))
    assert merged(one, two).merged
    with open_store(one, read_only=True) as store:
        assert read.plan(store, "LH-640") == read_plan(other_plan(tmp_path, "3"))[0]


def test_what_is_said_otherwise_of_a_run_is_told_and_the_first_holds(tmp_path: Path) -> None:
    one = station(tmp_path / "here.duckdb", MONTH[:1])
    two = station(tmp_path / "there.duckdb", [edited(tmp_path, ",ana,", ",zoë,")])
    for into, other in ((copied(one, "a"), two), (copied(two, "b"), one)):
        done = merged(into, other)
        assert not done.conflicts
        assert [
            text for text in done.differences if "'zoë'" in text and "'ana' was recorded" in text
        ]
        with open_store(into, read_only=True) as store:
            assert "zoë" not in set(read.runs(store)["operator"])


def test_limits_of_the_same_series_are_told_and_both_kept(tmp_path: Path) -> None:
    one = station(tmp_path / "here.duckdb", MONTH[:2])
    two = copied(one, "there")
    for path, since in ((one, "2026-05-01"), (two, "2026-06-01")):
        with open_store(path) as store:
            freeze(store, names=("latch-face",), baseline="B01..B02", by="piece", since=since,
                   why="calm", who="ana", rules=("beyond limit",))  # fmt: skip
    done = merged(one, two)
    assert [text for text in done.differences if text.startswith("limits of latch-face")]
    with open_store(one, read_only=True) as store:
        assert set(read.limit_rows(store, "LH-640", "C")["valid_from"].dt.month) == {5, 6}


def test_the_chain_of_the_other_store_is_kept_and_proved(
    stations: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    one, two, three = stations
    merged(two, three)
    merged(one, two)
    theirs = [row for path in (two, three) for row in contents(path)["audit"]]
    mine = contents(one)["audit"]
    kept = contents(one)["merged_audit"]
    assert set(kept) | set(mine) >= set(theirs)
    # One entry of three is the beginning that it shares with one; it is kept once.
    assert not {row[-1] for row in kept} & {row[-1] for row in mine}
    for statement, words in (
        ("UPDATE merged_audit SET who = 'eve' WHERE action = 'piece corrected'", "as it was wri"),
        ("DELETE FROM merged_audit WHERE action = 'plan added'", "is gone"),
        ("DELETE FROM merged_audit WHERE seq = (SELECT max(seq) FROM merged_audit)", "is gone"),
    ):  # fmt: skip
        copy = Path(shutil.copy(one, tmp_path / "tampered.duckdb"))
        with duckdb.connect(str(copy)) as connection:
            connection.execute(statement)
        with open_store(copy, read_only=True) as store:
            (fault,) = [f for f in check_store(store).faults if "merged store" in f.what]
        assert words in fault.examples[0]


def test_an_empty_store_takes_a_whole_one(
    stations: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    _, two, _ = stations
    with create_store(tmp_path / "empty.duckdb") as store, store.transaction():
        record(store, "store made", "empty.duckdb", "tester")
    assert merged(tmp_path / "empty.duckdb", two).merged
    assert content(tmp_path / "empty.duckdb") == content(two)


def test_what_is_no_other_store_is_one_line(
    stations: tuple[Path, Path, Path], tmp_path: Path, spc: Command
) -> None:
    one = stations[0]
    before = held_bytes(one)
    (tmp_path / "text.duckdb").write_text("part,serial\n" * 900)
    with duckdb.connect(str(tmp_path / "newer.duckdb")) as connection:
        connection.execute("CREATE TABLE schema_version AS SELECT 99::INTEGER AS version")
    for other, words in (
        (one, "this is the very store"),
        (tmp_path / "none.duckdb", "no store here"),
        (tmp_path / "text.duckdb", "not a store of this program"),
        (tmp_path / "newer.duckdb", "newer than the version"),
    ):
        assert spc("store", "merge", other, "--store", one).refused(words)
    assert held_bytes(one) == before


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        ("UPDATE hit SET x = x + 1 WHERE point = 'deck-1'", "a run whose values are not those"),
        ("UPDATE hit SET x = 'nan' WHERE point = 'deck-1'", "a number of 'hit' that is none"),
        ("DELETE FROM audit WHERE seq = 2", "the audit chain was changed"),
        ("ALTER TABLE run DROP COLUMN study", "no column run.study"),
        ("DROP TABLE event", "no column event.event_id"),
        ("UPDATE schema_version SET version = NULL", "not a store of this program"),
    ],
)
def test_a_store_that_is_not_whole_is_not_taken_from(
    damage: str, words: str, stations: tuple[Path, Path, Path], tmp_path: Path, spc: Command
) -> None:
    one, two = stations[:2]
    with duckdb.connect(str(two)) as connection:
        connection.execute(damage)
    before = held_bytes(one)
    assert spc("store", "merge", two, "--store", one).refused(words)
    assert held_bytes(one) == before


def test_contradictions_are_listed_in_the_order_of_serials(tmp_path: Path) -> None:
    one, two = contradicting("mould", tmp_path)
    with open_store(one) as store:
        subjects = [c.subject for c in merge_store(store, two, "merger").conflicts]
    assert len(subjects) > 2
    assert subjects == sorted(subjects)


def test_a_merge_that_fails_on_the_way_leaves_nothing(
    stations: tuple[Path, Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two, _ = stations
    before = contents(one)

    def fail(*_: object, **__: object) -> None:
        raise KeyError("on the way")

    monkeypatch.setattr("spc.store.audit.record", fail)
    with open_store(one) as store, pytest.raises(KeyError):
        merge_store(store, two, "merger")
    assert contents(one) == before
