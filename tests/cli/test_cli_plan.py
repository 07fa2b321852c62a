"""spc plan check, rehearse and add: exit status, one line of refusal, one document of JSON."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import SAMPLES, Outcome, contents
from layouts import FAR, SIDE, TIED, UP, plan_toml, written

Command = Callable[..., Outcome]
HOOD = SAMPLES / "LH-640.toml"


@pytest.fixture
def loose(tmp_path: Path) -> Path:
    """Return a plan of ten fit points that see nothing along x."""
    spots = [(f"p{k}", "fit", (90.0 * k, 40.0 * (k % 3), 0.0), UP) for k in range(6)]
    spots += [(f"s{k}", "fit", (90.0 * k, 100.0, -50.0), SIDE) for k in range(4)]
    return written(tmp_path, plan_toml(spots), "loose.toml")  # type: ignore[arg-type]


def test_check_says_the_verdict_first(spc: Command) -> None:
    outcome = spc("plan", "check", HOOD)
    assert outcome.done("LIMITED. The fit points hold all six motions", "no published source")
    assert outcome.out.splitlines()[2].startswith("LIMITED.")
    assert "nose-1 and nose-2 cannot be told apart" in outcome.out.splitlines()[3]


def test_check_of_a_file_needs_no_store(spc: Command, tmp_path: Path) -> None:
    assert spc("plan", "check", HOOD).status == 0
    assert list(tmp_path.iterdir()) == []


def test_check_of_a_part_is_that_of_its_file(spc: Command, store_path: Path) -> None:
    stored = spc("plan", "check", "--part", "LH-640", "--store", store_path)
    assert stored.done()
    assert stored.out == spc("plan", "check", HOOD).out
    assert stored.out == spc("plan", "check", "--store", store_path).out


def test_check_as_one_document(spc: Command) -> None:
    outcome = spc("plan", "check", HOOD, "--json", "--sigma", "0.1")
    found = json.loads(outcome.out)
    assert (found["verdict"], found["sigma"], found["sigma_source"]) == (
        "limited", 0.1, "as asked for",
    )  # fmt: skip
    half = json.loads(spc("plan", "check", HOOD, "--json", "--sigma", "0.05").out)
    ratios = [
        a["detectable"] / b["detectable"]
        for a, b in zip(found["points"], half["points"], strict=True)
    ]
    assert ratios == pytest.approx([2.0] * 9)


def test_check_fails_on_gaps_where_asked(spc: Command, tmp_path: Path) -> None:
    further = (("side-3", "fit", (0.0, 300.0, -350.0), SIDE),
               ("end-3", "fit", (500.0, 0.0, -350.0), (1.0, 0.0, 0.0)))  # fmt: skip
    sound = written(tmp_path, plan_toml((*TIED, *further, *FAR)), "sound.toml")
    assert spc("plan", "check", HOOD, "--fail-on", "gaps").status == 1
    assert spc("plan", "check", sound, "--fail-on", "gaps").done("SOUND.")


@pytest.mark.parametrize("words", [["check"], ["rehearse"], ["add"]])
def test_a_plan_that_leaves_a_motion_free_is_refused(
    words: list[str], spc: Command, loose: Path, store_path: Path
) -> None:
    before = contents(store_path)
    outcome = spc("plan", *words, loose, "--store", store_path)
    assert outcome.refused("loose.toml", "a shift along x", "no fit point looks along x")
    assert contents(store_path) == before


def test_adding_warns_and_adds_all_the_same(spc: Command, tmp_path: Path) -> None:
    six = written(tmp_path, plan_toml([TIED[0], TIED[1], TIED[2], *TIED[5:8]]), "six.toml")
    spc("init")
    outcome = spc("plan", "add", six)
    assert outcome.done("Added the plan of P-1 A", "6 fit points leave nothing to check the fit by")
    tied = spc("plan", "add", HOOD)
    assert tied.done("note: nose-1 and nose-2 cannot be told apart")
    warnings = json.loads(spc("plan", "add", HOOD, "--json").out)["warnings"]
    assert len(warnings) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check", "no-such.toml"], "no such file"),
        (["check", "--part", "X"], "no plan for part 'X'"),
        (["check", HOOD, "--sigma", "0"], "--sigma"),
        (["check", HOOD, "--sigma", "nan"], "--sigma"),
        (["check", HOOD, "--sigma", "inf"], "--sigma"),
        (["check", HOOD, "--sigma", "abc"], "--sigma"),
        (["check", HOOD, "--part", "LH-640"], "not both"),
        (["check", HOOD, "--fail-on", "anything"], "--fail-on"),
        (["rehearse", HOOD, "--touch", "deck-1"], "write NAME=MM"),
        (["rehearse", HOOD, "--touch", "deck-1=x"], "write NAME=MM"),
        (["rehearse", HOOD, "--touch", "deck-1=nan"], "write NAME=MM"),
        (["rehearse", HOOD, "--touch", "deck-1=0"], "write NAME=MM"),
        (["rehearse", HOOD, "--touch", "=1"], "write NAME=MM"),
        (["rehearse", HOOD, "--touch", "tail-left=1"], "'tail-left' is no fit point"),
        (["rehearse", HOOD, "--twist", "deck=1"], "no face 'deck'"),
        (["rehearse", HOOD, "--shrink", "much"], "--shrink"),
        (["rehearse", HOOD, "--shrink", "nan"], "--shrink"),
        (["rehearse", HOOD, "--trials", "10"], "--trials"),
        (["rehearse", HOOD, "--alpha", "0.9"], "--alpha"),
        (["rehearse", HOOD, "--seed", "-1"], "--seed"),
    ],
)
def test_bad_words_are_one_line(
    words: list[object], said: str, spc: Command, store_path: Path
) -> None:
    assert spc("plan", *words, "--store", store_path).refused(said)


def test_rehearse_what_is_asked_for(spc: Command) -> None:
    outcome = spc(
        "plan", "rehearse", HOOD, "--touch", "deck-1=0.5", "--touch", "nose-2=-0.4", "--twist",
        "+z=0.3", "--shrink", "0.05", "--trials", "200", "--seed", "5",
    )  # fmt: skip
    assert outcome.done(
        "deck-1 reads +0.5 mm", "nose-2 reads -0.4 mm", "twist of the +z face by 0.3 mm",
        "size -0.05 %", "200 alignments a fault, seed 5", "deck-1 reads +0.5 mm, nose-2 reads",
    )  # fmt: skip


def test_rehearse_as_one_document_that_the_seed_repeats(spc: Command) -> None:
    words = ("plan", "rehearse", HOOD, "--trials", "100", "--json")
    one, same = spc(*words, "--seed", "9"), spc(*words, "--seed", "9")
    assert one.out == same.out
    found = json.loads(one.out)
    assert len(found["faults"]) == 12
    assert found["faults"][0]["named"] is None
    assert found["faults"][1]["guilty"] == ["deck-1"]


def test_plan_show_keeps_what_the_plan_chose(spc: Command, tmp_path: Path) -> None:
    head = '[fit]\nsecond_opinion = "huber"\n[material]\nexpansion = 150e-6'
    plan = written(tmp_path, plan_toml((*TIED, *FAR), head=head), "chosen.toml")
    spc("init")
    spc("plan", "add", plan)
    shown = json.loads(spc("plan", "show", "--json").out)
    assert shown["second_opinion"] == "huber"
    assert shown["material"]["expansion"] == 150e-6
    assert shown["probe"] is None


def test_plan_show_says_in_words_what_the_plan_chose(spc: Command, tmp_path: Path) -> None:
    head = (
        '[fit]\nsecond_opinion = "huber"\n[probe]\ncentres = true\nball_diameter = 0.25\n'
        "[material]\nexpansion = 150e-6\nwall = 0.16"
    )
    text = plan_toml((*TIED, *FAR), unit="in", head=head, more={"middle": "panel = [16, 12]"})
    plan = written(tmp_path, text, "chosen.toml")
    spc("init")
    spc("plan", "add", plan)
    assert spc("plan", "show").done(
        "second opinion: huber, shown beside the fit",
        "probe: the results hold centres of the ball, ball diameter 0.2500",
        "material: expansion 0.00015 per K, wall 0.1600",
        "panel of middle: 16.0000 by 12.0000",
    )
    spc("plan", "add", HOOD)
    assert "probe" not in spc("plan", "show", "--part", "LH-640").out
