"""A plan of six fit points and nothing else: nothing is checked, and every command says so."""

from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome

Command = Callable[..., Outcome]

PLACES = [  # nominal and normal, mm
    ((0, 0, 100), (0, 0, 1)),
    ((300, 0, 100), (0, 0, 1)),
    ((0, 200, 100), (0, 0, 1)),
    ((0, 100, 0), (-1, 0, 0)),
    ((100, 0, 0), (0, -1, 0)),
    ((250, 0, 0), (0, -1, 0)),
]


@pytest.fixture
def six(spc: Command, tmp_path: Path) -> Command:
    points = "".join(
        f'[[point]]\nid = "p{k}"\nrole = "fit"\nnominal = {list(map(float, p))}\n'
        f"normal = {list(map(float, n))}\n"
        for k, (p, n) in enumerate(PLACES)
    )
    (tmp_path / "six.toml").write_text(
        f'part = "SIX"\nrevision = "A"\nname = "Six"\nunit = "mm"\n{points}'
    )
    rows = [
        f"SIX,A,S1,R1,2026-01-05T08:00:00Z,p{k},{hit},{x + 0.01 * hit},{y},{z + 0.02 * hit},mm"
        for k, ((x, y, z), _) in enumerate(PLACES)
        for hit in (1, 2, 3)
    ]
    head = "part,revision,serial,run,measured_at,point,hit,x,y,z,unit"
    (tmp_path / "six.csv").write_text("\n".join([head, *rows, ""]))
    for words in (("init",), ("plan", "add", "six.toml"), ("ingest", "six.csv")):
        assert spc(*words).status == 0
    return spc


def test_the_month_does_not_call_the_form_steady(six: Command) -> None:
    said = six("report", "2026-01")
    assert said.status == 0
    assert "no check point, so nothing says whether the form moves" in said.out
    assert "No check point has a tolerance" in said.out
    assert "inside its tolerance" not in said.out
    assert "0 of 0" not in said.out


def test_capability_says_why_there_is_none(six: Command) -> None:
    said = six("capability")
    assert said.status == 0
    assert "The plan has no check point" in said.out
    assert "Ppk (95" not in said.out


def test_no_run_is_said_to_fit_within_the_limit(six: Command, tmp_path: Path) -> None:
    for said in (six("run", "show", "R1").out, six("run", "show", "R1", "--json").out):
        assert "Nothing speaks against the fit, but six points cannot" in said
        assert "only check points can tell" in said
        assert "within the limit" not in said
    assert six("board", "--to", "board.html").status == 0
    page = (tmp_path / "board.html").read_text(encoding="utf-8")
    assert "Six fit points cannot be checked by the fit" in page
    # A residual of zero says nothing of its point.
    assert not any(words in page for words in ("within its limit", "at its nominal", "nearest to"))
