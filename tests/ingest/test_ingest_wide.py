"""Wide tables: a row is a run and its columns are points; as the long table of the same results."""

import csv
import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from helpers import Outcome, contents
from strategies import box, csv_text, plan_toml

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.results import read_file

Command = Callable[..., Outcome]
WIDE = Declared(wide=True)


@pytest.fixture(scope="module")
def table() -> list[dict[str, str]]:
    """Return three runs of the box's points as deviations, one column a point."""
    rng = np.random.default_rng(8)
    names = [p.id for p in box().points]
    return [
        {"part": "BX-1", "serial": f"S{r}", "run": f"R{r}", "unit": "mm",
         **{n: f"{v:.3f}" for n, v in zip(names, rng.normal(0, 0.3, len(names)), strict=True)}}
        for r in range(3)
    ]  # fmt: skip


def read(text: str, path: Path, declared: Declared = WIDE) -> Results:
    """Return what a file of this text gives."""
    path.write_text(text)
    found = read_file(path, declared)
    assert isinstance(found, Results)
    return found


def refused(text: str, path: Path, *words: str, declared: Declared = WIDE) -> None:
    """Check that a file is refused with each of the words."""
    with pytest.raises(InputError) as error:
        read(text, path, declared)
    said = str(error.value)
    assert said.startswith(str(path))
    assert not [w for w in words if w not in said], said


def long(table: list[dict[str, str]]) -> str:
    """Return the wide table as a long one."""
    common = ("part", "serial", "run", "unit")
    return csv_text(
        {**{c: row[c] for c in common}, "point": name, "deviation": value}
        for row in table
        for name, value in row.items()
        if name not in common and value
    )


def test_a_wide_table_brings_what_the_long_one_does(
    table: list[dict[str, str]], spc: Command, tmp_path: Path
) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(box()))
    (tmp_path / "wide.toml").write_text("wide = true\n")
    (tmp_path / "wide.csv").write_text(csv_text(table))
    (tmp_path / "long.csv").write_text(long(table))
    held = []
    for name, more in (("long.csv", ()), ("wide.csv", ("--mapping", "wide.toml"))):
        store = tmp_path / f"{name}.duckdb"
        spc("init", "--store", store)
        spc("plan", "add", "box.toml", "--store", store)
        assert spc("ingest", name, *more, "--store", store).done("3 runs")
        held.append(contents(store))
    assert [r[0] for r in held[0]["run"]] == [r[0] for r in held[1]["run"]]
    assert held[0]["deviation"] == held[1]["deviation"]


def test_an_empty_cell_is_a_point_not_measured(table: list[dict[str, str]], tmp_path: Path) -> None:
    rows = [dict(row) for row in table]
    rows[1]["top-2"] = ""
    values = read(csv_text(rows), tmp_path / "a.csv").values
    assert len(values) == 3 * len(box().points) - 1
    assert not ((values["key"] == 1) & (values["point"] == "top-2")).any()


def test_a_row_without_a_point_is_told(table: list[dict[str, str]], tmp_path: Path) -> None:
    points = {p.id for p in box().points}
    rows = [table[0], {k: "" if k in points else v for k, v in table[1].items()}, table[2]]
    results = read(csv_text(rows), tmp_path / "a.csv")
    assert results.warnings == ("row 3: no point was measured; the run was left out",)
    assert results.runs["serial"].tolist() == ["S0", "S2"]


def test_a_bad_cell_is_named_by_its_own_column(table: list[dict[str, str]], tmp_path: Path) -> None:
    rows = [dict(row) for row in table]
    rows[1]["side-2"] = "bad"
    refused(csv_text(rows), tmp_path / "a.csv", "row 3, column 'side-2'", "'bad'", "ignore")
    rows = [{**row, "Comment": "fine"} for row in table]
    refused(csv_text(rows), tmp_path / "a.csv", "row 2, column 'Comment'", "'fine'")
    found = read(csv_text(rows), tmp_path / "a.csv", Declared(wide=True, ignored=("Comment",)))
    assert len(found.values) == 3 * len(box().points)
    assert found.warnings == ()


def test_decimal_commas(table: list[dict[str, str]], tmp_path: Path) -> None:
    text = csv_text(table, separator=";").replace(".", ",")
    values = read(text, tmp_path / "a.csv").values
    assert values["deviation"].iloc[0] == float(table[0]["top-1"])
    one_point = text.replace(table[1]["side-1"].replace(".", ","), table[1]["side-1"])
    refused(one_point, tmp_path / "a.csv", "row 3, column 'side-1'")


def positions(per_hit: bool, style: str = "{point}.{axis}") -> tuple[str, np.ndarray]:
    """Return a wide table of positions, and the positions (runs, points, hits, 3)."""
    points, hits = box().points, 2 if per_hit else 1
    places = np.random.default_rng(9).normal(0, 300, (2, len(points), hits, 3)).round(3)
    rows = []
    for r in range(2):
        row: dict[str, object] = {"part": "BX-1", "serial": f"S{r}", "run": "1", "unit": "mm"}
        for at, p in enumerate(points):
            for h in range(hits):
                for k, axis in enumerate("xyz"):
                    name = f"{p.id}.{h + 1}" if per_hit else p.id
                    row[style.format(point=name, axis=axis)] = places[r, at, h, k]
        rows.append(row)
    return csv_text(rows), places


@pytest.mark.parametrize("per_hit", [False, True])
def test_positions_in_three_columns_a_point_or_hit(per_hit: bool, tmp_path: Path) -> None:
    text, places = positions(per_hit)
    results = read(text, tmp_path / "a.csv")
    assert results.depth == ("hits" if per_hit else "points")
    assert np.array_equal(results.values[["x", "y", "z"]], places.reshape(-1, 3))
    assert results.values["point"].tolist()[0] == "top-1"


def test_how_columns_name_points_can_be_said(tmp_path: Path) -> None:
    text, places = positions(False, style="M {point}|{axis}")
    head, rest = text.split("\n", 1)
    text = head.replace("|x", "|X").replace("|y", "|Y").replace("|z", "|Z") + "\n" + rest
    pattern = r"M (?P<point>[\w-]+)\|(?P<axis>[XYZ])"
    declared = Declared(wide=True, point_columns=pattern)
    results = read(text, tmp_path / "a.csv", declared)
    assert np.array_equal(results.values[["x", "y", "z"]], places.reshape(-1, 3))
    refused(text, tmp_path / "a.csv", "no column is a point",
            declared=Declared(wide=True, point_columns="(?P<point>.+)!"))  # fmt: skip


def test_deviations_by_an_expression_leave_other_columns_unused(
    table: list[dict[str, str]], tmp_path: Path
) -> None:
    common = ("part", "serial", "run", "unit")
    rows = [{**{k if k in common else f"d_{k}": v for k, v in row.items()}, "Note": "x"}
            for row in table]  # fmt: skip
    results = read(csv_text(rows), tmp_path / "a.csv",
                   Declared(wide=True, point_columns="d_(?P<point>.+)"))  # fmt: skip
    assert results.values["point"].iloc[0] == "top-1"
    assert results.warnings == ("column 'Note' is not used",)


def test_headers_that_do_not_hold_together_are_refused(tmp_path: Path) -> None:
    text, _ = positions(False)
    refused(text.replace("top-2.y", "top-2.w", 1), tmp_path / "a.csv", "column 'top-2.x'",
            "each point needs x, y and z")  # fmt: skip
    mixed, _ = positions(True)
    refused(mixed.replace("top-2.1.", "top-2.", 3), tmp_path / "a.csv", "hit number")
    refused(text.replace("top-2.x", "top-1.X", 1), tmp_path / "a.csv", "are one point",
            declared=Declared(wide=True,
                              point_columns=r"(?P<point>.+)\.(?P<axis>[xyzX])"))  # fmt: skip
    refused("part,serial,run,unit\na,b,c,mm\n", tmp_path / "a.csv", "no column is a point")


def test_two_thousand_points(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(0, 1, (20, 2000)).round(4)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["part", "serial", "run", "unit", *(f"P{i:04d}" for i in range(2000))])
    writer.writerows([["A", f"S{r}", "1", "mm", *row] for r, row in enumerate(values)])
    found = read(out.getvalue(), tmp_path / "a.csv").values
    assert np.array_equal(found["deviation"].to_numpy().reshape(20, 2000), values)
