"""spc capability: what it prints, refuses and returns."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers import Outcome, fill
from strategies import box, csv_text, dated_runs, plan_toml

Command = Callable[..., Outcome]


def test_one_line_a_point_then_the_surfaces(sample_store: Path, spc: Command) -> None:
    out = spc("capability", "--store", sample_store).out
    head, summary, groups, hints = out.rstrip().split("\n\n")
    assert head.startswith("LH-640 C: the last 12 batches, 137 pieces of 12 batches, mould K1, K2")
    rows = summary.splitlines()[2:]
    assert len(rows) == 24
    assert max(map(len, rows)) < 150
    # Each says on how many pieces and batches it stands, and what they are worth.
    assert all(re.match(r"\S+ +137/12 +\d+ ", row) for row in rows)
    assert "refused: not stable" in summary
    assert re.search(r"latch-face .* 1\.77 \(1\.32 to 2\.05\) +shown$", summary, re.MULTILINE)
    assert re.search(r"cannot be shown; \d+ batches would do", summary)
    assert groups.splitlines()[2].startswith("group D ")
    assert "all check points" in groups
    assert "--details" in hints
    assert "--performance" in hints


def test_a_point_named_is_told_in_full(sample_store: Path, spc: Command) -> None:
    out = spc("capability", "latch-face", "--store", sample_store)
    assert out.done(
        "Ppk of at least 1.33 is shown: with 95 % confidence it is 1.40 or more (137 pieces from "
        "12 batches).",
        "137 pieces of 12 batches, worth 31.1 independent ones",
        "within batches", "Cpm", "about 0.000", "lower side", "normal (tried: normal p",
        "0 of 137 seen", "expected", "99 % of pieces above", "with 95 % confidence",
        "gauge study's standard deviation", "without gauge", "An estimate beside what was seen",
        "conform", "guard band", "1.645 standard uncertainties",
    )  # fmt: skip


def test_details_of_several_points_are_asked_for(sample_store: Path, spc: Command) -> None:
    two = ("capability", "latch-face", "tail-left", "--store", sample_store)
    assert "without gauge" not in spc(*two).out
    assert spc(*two, "--details").out.count("without gauge") == 2


def test_a_fit_point_is_refused_with_its_factor_in_one_line(
    sample_store: Path, spc: Command
) -> None:
    refused = spc("capability", "latch-face", "deck-1", "--store", sample_store)
    assert refused.refused("'deck-1' is a fit point", "flatter by a factor of about 2.00")
    many = spc("capability", "deck-1", "flank-2", "--json", "--store", sample_store)
    assert many.refused("2 fit points are named", "'flank-2' by a factor of about 1.23")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--target", "latch-face"), "write the point and its target in mm"),
        (("--target", "=0.1"), "write the point and its target in mm"),
        (("--target", "latch-face=x"), "write the point and its target in mm"),
        (("--target", "latch-face=2"), "outside its tolerance, -0.8 to 0.8 mm"),
        (("--target", "nowhere=0"), "no point 'nowhere'"),
        (("--target", "deck-1=0"), "'deck-1' is a fit point"),
        (("--level", "0"), "--level 0"),
        (("--coverage", "1"), "--coverage 1"),
        (("--guard", "-1"), "--guard -1"),
        (("--gauge", "G9", "--details"), "no gauge study 'G9'"),
        (("--span", "B14..B13"), "turn the span round"),
        (("--mould", "K9"), "no piece of mould 'K9'"),
        (("--index", "cp"), "'cp' is not one of"),
        (("--shape", "weibull"), "'weibull' is not one of"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_one_line(
    words: tuple[str, ...], told: str, sample_store: Path, spc: Command
) -> None:
    assert spc("capability", *words, "--store", sample_store).refused(told)


def test_performance_is_named_so(sample_store: Path, spc: Command) -> None:
    words = ("capability", "rim-rear-left", "--store", sample_store)
    plain, asked = spc(*words).out, spc(*words, "--performance").out
    assert "refused: not stable\n" in plain
    assert re.search(r"whole +Pp –, Ppk –", plain)
    assert "refused: not stable; performance only" in asked
    assert re.search(r"performance +Pp \d\.\d\d \(", asked)
    assert re.search(r"within +Cp –, Cpk –", asked)
    assert "Performance of these 137 pieces from 12 batches only, not of those to come" in asked


def test_status_one_where_asked_to_be_told(sample_store: Path, spc: Command) -> None:
    words = ("capability", "--fail-on", "not-shown", "--store", sample_store)
    assert spc(*words, "nose-middle").status == 0
    assert spc(*words, "nose-middle", "tail-left").status == 1
    assert spc(*words, "nose-middle", "--required", "3.9").status == 1
    assert spc(*words, "nose-middle", "--required", "3.9", "--index", "cpk").status == 0


def test_the_document_carries_everything(sample_store: Path, spc: Command) -> None:
    words = ("capability", "latch-face", "tail-left", "rim-rear-left", "--json")
    found = json.loads(spc(*words, "--store", sample_store).out)
    assert [d["point"] for d in found["details"]] == [p["point"] for p in found["points"]]
    latch, _, rim = found["points"]
    assert latch["verdict"] == "shown"
    assert latch["ppk_low"] < latch["bound"] < latch["ppk"] < latch["upper_bound"]
    assert (rim["verdict"], rim["stable"], rim["ppk"]) == ("refused", False, None)
    assert found["details"][2]["expected"]["both"] is None
    assert found["details"][0]["without_gauge"]["ppk"] > latch["ppk"]
    zones = found["zones"]
    assert zones["conforming"] + zones["not_proven"] + zones["not_conforming"] == 137
    assert len(zones["failing"]) == zones["not_conforming"]
    assert found["gauge"] in ("G1", "G2")
    assert found["groups"][-1]["group"] == "all check points"


def test_a_month_may_be_the_span(sample_store: Path, spc: Command) -> None:
    found = spc("capability", "latch-face", "--span", "2026-10", "--store", sample_store)
    assert found.done("LH-640 C: 2026-10, 68 pieces of 6 batches", "6 batches are too few to tell")


@pytest.fixture
def inches(tmp_path: Path) -> Path:
    """Return a store of a plan in inches: 60 pieces, tolerance of an inch and a half either way."""
    plan = replace(box(check=2), unit="in")
    points = tuple(
        p if p.lower is None or p.upper is None
        else replace(p, lower=25.4 * p.lower, upper=25.4 * p.upper) for p in plan.points
    )  # fmt: skip
    plan = replace(plan, points=points, residual_limit=None)
    values = np.random.default_rng(1).normal(0.0, 0.2, (60, 2))
    text = csv_text(
        {"part": plan.part, **run, "point": f"check-{k + 1}", "deviation": repr(float(x)),
         "unit": "in"}
        for run, line in zip(dated_runs(60), values, strict=True) for k, x in enumerate(line)
    )  # fmt: skip
    (tmp_path / "in.toml").write_text(plan_toml(plan, per=25.4))
    (tmp_path / "in.csv").write_text(text)
    fill(tmp_path / "in.duckdb", [tmp_path / "in.csv"], plan=tmp_path / "in.toml")
    return tmp_path / "in.duckdb"


def test_a_plan_in_inches_is_shown_in_inches_and_documented_in_millimetres(
    inches: Path, spc: Command
) -> None:
    words = ("capability", "check-1", "--target", "check-1=2.54", "--store", inches)
    text = spc(*words).out
    assert "lengths in in" in text
    assert "-1.5000 +1.5000" in text
    # A target is given in mm, as lengths are on every command line.
    assert "about +0.1000" in text
    found = json.loads(spc(*words, "--json").out)
    point = found["points"][0]
    assert (point["lower"], point["upper"]) == pytest.approx((-38.1, 38.1))
    assert point["target"] == 2.54
    assert 4.0 < point["sd"] < 6.5


def test_no_gauge_study_is_said_and_judges_no_piece(inches: Path, spc: Command) -> None:
    out = spc("capability", "check-1", "--store", inches)
    assert out.done("No gauge study of this part is in the store", "Uncertainty not known")
    assert "pieces judged at" not in out.out
