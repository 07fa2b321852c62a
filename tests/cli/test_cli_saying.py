"""What files say is printed as text: no character of theirs steers the terminal."""

import json
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome
from hypothesis import given
from hypothesis import strategies as st

from spc.cli.saying import tame

Command = Callable[..., Outcome]
#: Turns the direction of what follows; begins a command of old terminals; parts lines.
STEERING = ["\u202e", "\u2066", "\u200f", "\u2028"]


def steers(text: str) -> list[str]:
    """Return what the standard of letters calls control, line, paragraph and directional marks."""
    kinds = {c: (unicodedata.category(c), unicodedata.bidirectional(c)) for c in set(text)}
    turns = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    return [
        c for c, (kind, way) in kinds.items()
        if c not in "\n\t" and (kind in {"Cc", "Zl", "Zp"} or way in turns)
    ]  # fmt: skip


@given(text=st.text())
def test_nothing_that_steers_is_left_and_all_else_stays(text: str) -> None:
    shown = tame(text)
    assert steers(shown) == []
    assert re.sub(r"\\u[0-9a-f]{4}", "", shown).replace("\\", "") == "".join(
        c for c in re.sub(r"\\u[0-9a-f]{4}", "", text) if tame(c) == c
    ).replace("\\", "")


@given(text=st.text(st.characters(exclude_categories=["Cs"])))
def test_json_means_the_same(text: str) -> None:
    assert json.loads(tame(json.dumps([text], ensure_ascii=False))) == [text]


# Marks that part lines are refused in a name.
@pytest.mark.parametrize("mark", STEERING[:3])
def test_a_batch_that_would_turn_the_line_is_shown_spelled_out(
    mark: str, first_batch: Path, plan_only: Path, tmp_path: Path, spc: Command
) -> None:
    store = tmp_path / "s.duckdb"
    store.write_bytes(plan_only.read_bytes())
    text = first_batch.read_text(encoding="utf-8").replace(",B01,", f",B{mark}01,")
    (tmp_path / "f.csv").write_text(text, encoding="utf-8")
    said = spc("ingest", tmp_path / "f.csv", "--store", store)
    assert said.status == 0
    listed = spc("run", "list", "--store", store)
    assert f"B\\u{ord(mark):04x}01" in listed.out
    for outcome in (said, listed, spc("run", "show", "H0001", "--store", store)):
        assert steers(outcome.out + outcome.err) == []
    told = json.loads(spc("run", "list", "--store", store, "--json").out)
    assert f"B{mark}01" in json.dumps(told, ensure_ascii=False)


def test_every_command_prints_by_one_way() -> None:
    folder = Path(__file__).parents[2] / "spc/cli"
    direct = {
        path.name: path.read_text(encoding="utf-8").count("click.echo(")
        for path in folder.glob("*.py")
        if "click.echo(" in path.read_text(encoding="utf-8")
    }
    assert direct == {"saying.py": 1, "options.py": 1}  # JSON in UTF-8, tamed as well
