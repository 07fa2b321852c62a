"""A followed folder: each complete file is taken once, and one that cannot be is on a list."""

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from helpers import SAMPLES, Outcome, contents, held_bytes

from spc.cli.folder import Folder
from spc.cli.following import Follower, Following
from spc.errors import InputError
from spc.identity import bytes_hash
from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.store import read
from spc.store.connection import create_store, open_store
from spc.studies import plans
from spc.studies.review import review
from spc.studies.store_check import check_store

Command = Callable[..., Outcome]

MONTH = sorted((SAMPLES / "runs" / "2026-04").glob("*.csv"))
SPC = Path(sys.executable).with_name("spc")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with the files of a month, one of them in a folder of its own."""
    path = tmp_path / "arm"
    (path / "April").mkdir(parents=True)
    for file in MONTH[:2]:
        shutil.copy(file, path)
    shutil.copy(MONTH[2], path / "April")
    return path


def once(spc: Command, folder: Path, store: Path, *more: object) -> Outcome:
    return spc("ingest", "--follow", folder, "--once", "--settle", "0", "--store", store, *more)


def state(folder: Path) -> dict[str, tuple[str, int]]:
    """Return name, content and time of every file of a folder."""
    return {
        str(p.relative_to(folder)): (bytes_hash(p.read_bytes()), p.stat().st_mtime_ns)
        for p in folder.rglob("*")
        if p.is_file()
    }


def test_every_file_is_taken_with_the_verdicts_of_its_runs_and_nothing_is_moved(
    folder: Path, store_path: Path, spc: Command
) -> None:
    before = state(folder)
    outcome = once(spc, folder, store_path)
    assert outcome.done("12 runs from 1188 rows", "11 runs from 1089 rows", "10 runs from 990 rows")
    assert state(folder) == before
    assert len(contents(store_path)["run"]) == 33
    again = held_bytes(store_path)
    assert once(spc, folder, store_path).out == "No new file.\n"
    assert held_bytes(store_path) == again


def test_files_that_the_store_holds_are_asked_about_at_once(
    folder: Path, store_path: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    for file in MONTH[3:6]:
        shutil.copy(file, folder)
    once(spc, folder, store_path)
    opened = []
    monkeypatch.setattr("spc.cli.following.reader", lambda path: opened.append(path) or
                        open_store(path, read_only=True))  # fmt: skip
    assert once(spc, folder, store_path).out == "No new file.\n"
    assert len(opened) == 2, "once for the plans, once for all files"


def test_the_verdict_is_that_of_the_review(folder: Path, store_path: Path, spc: Command) -> None:
    document = json.loads(once(spc, folder, store_path, "--json").out)
    # Those of the last file were judged with the whole store to hold them against.
    last = document[-1]
    assert len(last["verdicts"]) == last["taken"]["new"]
    with open_store(store_path, read_only=True) as store:
        for said in last["verdicts"]:
            advice = review(store, said["run_id"]).advice
            assert (said["verdict"], said["headline"]) == (advice.verdict, advice.headline)
            assert tuple(said["points"]) == advice.points


def test_a_run_that_is_to_be_measured_again_is_named_with_its_points(
    folder: Path, store_path: Path, spc: Command
) -> None:
    once(spc, folder, store_path)
    head, *rows = MONTH[3].read_text(encoding="utf-8").splitlines()
    at = head.split(",").index("x")
    lines = [row.split(",") for row in rows]
    for row in lines:
        if "H0034-1" in row and "flank-1" in row:
            row[at : at + 3] = [str(float(v) + 9) for v in row[at : at + 3]]
    text = "\n".join([head, *(",".join(row) for row in lines)])
    (folder / "touch.csv").write_text(text, encoding="utf-8")
    outcome = once(spc, folder, store_path)
    lines = [line for line in outcome.out.splitlines() if "H0034-1" in line and "run " in line]
    assert any(line.startswith(("RE-MEASURE  H0034 (", "HOLD        H0034")) for line in lines)
    assert outcome.out.count("\nACCEPT ") >= 8


def test_a_file_that_cannot_be_taken_is_on_a_list_until_it_is_put_right(
    folder: Path, store_path: Path, spc: Command
) -> None:
    good = MONTH[3].read_text(encoding="utf-8")
    bad = folder / "bad.csv"
    bad.write_text(good.replace(",H0034,", ",,", 1), encoding="utf-8")
    outcome = once(spc, folder, store_path)
    assert outcome.status == 2
    assert "REJECTED" in outcome.out
    assert len(contents(store_path)["run"]) == 33
    listed = spc("ingest", "--rejected", "--store", store_path)
    assert listed.done("1 file to be put right", "bad.csv ", "column 'serial'", "empty")
    assert "not found" not in listed.out
    (entry,) = json.loads(spc("ingest", "--rejected", "--json", "--store", store_path).out)
    assert entry["file_id"] == bytes_hash(bad.read_bytes())
    assert "serial" in entry["reason"]
    before = contents(store_path)
    # Tried again, and refused for the same reason: no further row.
    assert once(spc, folder, store_path).status == 2
    assert contents(store_path) == before
    # Gone without having been taken: said, and kept on the list.
    bad.unlink()
    gone = spc("ingest", "--rejected", "--store", store_path)
    assert gone.done("1 file to be put right", "bad.csv (not found from here)")
    bad.write_text(good, encoding="utf-8")
    assert once(spc, folder, store_path).done("13 runs")
    assert spc("ingest", "--rejected", "--store", store_path).done("No file is waiting")
    with open_store(store_path, read_only=True) as store:
        assert check_store(store).whole


def test_a_file_put_right_with_what_is_known_is_off_the_list_too(
    folder: Path, store_path: Path, spc: Command
) -> None:
    bad = folder / "bad.csv"
    bad.write_text("part,serial\n")
    once(spc, folder, store_path)
    shutil.copy(MONTH[0], bad)
    assert once(spc, folder, store_path).done("No new file.")
    assert spc("ingest", "--rejected", "--store", store_path).done("No file is waiting")


def test_a_file_is_complete_once_it_does_not_change(folder: Path) -> None:
    growing = folder / "growing.csv"
    growing.write_text("a")
    seen = Folder(folder, settle=2.0)
    assert seen.complete(0.0) == []
    assert seen.complete(1.9) == []
    growing.write_text("ab")
    assert {p.name for p in seen.complete(2.0)} == {p.name for p in MONTH[:3]}
    assert growing in seen.waiting()
    for path in seen.complete(2.5):
        seen.done(path)
    assert seen.complete(3.9) == []
    assert seen.complete(4.0) == [growing]
    seen.done(growing)
    assert seen.complete(9.0) == []
    growing.write_text("other")
    assert seen.complete(10.0) == []
    assert seen.complete(12.0) == [growing]
    growing.unlink()
    assert seen.complete(20.0) == []


def test_what_is_no_result_is_left_alone(folder: Path, tmp_path: Path) -> None:
    for name in (".hidden.csv", "~$sheet.xlsx", "half.csv.part", "x.tmp", "plan.toml", "s.duckdb",
                 "s.duckdb.wal", "board.html"):  # fmt: skip
        (folder / name).write_text("x")
    (folder / ".git").mkdir()
    (folder / ".git" / "y.csv").write_text("x")
    assert {p.name for p in Folder(folder, settle=0.0).complete(0.0)} == {p.name for p in MONTH[:3]}
    with pytest.raises(InputError, match="no such folder"):
        Folder(tmp_path / "none", settle=0.0)


def test_a_store_in_use_is_tried_again_and_nothing_is_lost(
    folder: Path, store_path: Path, spc: Command
) -> None:
    hold = (
        "import sys, time; from pathlib import Path; from spc.store.connection import open_store; "
        "s = open_store(Path(sys.argv[1])); print(1, flush=True); time.sleep(60)"
    )
    arguments = [sys.executable, "-c", hold, str(store_path)]
    how = Following(folder=folder, store=store_path, declared=Declared(), correction="",
                    settle=0.0, every=0.1)  # fmt: skip
    follower = Follower(how)
    with subprocess.Popen(arguments, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        refused = once(spc, folder, store_path, "--wait", "0")
        assert refused.refused("in use by another program, waited 0 s", "--wait")
        other.kill()
    assert len(list(follower.look())) == 3
    assert follower.waiting() == []


def test_a_rejected_file_is_tried_again_once_a_plan_is_there(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "new.duckdb"
    create_store(path).close()
    how = Following(folder=folder, store=path, declared=Declared(), correction="", settle=0.0,
                    every=0.1)  # fmt: skip
    follower = Follower(how)
    assert [bool(f.rejected) for f in follower.look()] == [True] * 3
    assert list(follower.look()) == []
    with open_store(path) as store:
        plans.add(store, *read_plan(SAMPLES / "LH-640.toml"), "tester")
    shutil.copy(MONTH[3], folder)
    assert len(list(follower.look())) == 1
    assert [f.taken.new for f in follower.look() if f.taken] == [12, 11, 10]


def test_a_backlog_tells_each_file_as_soon_as_it_is_taken(folder: Path, store_path: Path) -> None:
    how = Following(folder=folder, store=store_path, declared=Declared(), correction="", settle=0.0,
                    every=0.1)  # fmt: skip
    found = Follower(how).look()
    first = next(found)
    assert first.taken is not None
    assert first.verdicts
    with open_store(store_path, read_only=True) as store:
        assert len(read.runs(store)) == first.taken.new
    assert len(list(found)) == 2


@pytest.fixture
def interruptible() -> Iterator[None]:
    """Let children be interrupted: a shell's background job ignores Ctrl+C, and so do they."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("interruptible")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_stopped_at_any_moment_it_takes_up_the_rest(
    how: signal.Signals, folder: Path, store_path: Path, spc: Command
) -> None:
    rng = random.Random(int(how))
    command = [str(SPC), "ingest", "--follow", str(folder), "--settle", "0", "--every", "0.1",
               "--store", str(store_path)]  # fmt: skip
    for _ in range(3):
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
            assert running.stdout is not None
            running.stdout.readline()
            time.sleep(rng.uniform(0.0, 0.6))
            running.send_signal(how)
            try:
                _, error = running.communicate(timeout=60)
            finally:
                running.kill()
        assert b"Traceback" not in error
    assert once(spc, folder, store_path).status == 0
    held = contents(store_path)
    assert (len(held["run"]), len(held["hit"]), len(held["source_file"])) == (33, 3267, 3)
    with open_store(store_path, read_only=True) as store:
        assert check_store(store).whole


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--follow", "none", "--once"), ("none", "no such folder")),
        (("--follow", ".", "x.csv"), ("name FILES, or --follow a folder",)),
        (("--rejected", "x.csv"), ("name FILES, or --follow a folder",)),
        (("--follow", ".", "--json"), ("--once",)),
        (("--follow", ".", "--once", "--settle", "-1"), ("--settle",)),
        (("--follow", ".", "--once", "--settle", "nan"), ("--settle",)),
        ((), ("Missing argument 'FILES...'",)),
        (("--dry-run",), ("Missing argument 'FILES...'",)),
        (("x.csv", "--once"), ("--once goes with --follow only",)),
        (("x.csv", "--settle", "2"), ("--settle goes with --follow only",)),
        (("--rejected", "--every", "1"), ("--every goes with --follow only",)),
        (("--follow", ".", "--dry-run"), ("--follow does not go with --dry-run",)),
        (("--rejected", "--draft-mapping"), ("--rejected does not go with --draft-mapping",)),
        (
            ("x.csv", "--dry-run", "--draft-mapping"),
            ("--dry-run does not go with --draft-mapping",),
        ),
        (("x.csv", "--dry-run", "--board", "b.html"), ("--board does not go with --dry-run",)),
        (("--rejected", "--correct", "x"), ("--correct does not go with --rejected",)),
    ],
)
def test_asking_that_cannot_be_followed_is_one_line(
    arguments: tuple[str, ...], words: tuple[str, ...], store_path: Path, spc: Command
) -> None:
    assert spc("ingest", *arguments, "--store", store_path).refused(*words)
