"""Exit status, streams and surroundings, through the installed script where they matter."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome, contents, held_bytes

Command = Callable[..., Outcome]

#: The script that an installation puts on the path.
SCRIPT = Path(sys.executable).with_name("spc")


def script(*words: object, **options: object) -> "subprocess.CompletedProcess[bytes]":
    """Run the installed script in a process of its own."""
    environment = {k: v for k, v in os.environ.items() if k != "SPC_STORE"}
    environment |= dict(options.pop("env", {}))  # type: ignore[call-overload]
    return subprocess.run([str(SCRIPT), *map(str, words)], capture_output=True, env=environment,
                          **options)  # type: ignore[call-overload, no-any-return]  # fmt: skip


def test_the_script_refuses_in_one_line_and_with_status_two(tmp_path: Path) -> None:
    ran = script("run", "list", "--store", tmp_path / "none.duckdb")
    assert (ran.returncode, ran.stdout) == (2, b"")
    assert ran.stderr.decode() == (
        f"spc: {tmp_path}/none.duckdb: no store here; make one with 'spc init' or name it with "
        "--store\n"
    )


def test_the_script_does_its_work_and_ends_with_status_nought(
    store_path: Path, first_batch: Path
) -> None:
    ran = script("ingest", first_batch, "--store", store_path)
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert ran.stdout.decode() == f"{first_batch}: 12 runs from 1188 rows.\n"


def test_asking_to_be_told_gives_status_one_where_there_is_something(
    sample_store: Path, spc: Command
) -> None:
    october = ("--store", sample_store)
    assert spc("chart", "list", *october).status == 0
    assert spc("chart", "list", "--fail-on", "signal", *october).status == 1
    assert spc("chart", "show", "tail-left", "--fail-on", "signal", *october).status == 1
    calm = ("chart", "show", "deck-middle", "--span", "B01..B12", "--baseline", "B01..B12")
    assert spc(*calm, "--fail-on", "signal", *october).status == 0
    assert spc("capability", "tail-left", "--fail-on", "not-shown", *october).status == 1
    assert spc("capability", "nose-middle", "--fail-on", "not-shown", *october).status == 0
    told = spc("chart", "list", "--fail-on", "signal", "--json", *october)
    assert told.status == 1
    assert json.loads(told.out)["signals"]


@pytest.mark.parametrize("required", ["nan", "inf", "0", "-1"])
def test_an_index_that_cannot_be_asked_for_is_refused(
    required: str, sample_store: Path, spc: Command
) -> None:
    for words in (("capability",), ("report", "2026-10", "--folder", "pages")):
        refused = spc(*words, "--required", required, "--store", sample_store)
        assert refused.refused("--required", "above 0")


def test_patterns_that_the_shell_left_alone_are_expanded(
    store_path: Path, samples: Path, spc: Command
) -> None:
    pattern = samples / "runs" / "2026-04" / "*.csv"
    outcome = spc("ingest", pattern, "--store", store_path)
    assert outcome.done("B01_K1.csv: 12 runs", "B04_K1.csv: 13 runs")
    assert outcome.out.count("\n") == 4
    assert spc("ingest", pattern.with_name("[0-9]*B05*.csv"), "--store", store_path).refused(
        "no such file"
    )


def test_a_name_that_looks_like_a_pattern_is_a_name_where_it_is_there(
    store_path: Path, first_batch: Path, tmp_path: Path, spc: Command
) -> None:
    odd = tmp_path / "runs[1].csv"
    shutil.copy(first_batch, odd)
    (tmp_path / "runs1.csv").write_text("not the file that was meant\n")
    assert spc("ingest", odd, "--store", store_path).done("runs[1].csv: 12 runs")


def test_the_store_is_that_of_the_option_then_of_the_environment_then_here(
    store_path: Path, tmp_path: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    assert spc("plan", "list").refused("spc.duckdb: no store here")
    monkeypatch.setenv("SPC_STORE", str(tmp_path / "none.duckdb"))
    assert spc("plan", "list").refused("none.duckdb: no store here")
    monkeypatch.setenv("SPC_STORE", str(store_path))
    assert spc("plan", "list").done("LH-640")
    assert spc("plan", "list", "--store", "other.duckdb").refused("other.duckdb: no store here")
    monkeypatch.delenv("SPC_STORE")
    shutil.copy(store_path, folder / "spc.duckdb")
    assert spc("plan", "list").done("LH-640")


def test_a_reader_that_goes_away_is_no_error(sample_store: Path) -> None:
    """As with '| head': the pipe is closed before the program writes to it."""
    for words in (["run", "list"], ["--help"]):
        store = [] if words[0] == "--help" else ["--store", str(sample_store)]
        away, end = os.pipe()
        os.close(away)
        with os.fdopen(end, "wb") as pipe:
            ran = subprocess.run([SCRIPT, *words, *store], stdout=pipe, stderr=subprocess.PIPE)
        assert (ran.returncode, ran.stderr) == (0, b""), words


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_an_output_that_takes_nothing_more_is_one_line(sample_store: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        ran = subprocess.run([SCRIPT, "run", "list", "--store", sample_store], stdout=full,
                             stderr=subprocess.PIPE)  # fmt: skip
    assert ran.returncode == 2
    assert ran.stderr == b"spc: the output: No space left on device\n"


@pytest.mark.parametrize(
    ("encoding", "words"),
    [
        ("cp1252", ("chart", "list")),
        ("ascii", ("run", "list", "--study", "G1")),
        ("cp1252", ("capability", "--mould", "Ω")),
    ],
)
def test_an_old_code_page_prints_substitutes_and_does_not_fail(
    encoding: str, words: tuple[str, ...], sample_store: Path
) -> None:
    surroundings = {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    ran = script(*words, "--store", sample_store, env=surroundings)
    refused = "Ω" in words
    assert ran.returncode == (2 if refused else 0)
    assert ran.stderr.count(b"\n") == (1 if refused else 0)
    assert b"Traceback" not in ran.stderr
    assert (b"mould '?'" in ran.stderr) == refused


def test_a_document_is_utf_8_whatever_the_code_page(
    store_path: Path, first_batch: Path, tmp_path: Path, spc: Command
) -> None:
    path = tmp_path / "named.csv"
    path.write_text(first_batch.read_text().replace(",ana,", ",Ωφέλεια 名,"), encoding="utf-8")
    assert spc("ingest", path, "--store", store_path).status == 0
    ran = script("run", "list", "--json", "--store", store_path,
                 env={"PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"})  # fmt: skip
    assert {run["operator"] for run in json.loads(ran.stdout.decode("utf-8"))} == {"Ωφέλεια 名"}


def test_a_command_interrupted_by_hand_has_the_shell_s_status(
    store_path: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("spc.studies.plans.listed", interrupted)
    before = held_bytes(store_path)
    outcome = spc("plan", "list", "--store", store_path)
    assert outcome.status == 130
    assert "Traceback" not in outcome.err
    assert held_bytes(store_path) == before


def test_commands_that_look_change_nothing(sample_copy: Path, spc: Command) -> None:
    before = held_bytes(sample_copy)
    for words in (["run", "list"], ["capability", "nose-middle"], ["gauge", "study", "G1"],
                  ["export", "--parquet"], ["report", "2026-04"]):  # fmt: skip
        assert spc(*words, "--store", sample_copy).status == 0
    assert held_bytes(sample_copy) == before


def test_the_same_files_twice_are_the_same_store(
    sample_copy: Path, samples: Path, spc: Command
) -> None:
    before = contents(sample_copy)
    files = [*(samples / "runs" / "2026-06").glob("*.csv"), samples / "events.csv"]
    outcome = spc("ingest", *files, samples / "runs" / "2026-08" / "*.csv", "--store", sample_copy)
    assert outcome.done()
    assert outcome.out.count("everything in it is in the store already; nothing changed") == 10
    assert contents(sample_copy) == before


def test_a_choice_of_fit_without_a_name_is_refused(sample_store: Path, spc: Command) -> None:
    for words in (["--without", "nose-2"], ["--weight", "deck-1=2"]):
        refused = spc("refit", *words, "--store", sample_store)
        assert (refused.status, refused.out) == (2, "")
        assert "no NAME for the new results" in refused.err


def test_a_verdict_is_not_said_twice_in_a_row(sample_store: Path, spc: Command) -> None:
    said = {}
    for piece in ("H0001", "H0098", "H0188", "H0400"):
        outcome = spc("run", "show", piece, "--store", sample_store)
        line = next(text for text in outcome.out.splitlines() if text.partition(". ")[0].isupper())
        said[piece] = line
    verdicts = {piece: line.partition(". ") for piece, line in said.items()}
    assert {head for head, _, _ in verdicts.values()} <= {"ACCEPT", "HOLD", "RE-MEASURE"}
    assert {"ACCEPT", "RE-MEASURE"} <= {head for head, _, _ in verdicts.values()}
    assert not [said for head, _, said in verdicts.values() if said.upper().startswith(head)]
