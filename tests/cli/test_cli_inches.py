"""A plan in inches is spoken of in inches: the sample runs, their plan restated, from end to end.

The inch is exactly 25.4 mm (international yard and pound agreement, 1959).
"""

import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome, fill

Command = Callable[..., Outcome]
INCH = 25.4
#: A number in millimetres, or words that count in them.
MILLIMETRES = re.compile(r"\d mm\b|mm²|\bin mm\b|, mm\b")


def restated(plan: dict[str, object]) -> str:
    """Return a plan's text with every length in inches."""
    lines = [f'{k} = "{plan[k]}"' for k in ("part", "revision", "name")]
    fit = plan["fit"]
    assert isinstance(fit, dict)
    lines += ['unit = "in"', "[fit]", f'method = "{fit["method"]}"']
    lines += [f"residual_limit = {fit['residual_limit'] / INCH!r}"]
    points = plan["point"]
    assert isinstance(points, list)
    for point in points:
        lines.append("[[point]]")
        for key, value in point.items():
            if key in ("nominal", "tolerance"):
                value = [v / INCH for v in value]
            lines.append(f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value!r}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def inches(tmp_path_factory: pytest.TempPathFactory, samples: Path) -> Path:
    folder = tmp_path_factory.mktemp("inches")
    plan = tomllib.loads((samples / "LH-640.toml").read_text(encoding="utf-8"))
    (folder / "inches.toml").write_text(restated(plan), encoding="utf-8")
    fill(folder / "in.duckdb", sorted(samples.rglob("*.csv")), folder / "inches.toml")
    return folder / "in.duckdb"


@pytest.mark.parametrize(
    "words",
    ["run show H0188", "run show H0400 --harm", "plan check", "chart list",
     "chart show tail-left", "chart show tail-left --kind steps", "chart shape", "drift",
     "capability tail-left", "gauge study G1", "limits propose", "signals list", "board",
     "report 2026-10"],
)  # fmt: skip
def test_no_sentence_falls_back_to_millimetres(inches: Path, spc: Command, words: str) -> None:
    outcome = spc(*words.split(), "--store", inches)
    assert (outcome.status, outcome.err) == (0, "")
    assert " in" in outcome.out
    assert not MILLIMETRES.findall(outcome.out), outcome.out


def test_the_pages_speak_inches_too(inches: Path, spc: Command, tmp_path: Path) -> None:
    assert spc("report", "2026-10", "--store", inches, "--folder", tmp_path / "r").status == 0
    for page in sorted((tmp_path / "r").rglob("*.html")):
        text = re.sub(r"<(script|style).*?</\1>", "", page.read_text(encoding="utf-8"), flags=re.S)
        found = MILLIMETRES.findall(re.sub(r"<[^>]+>", " ", text))
        assert not found, (page.name, found[:5])


def test_the_verdict_is_that_of_the_same_plan_in_millimetres(
    inches: Path, sample_store: Path, spc: Command
) -> None:
    said = [spc("run", "show", "H0188", "--store", store).out for store in (inches, sample_store)]
    heads = [text.split("\n\n")[1] for text in said]
    assert heads[0].splitlines()[0] == heads[1].splitlines()[0]
    (inch,), (mm,) = (re.findall(r"lies ([-+\d.]+) (?:in|mm) off", head) for head in heads)
    assert float(inch) * INCH == pytest.approx(float(mm), abs=0.5e-4 * INCH + 0.5e-2)
