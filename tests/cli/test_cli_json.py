"""With --json a command prints one document with known keys, and nothing else."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers import Outcome

Command = Callable[..., Outcome]

MONITOR = (
    "plan rows series values center lower upper sigma sigma_df ranges range_center range_upper "
    "average average_lower average_upper n_baseline baseline notes signals events remarks"
)
#: Commands in an order in which they can be run, and keys that their documents must keep for ever.
#: A list stands for a list of such objects. Keys may be added here, and none may be taken away.
GOLDEN: dict[str, Any] = {
    "init --store other.duckdb": "store made",
    "plan add {samples}/LH-640.toml": (
        "part revision plan_id already fit_points check_points warnings"
    ),
    "plan list": ["part revision name plan_id unit fit_points check_points added_at in_force"],
    "plan show": "plan_id part revision name unit method residual_limit points source",
    "plan check": "",
    "plan rehearse --trials 100": "",
    "ingest {samples}/runs/2026-10/*.csv {samples}/events.csv": [
        "name kind already rows new known runs warnings"
    ],
    "run list": [
        "run serial part revision mould batch study operator device measured_at noise worst_point "
        "worst_residual superseded aligned omitted"
    ],
    "run show H0188": "run_id run serial mould batch advice points checks omissions suspects",
    "omit H0188 flank-1 --why slid": ["run serial point action forced noise dof warnings"],
    "run restore H0188 --why again": ["run serial point action"],
    "run tally": ["month operator runs remeasured omitted forced"],
    "refit light --without nose-2": "result_set plan already runs points",
    "refit": ["result_set part revision plan_id runs fitted_at"],
    "event add work --at 2026-10-30T10:00Z": "happened_at kind part mould note already",
    "event list": ["happened_at kind part mould note already"],
    "chart list": MONITOR,
    "chart show tail-left": MONITOR,
    "chart shape": "",
    "chart design latch-face --shift 0.2": "",
    "limits freeze tail-left --baseline B01..B12 --why calm": "",
    "limits propose": "",
    "limits list": [""],
    "limits retire tail-left --at 2026-10-01 --why done": "",
    "signals list": "signals",
    "signals ack {signal} --cause lot --action none": "",
    "capability nose-middle": "plan span pieces batches moulds required level points remarks",
    "drift": "plan",
    "gauge sheet G2 --pieces 3 --operators 2": "study plan",
    "ingest old.csv new.csv checks.csv": ["name kind already rows new known runs warnings"],
    "gauge bridge study:old study:new": "",
    "gauge moves --residual 0.03 --seat 0,0,0 --seat 9,0,0 --seat 0,6,0": "plan joins tell",
    "gauge trust arm-1": "",
    "board --to board.html": "",
    "store info": "",
    "store check": "",
    "store migrate": "",
    "store backup kept.duckdb": "",
    "store merge kept.duckdb": "",
    "store correct H0188 --mould K1 --why misread": "",
    "gauge study G1": (
        "plan study runs counts points quantities groups group_sizes pooled first last notes"
    ),
    "report 2026-04": "page month",
    "export 2026-04": ["path rows"],
    "export --parquet": ["path rows"],
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, sample_store: Path, first_batch: Path) -> Path:
    """Return a folder with a store that the commands may change one after the other."""
    made = tmp_path_factory.mktemp("json")
    shutil.copy(sample_store, made / "spc.duckdb")
    # The first batch measured before and after a change, and an arm's checks on a reference.
    head, *rows = first_batch.read_text(encoding="utf-8").splitlines()
    for side, day in (("old", "03"), ("new", "04")):
        moved = [row.replace("-1,2026-04-02", f"-{side},2026-04-{day}") for row in rows]
        (made / f"{side}.csv").write_text(
            "\n".join([f"{head},study", *(f"{row},{side}" for row in moved)])
        )
    checks = [f"2026-04-{day:02d}T07:00:00Z,arm-1,bar-1,500.000,{500 + (day % 3) / 100:.3f},mm"
              for day in range(1, 13)]  # fmt: skip
    columns = "checked_at,device,artefact,reference,reading,unit"
    (made / "checks.csv").write_text("\n".join([columns, *checks]))
    return made


def no_constant(name: str) -> None:
    """Refuse NaN and infinity, which Python would read but JSON does not have."""
    raise ValueError(name)


@pytest.mark.parametrize("line", GOLDEN)
def test_one_document_with_the_keys_that_it_always_had(
    line: str, folder: Path, samples: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    signal = ""
    if "{signal}" in line:
        listed = spc("signals", "list", "--json")
        signal = json.loads(listed.out)["signals"][0]["signal_id"]
    words = [word.format(samples=samples, signal=signal) for word in line.split()]
    outcome = spc(*words, "--json")
    assert (outcome.status, outcome.err) == (0, "")
    document = json.loads(outcome.out, parse_constant=no_constant)
    golden = GOLDEN[line]
    if isinstance(golden, list):
        assert isinstance(document, list)
        assert document
        (golden,) = golden
    rows = document if isinstance(document, list) else [document]
    for row in rows:
        assert isinstance(row, dict)
        assert not set(golden.split()) - set(row)


def test_no_command_that_speaks_json_is_left_out() -> None:
    """A new command is given a line in GOLDEN with the keys that its document must keep."""
    import click

    from spc.cli import cli

    def walk(words: str, command: click.Command) -> set[str]:
        if not isinstance(command, click.Group):
            return {words} if any("--json" in p.opts for p in command.params) else set()
        context = click.Context(command)
        below = {n: command.get_command(context, n) for n in command.list_commands(context)}
        return set().union(*(walk(f"{words} {n}".strip(), c) for n, c in below.items() if c), set())

    # These have tests of their own: one takes seconds, the other needs a QIF document.
    missing = [name for name in walk("", cli) - {"demo", "plan draft"}
               if not any(line.startswith(name) for line in GOLDEN)]  # fmt: skip
    assert missing == []


def test_a_refusal_leaves_nothing_on_the_output(spc: Command, store_path: Path) -> None:
    for words in (["chart", "list"], ["run", "show", "X"], ["gauge", "study", "G9"],
                  ["ingest", "none.csv"], ["report", "2026-10"]):  # fmt: skip
        assert spc(*words, "--json", "--store", store_path).refused()


def test_lengths_are_in_millimetres_whatever_the_plan_shows(
    tmp_path: Path, samples: Path, first_batch: Path, spc: Command
) -> None:
    text = (samples / "LH-640.toml").read_text(encoding="utf-8")
    store = tmp_path / "inch.duckdb"
    # The same plan, shown in inches: its lengths are written in inches too.
    import tomllib

    from strategies import plan_toml

    from spc.ingest.plan_toml import plan_from

    plan, _ = plan_from(tomllib.loads(text), text, "plan")
    from dataclasses import replace

    (tmp_path / "inch.toml").write_text(plan_toml(replace(plan, unit="in"), per=25.4))
    assert spc("init", "--store", store).status == 0
    assert spc("plan", "add", tmp_path / "inch.toml", "--store", store).status == 0
    assert spc("ingest", first_batch, "--store", store).status == 0
    shown = json.loads(spc("plan", "show", "--json", "--store", store).out)
    assert shown["unit"] == "in"
    assert shown["points"][0]["nominal"] == pytest.approx([-230.0, 360.0, 300.0])
    able = json.loads(spc("capability", "--json", "--store", store).out)
    assert able["points"][0]["upper"] == pytest.approx(2.5)
    # For people it is in inches.
    assert "lengths in in" in spc("capability", "--store", store).out
    assert "+0.0984" in spc("capability", "left-flank-front", "--store", store).out
