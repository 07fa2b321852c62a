"""Looking after a store: overview, backup, corrections, and bringing an older one forward."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest
from helpers import SAMPLES, Outcome, contents, fill, held_bytes

from spc.errors import StoreError
from spc.store import read
from spc.store.audit import START, broken_links, row_hash, told_seals
from spc.store.connection import open_store, version_of
from spc.store.migrations import migrate, pending
from spc.store.schema import STEPS, VERSION
from spc.store.seals import sealed_tables
from spc.studies.store_check import check_store

Command = Callable[..., Outcome]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of one batch."""
    path = tmp_path_factory.mktemp("care") / "filled.duckdb"
    fill(path, sorted((SAMPLES / "runs" / "2026-04").glob("*.csv"))[:1])
    return path


@pytest.fixture
def store_file(filled: Path, tmp_path: Path) -> Path:
    """Return a copy that a test may write to."""
    return Path(shutil.copy(filled, tmp_path / "care.duckdb"))


def test_the_overview_counts_what_is_there(store_file: Path, spc: Command) -> None:
    before = held_bytes(store_file)
    outcome = spc("store", "info", "--store", store_file)
    assert outcome.done(
        f"schema version {VERSION}", "1 file taken", "1188 hits", "LH-640", "Engine hood"
    )
    document = json.loads(spc("store", "info", "--json", "--store", store_file).out)
    held = contents(store_file)
    assert document["rows"] == {table: len(rows) for table, rows in held.items()}
    (part,) = document["parts"]
    assert (part["part"], part["pieces"], part["runs"]) == ("LH-640", 12, 12)
    assert document["bytes"] == store_file.stat().st_size
    assert held_bytes(store_file) == before


def test_the_overview_of_an_empty_store_says_what_to_do(spc: Command, tmp_path: Path) -> None:
    path = tmp_path / "empty.duckdb"
    assert spc("init", "--store", path).status == 0
    assert spc("store", "info", "--store", path).done("no measurement plan yet", "0 files taken")
    assert spc("store", "check", "--store", path).done("whole (0 files, 0 runs")


def test_a_backup_is_the_store_and_is_checked(
    store_file: Path, spc: Command, tmp_path: Path
) -> None:
    to = tmp_path / "it's a copy.duckdb"
    with open_store(store_file, read_only=True):
        assert spc("store", "backup", to, "--store", store_file).done("Copied to", "whole")
    assert contents(to) == contents(store_file)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["care.duckdb", "it's a copy.duckdb"]


def test_a_backup_into_a_folder_gets_a_name_with_the_time(
    store_file: Path, spc: Command, tmp_path: Path
) -> None:
    folder = tmp_path / "backups"
    folder.mkdir()
    document = json.loads(spc("store", "backup", folder, "--json", "--store", store_file).out)
    (made,) = folder.iterdir()
    assert Path(document["copy"]) == made
    assert made.name.startswith("care-20")
    assert document["checked"]["whole"]


def test_a_backup_never_replaces_a_file(store_file: Path, spc: Command, tmp_path: Path) -> None:
    to = tmp_path / "there.duckdb"
    to.write_text("precious")
    assert spc("store", "backup", to, "--store", store_file).refused("exists already")
    assert to.read_text() == "precious"
    nowhere = tmp_path / "none" / "there.duckdb"
    assert spc("store", "backup", nowhere, "--store", store_file).refused("cannot be written")


def test_a_backup_of_a_broken_store_is_made_and_said(
    store_file: Path, spc: Command, tmp_path: Path
) -> None:
    with duckdb.connect(str(store_file)) as connection:
        connection.execute("DELETE FROM audit WHERE seq = 2")
    outcome = spc("store", "backup", tmp_path / "to.duckdb", "--store", store_file)
    assert (outcome.status, outcome.err) == (1, "")
    assert "BROKEN" in outcome.out
    assert (tmp_path / "to.duckdb").is_file()


def test_a_backup_takes_in_changes_that_a_killed_process_left_beside_the_store(
    store_file: Path, spc: Command, tmp_path: Path
) -> None:
    log = store_file.with_name(f"{store_file.name}.wal")
    copy = tmp_path / "killed.duckdb"
    with duckdb.connect(str(store_file)) as connection:
        connection.execute("SET checkpoint_threshold = '1GB'")
        connection.execute("INSERT INTO event BY NAME SELECT 'x' AS event_id")
        assert log.exists()
        shutil.copy(log, tmp_path / "killed.duckdb.wal")
        shutil.copy(store_file, copy)
    assert spc("store", "backup", tmp_path / "to.duckdb", "--store", copy).status == 1
    assert [row[0] for row in contents(tmp_path / "to.duckdb")["event"]] == ["x"]
    assert not (tmp_path / "to.duckdb.wal").exists()


def pieces(path: Path, serial: str) -> list[tuple[object, ...]]:
    """Return what the rows of a piece say, in order."""
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute(
            "SELECT mould, cavity, batch, why FROM piece WHERE serial = ? ORDER BY recorded_at",
            [serial],
        ).fetchall()


def test_a_correction_is_a_further_row_with_who_and_why(store_file: Path, spc: Command) -> None:
    before = contents(store_file)
    why = ("--why", "plate misread")
    outcome = spc("store", "correct", "H0003", "--mould", "K2", *why, "--store", store_file)
    assert outcome.done("mould 'K1' is 'K2' now")
    assert pieces(store_file, "H0003") == [("K1", "", "B01", ""), ("K2", "", "", "plate misread")]
    with open_store(store_file, read_only=True) as store:
        assert read.runs(store).set_index("serial").loc["H0003", "mould"] == "K2"
        assert check_store(store).whole
    again = spc("store", "correct", "H0003", "--mould", "K2", *why, "--store", store_file)
    assert again.done("says so of H0003 already; nothing changed")
    after = contents(store_file)
    for table, rows in before.items():
        assert set(rows) <= set(after[table])
    assert len(after["audit"]) == len(before["audit"]) + 1


def test_two_words_corrected_one_after_the_other_both_hold(store_file: Path, spc: Command) -> None:
    for words in (("--mould", "K2"), ("--batch", "B7"), ("--cavity", "2"), ("--mould", "K3")):
        assert (
            spc("store", "correct", "H0003", *words, "--why", "x", "--store", store_file).status
            == 0
        )
    with open_store(store_file, read_only=True) as store:
        row = read.runs(store).set_index("serial").loc["H0003"]
    assert (row["mould"], row["cavity"], row["batch"]) == ("K3", "2", "B7")


def test_runs_under_a_wrong_serial_are_put_right(store_file: Path, spc: Command) -> None:
    said = ("--serial", "H0903", "--why", "digit typed wrong")
    outcome = spc("store", "correct", "H0003", *said, "--store", store_file)
    assert outcome.done("Runs H0003-1 of H0003 are of H0903 now")
    assert spc("run", "list", "--store", store_file).done("H0903")
    with open_store(store_file, read_only=True) as store:
        runs = read.runs(store).set_index("run")
        assert (runs.loc["H0003-1", "serial"], runs.loc["H0003-1", "mould"]) == ("H0903", "K1")
        assert check_store(store).whole
    to = ("--serial", "H0004", "--why", "x")
    assert spc("store", "correct", "H0903", *to, "--store", store_file).done("are of H0004 now")
    with open_store(store_file, read_only=True) as store:
        assert sorted(read.runs(store).query("serial == 'H0004'")["run"]) == ["H0003-1", "H0004-1"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("H9999", "--mould", "K2", "--why", "x"), ("no piece 'H9999'",)),
        (("H0003", "--why", "x"), ("nothing to correct", "--mould")),
        (("H0003", "--mould", " ", "--why", "x"), ("--mould is empty", "unknown")),
        (("H0003", "--batch", "B\n1", "--why", "x"), ("control character in --batch",)),
        (("H0003", "--serial", "H\x1b3", "--why", "x"), ("control character in --serial",)),
        (("H0003", "--mould", "K2", "--why", " "), ("--why is empty",)),
        (("H0003", "--mould", "K2"), ("--why",)),
        (("H0003", "--serial", "A", "--mould", "K2", "--why", "x"), ("another matter",)),
        (("H0003", "--run", "H0003-1", "--why", "x"), ("--run is of it",)),
        (("H0003", "--serial", "A", "--run", "none", "--why", "x"), ("no run 'none'",)),
        (("H0003", "--mould", "K2", "--part", "XX", "--why", "x"), ("no piece 'H0003'",)),
    ],
)  # fmt: skip
def test_a_correction_that_cannot_be_made_is_one_line(
    arguments: tuple[str, ...], words: tuple[str, ...], store_file: Path, spc: Command
) -> None:
    before = held_bytes(store_file)
    assert spc("store", "correct", *arguments, "--store", store_file).refused(*words)
    assert held_bytes(store_file) == before


#: A step that no release has: one column more, filled in, and one table more.
TOY = (
    "ALTER TABLE event ADD COLUMN shift VARCHAR",
    "UPDATE event SET shift = ''",
    "CREATE TABLE toy (a INTEGER)",
)


@pytest.fixture
def next_version(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the program one version newer than the stores that it finds."""
    for module in ("schema", "connection", "migrations"):
        monkeypatch.setattr(f"spc.store.{module}.VERSION", VERSION + 1)
    monkeypatch.setattr("spc.store.connection.STEPS", {**STEPS, VERSION: TOY})
    monkeypatch.setattr("spc.store.migrations.STEPS", {**STEPS, VERSION: TOY})
    monkeypatch.setattr("spc.studies.store_forward.VERSION", VERSION + 1)


@pytest.mark.usefixtures("next_version")
def test_an_older_store_is_brought_forward_with_a_backup_first(
    store_file: Path, spc: Command, tmp_path: Path
) -> None:
    before, kept = contents(store_file), held_bytes(store_file)
    assert spc("plan", "list", "--store", store_file).refused(
        f"schema version {VERSION}, older than the version {VERSION + 1}", "spc store migrate"
    )
    with open_store(store_file, read_only=True, older=True) as store:
        assert pending(store) == (VERSION + 1,)
    assert held_bytes(store_file) == kept
    assert spc("store", "migrate", "--store", store_file).done(
        f"brought to schema version {VERSION + 1}"
    )
    (copy,) = tmp_path.glob("care-20*.duckdb")
    assert contents(copy) == before
    after = contents(store_file)
    assert after["toy"] == []
    for table in ("hit", "run", "fit", "deviation", "piece", "plan_point"):
        assert after[table] == before[table]
    with open_store(store_file, read_only=True) as store:
        assert version_of(store) == VERSION + 1
        assert pending(store) == ()
        assert broken_links(store) == []
    assert after["audit"][-1][3] == "schema brought forward"
    assert spc("store", "migrate", "--store", store_file).done(
        f"of the newest schema version {VERSION + 1}"
    )
    assert len(list(tmp_path.glob("care-20*.duckdb"))) == 1


def test_a_step_that_fails_leaves_the_store_at_the_version_it_was(
    store_file: Path, next_version: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(store_file)
    monkeypatch.setattr(
        "spc.store.migrations.STEPS", {VERSION: (*TOY, "ALTER TABLE none ADD x INTEGER")}
    )
    with pytest.raises(StoreError, match="nothing was written"):
        migrate(store_file, "tester")
    assert contents(store_file) == before
    with open_store(store_file, read_only=True, older=True) as store:
        assert version_of(store) == VERSION


def as_version_1(path: Path) -> Path:
    """Return a store as the first version of the schema had it."""
    as_version_2(path)
    with duckdb.connect(str(path)) as connection:
        connection.execute("DROP TABLE reported_status")
        connection.execute("UPDATE schema_version SET version = 1")
    return path


def as_version_2(path: Path) -> Path:
    """Return a store as the second version had it: its chain seals nothing."""
    previous = START
    with duckdb.connect(str(path)) as connection:
        rows = connection.execute(
            "SELECT seq, written_at, who, action, subject, detail, tool_version FROM audit "
            "ORDER BY seq"
        ).fetchall()
        for seq, at, who, action, subject, text, tool in rows:
            detail = {k: v for k, v in json.loads(text).items() if k != "brought"}
            row = (
                seq,
                at,
                who,
                action,
                subject,
                json.dumps(detail, sort_keys=True),
                tool,
                previous,
            )
            connection.execute("UPDATE audit SET detail = ?, previous = ?, hash = ? WHERE seq = ?",
                               [row[5], previous, row_hash(*row), seq])  # fmt: skip
            previous = row_hash(*row)
        connection.execute("UPDATE schema_version SET version = 2")
    return path


#: What makes a store of this version one of an earlier version.
EARLIER = {1: as_version_1, 2: as_version_2}


def test_every_earlier_schema_can_be_made_to_test_it() -> None:
    assert set(EARLIER) == set(STEPS) == set(range(1, VERSION))


@pytest.mark.parametrize("version", EARLIER)
def test_a_store_of_any_earlier_schema_comes_forward_whole(
    version: int, store_file: Path, spc: Command, tmp_path: Path
) -> None:
    before = contents(EARLIER[version](store_file))
    assert spc("run", "list", "--store", store_file).refused("spc store migrate")
    assert spc("store", "migrate", "--store", store_file).done(f"to schema version {VERSION}")
    (copy,) = tmp_path.glob("care-20*.duckdb")
    assert contents(copy) == before
    after = contents(store_file)
    for table, rows in before.items():
        if table not in ("audit", "schema_version"):
            assert after[table] == rows, table
    with open_store(store_file, read_only=True) as store:
        assert check_store(store).whole
        assert set(told_seals(store)) == set(sealed_tables())
        described_there = store.frame("SELECT comment FROM duckdb_tables()")["comment"]
        assert described_there.str.len().gt(10).all()


def test_a_store_of_the_newest_version_is_left_alone(store_file: Path, spc: Command) -> None:
    before = held_bytes(store_file)
    assert spc("store", "migrate", "--store", store_file).done("nothing changed")
    assert held_bytes(store_file) == before
