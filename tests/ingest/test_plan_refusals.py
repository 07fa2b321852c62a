"""A plan that cannot be measured or fitted is one line; a good one is taken as it was written."""

import math
import re
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from helpers import Outcome, held_bytes
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import box, plan_toml, plans

from spc.errors import InputError
from spc.ingest.plan_toml import read_plan
from spc.plan import Plan

Command = Callable[..., Outcome]

GOOD = plan_toml(box())


def swapped(old: str, new: str, count: int = 1) -> str:
    """Return the good plan's text with ``new`` in the place of ``old``, which must be there."""
    assert old in GOOD
    return GOOD.replace(old, new, count)


BAD: dict[str, tuple[str | bytes, tuple[str, ...]]] = {
    "no TOML": ("part = ", ("not a TOML file",)),
    "a table of results": ("part,serial\nLH-640,H0001\n", ("not a TOML file",)),
    "empty": (b"", ("the file is empty",)),
    "another code page": (swapped('"Box"', '"Kästchen"').encode("cp1252"), ("not UTF-8",)),
    "binary": (b"\x7fELF\x00\x00" * 9, ("not a text file",)),
    "unknown key": (swapped("unit", "units"), ("unknown key 'units'", "unit")),
    "unknown key of the fit": (swapped("residual_limit", "limit"), ("[fit]: unknown key 'limit'",)),
    "unknown key of a point": (swapped("weight", "wieght"),
                               ("point 'top-1': unknown key 'wieght'",)),
    "no part": (swapped('part = "BX-1"', ""), ("no part",)),
    "empty revision": (swapped('"A"', '" "'), ("no revision",)),
    "part that is a number": (swapped('"BX-1"', "7"), ("no part", 'part = "..."')),
    "no unit": (swapped('unit = "mm"', ""), ("no unit",)),
    "unknown unit": (swapped('"mm"', '"cm"'), ("unknown unit 'cm'", "mm, in or thou")),
    "no points": (GOOD.split("[[point]]")[0], ("no points", "[[point]]")),
    "a fit that is no table": ("fit = 3\n" + GOOD.replace("[fit]\n", "", 1).replace(
        "method = ", "name2 = ", 0).split("method")[0], ("[fit] is not a table",)),
    "unknown method": (swapped("least squares", "least cubes"), ("'least cubes'",)),
    "exact hold with nine": (swapped("least squares", "exact hold"),
                             ("an exact hold with 9 fit points", "exactly 6")),
    "residual limit of nothing": (swapped("residual_limit = 1.0", "residual_limit = 0"),
                                  ("residual_limit 0",)),
    "residual limit in words": (swapped("residual_limit = 1.0", 'residual_limit = "1"'),
                                ("residual_limit is '1' where a number belongs",)),
    "two of one name": (swapped('"top-2"', '"top-1"'), ("two points are called 'top-1'",)),
    "point without a name": (swapped('id = "top-2"', ""), ("point 2 has no id",)),
    "bad role": (swapped('role = "fit"', 'role = "datum"'),
                 ("point 'top-1': role 'datum'", "fit or check")),
    "no role": (swapped('role = "fit"', ""), ("point 'top-1' has no role",)),
    "normal of length two": (swapped("[0.0, 0.0, 1.0]", "[0.0, 0.0, 2.0]"),
                             ("point 'top-1': the normal has length 2, not 1",)),
    "normal of no length": (swapped("[0.0, 0.0, 1.0]", "[0.0, 0.0, 0.0]"), ("length 0, not 1",)),
    "no normal": (swapped("normal = [0.0, 0.0, 1.0]", ""), ("normal is not three numbers",)),
    "two coordinates": (swapped("-250.0, 200.0]", "200.0]"), ("nominal is not three numbers",)),
    "coordinate that is no number": (swapped("-250.0, 200.0]", "nan, 200.0]"),
                                     ("point 'top-1': nominal is nan",)),
    "coordinate that is true": (swapped("-250.0, 200.0]", "true, 200.0]"), ("nominal is True",)),
    "tolerance the wrong way round": (swapped("[-2.0, 2.0]", "[2.0, -2.0]"),
                                      ("tolerance 2 to -2 is the wrong way round",)),
    "tolerance of no width": (swapped("[-2.0, 2.0]", "[1.0, 1.0]"), ("wrong way round",)),
    "tolerance of one number": (swapped("[-2.0, 2.0]", "2.0"),
                                ("tolerance is not [lower, upper]",)),
    "weight below nought": (swapped("weight = 1.0", "weight = -1.0"), ("weight -1.0 is below 0",)),
    "weight without end": (swapped("weight = 1.0", "weight = inf"), ("weight is inf",)),
    "group that is a number": (swapped('group = ""', "group = 3"), ("group", "point 'top-1'")),
    "five fit points": (GOOD.replace('"fit"', '"check"', 4), ("5 fit points", "need 6")),
    "five with weight": (GOOD.replace("weight = 1.0", "weight = 0.0", 4),
                         ("5 fit points", "need 6")),
    "a part with a control character": (swapped('part = "', 'part = "a\\u0000'),
                                        ("control character in part",)),
    "a point with a line break": (swapped('"top-1"', '"top\\n1"'),
                                  ("a line break or control character in id",)),
    "tables without end": ("a = " + "[" * 5000 + "]" * 5000, ("not a TOML file",)),
    "a number without end": ("part = " + "9" * 5000, ("not a TOML file",)),
    "a point that is no table": (GOOD.split("[fit]")[0] + "point = [1, 2]\n",
                                 ("point 1 is not a table",)),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_bad_plan_is_one_line_and_changes_nothing(
    name: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    text, words = BAD[name]
    path = tmp_path / "bad.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    before = held_bytes(store_path)
    assert spc("plan", "add", path, "--store", store_path).refused("bad.toml", *words)
    assert held_bytes(store_path) == before


def test_the_plan_that_the_bad_ones_are_made_of_is_good(
    spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "good.toml"
    path.write_text(GOOD)
    outcome = spc("plan", "add", path, "--store", store_path)
    assert outcome.done("plan of BX-1 A: 9 fit points, 4 check points")
    again = spc("plan", "add", path, "--store", store_path)
    assert again.done("in the store already; nothing changed")


@pytest.mark.parametrize("name", ["folder", "nothing"])
def test_a_plan_that_is_not_there_is_one_line(
    name: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "folder").mkdir()
    words = {"folder": "a folder, not a file", "nothing": "no such file"}
    before = held_bytes(store_path)
    assert spc("plan", "add", tmp_path / name, "--store", store_path).refused(words[name])
    assert held_bytes(store_path) == before


def test_a_normal_off_by_its_printed_digits_is_made_exact_and_said_so(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(swapped("[0.0, 0.0, 1.0]", "[0.0, 0.0523, 0.9986]"))
    plan, warnings = read_plan(path)
    assert math.hypot(*plan.points[0].normal) == pytest.approx(1.0, abs=1e-15)
    assert warnings == (
        f"point 'top-1': normal of length {math.hypot(0.0523, 0.9986):.6f} was made exactly 1 long",
    )


@pytest.mark.parametrize(("unit", "per"), [("mm", 1.0), ("in", 25.4), ("thou", 0.0254)])
def test_a_plan_in_another_unit_is_the_same_plan_in_millimetres(
    unit: str, per: float, tmp_path: Path
) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(plan_toml(box(unit=unit), per=per))
    plan, _ = read_plan(path)
    assert plan.unit == unit
    assert plan.residual_limit == pytest.approx(1.0, rel=1e-14)
    for got, made in zip(plan.points, box().points, strict=True):
        assert got.nominal == pytest.approx(made.nominal, rel=1e-14)
        assert (got.lower, got.upper) == pytest.approx((made.lower, made.upper), rel=1e-14)


def test_the_identity_is_of_what_the_plan_says_not_of_how_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    seen = []
    for text in (GOOD, "# a remark\n" + GOOD.replace("1.0]", "1]"), GOOD.replace("2.0", "2.5", 1)):
        path.write_text(text)
        seen.append(read_plan(path)[0].plan_id)
    assert seen[0] == seen[1] != seen[2]


@settings(max_examples=40, deadline=None)
@given(plan=plans())
def test_any_plan_comes_back_as_it_was_written(plan: Plan) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(plan_toml(plan), encoding="utf-8")
        per = {"mm": 1.0, "in": 25.4, "thou": 0.0254}[plan.unit]
        read, warnings = read_plan(path)
    assert warnings == ()
    assert (read.part, read.revision, read.name) == (plan.part, plan.revision, plan.name)
    assert read.residual_limit == (plan.residual_limit and plan.residual_limit * per)
    for got, made in zip(read.points, plan.points, strict=True):
        ends = [None if v is None else v * per for v in (made.lower, made.upper)]
        assert [got.lower, got.upper] == ends
        assert replace(got, lower=None, upper=None, nominal=made.nominal) == replace(
            made, lower=None, upper=None
        )


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=200))
def test_any_bytes_are_a_plan_or_a_refusal(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_bytes(data)
        with pytest.raises(InputError):
            read_plan(path)


def test_a_plan_of_another_geometry_wants_a_revision_of_its_own(
    store_path: Path, samples: Path, first_batch: Path, spc: Command, tmp_path: Path
) -> None:
    text = (samples / "LH-640.toml").read_text(encoding="utf-8")
    changed = {
        "moved": re.sub(r"nominal = \[(-?)", r"nominal = [\g<1>1", text, count=2),
        "method": text.replace("least squares", "exact hold"),
        "fewer": text.replace('role = "fit"', 'role = "check"', 1),
        "limit": text.replace("residual_limit = ", "residual_limit = 1"),
    }
    assert len({text, *changed.values()}) == 5
    for name, other in changed.items():
        (tmp_path / f"{name}.toml").write_text(other, encoding="utf-8")
    # Nothing was measured yet: a plan may still be put right.
    assert spc("plan", "add", "moved.toml", "--store", store_path).status == 0
    assert spc("plan", "add", samples / "LH-640.toml", "--store", store_path).status == 0
    assert spc("ingest", first_batch, "--store", store_path).status == 0
    before = held_bytes(store_path)
    for name in ("moved", "fewer"):
        refused = spc("plan", "add", f"{name}.toml", "--store", store_path)
        assert refused.refused(f"{name}.toml", "12 runs of LH-640 C", "a new revision")
    assert held_bytes(store_path) == before
    assert spc("plan", "add", "limit.toml", "--store", store_path).status == 0
