"""JSON lines: one object a line, the same columns and the same refusals as CSV."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome, held_bytes

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.results import read_file

Command = Callable[..., Outcome]
NUMBERS = ("hit", "x", "y", "z", "part_temp_c", "hours_since_moulding")


@pytest.fixture(scope="module")
def objects(good: str) -> list[dict[str, object]]:
    """Return the good file's rows as objects, numbers as numbers."""
    return [
        {k: json.loads(v) if k in NUMBERS else v for k, v in row.items()}
        for row in csv.DictReader(io.StringIO(good))
    ]


def lines(objects: list[dict[str, object]]) -> str:
    """Return objects as JSON lines."""
    return "".join(json.dumps(o, ensure_ascii=False) + "\n" for o in objects)


def refused(text: str | bytes, tmp_path: Path, *words: str) -> None:
    """Check that a text is refused with each of the words."""
    path = tmp_path / "offered.jsonl"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError) as error:
        read_file(path, Declared())
    said = str(error.value)
    assert said.startswith(str(path))
    assert len(said) < 400
    assert not [w for w in words if w not in said], said


def test_json_lines_and_csv_of_the_same_results_are_the_same(
    objects: list[dict[str, object]], good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "first.csv").write_text(good)
    (tmp_path / "second.txt").write_text("\n" + lines(objects).replace("\n", "\r\n"))
    assert spc("ingest", "first.csv", "--store", store_path).done("2 runs from 198 rows")
    before = held_bytes(store_path)
    assert spc("ingest", "second.txt", "--store", store_path).done("nothing changed")
    assert held_bytes(store_path) == before


def test_a_key_left_out_is_empty_as_null_is(
    objects: list[dict[str, object]], tmp_path: Path
) -> None:
    path = tmp_path / "a"
    first = {k: v for k, v in objects[0].items() if k != "station"}
    rest = [{**o, "operator": None} for o in objects[1:]]
    path.write_text(lines([{**first, "operator": None}, *rest]))
    found = read_file(path, Declared())
    assert isinstance(found, Results)
    assert set(found.runs["operator"]) == {""}
    assert found.values["station"][0] == ""


def test_no_digit_is_lost(objects: list[dict[str, object]], tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text(lines(objects).replace('"x": 934.786', '"x": 934.78600000000000000001', 1))
    found = read_file(path, Declared())
    assert isinstance(found, Results)
    assert found.values["x"][0] == 934.786


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"x": 934.786', '"x": NaN', ("row 1, column 'x'", "'NaN'", "leave the row out")),
        ('"x": 934.786', '"x": -Infinity', ("row 1, column 'x'", "'-Infinity'")),
        ('"x": 934.786', '"x": 1e999', ("row 1, column 'x'", "1e999")),
        ('"x": 934.786', '"x": null', ("row 1, column 'x'", "empty where a number belongs")),
        ('"x": 934.786', '"x": true', ("row 1, column 'x'", "'true'")),
        ('"x": 934.786', '"x": [1]', ("row 1, column 'x'", "lists where plain values belong")),
        ('"x": 934.786', '"x": {"a": 1}', ("row 1, column 'x'", "lists where plain values")),
        ('"x": 934.786', '"x": 1, "x": 2', ("row 1, column 'x'", "the key stands twice")),
        ('"serial": "H0001"', '"serial": 1.0', ("row 1, column 'serial'", "a decimal number")),
        ("}\n", "} {}\n", ("row 1", "not a JSON object (at character")),
        ("{", "{,", ("row 1", "not a JSON object (at character")),
        ("{", "[{", ("one JSON list",)),
        (
            '"operator": "ana"',
            '"operator": "' + "z" * 20_000 + '"',
            ("more than 10000 characters",),
        ),
    ],
)
def test_refusals(
    old: str, new: str, words: tuple[str, ...], objects: list[dict[str, object]], tmp_path: Path
) -> None:
    text = lines(objects)
    assert old in text
    refused(text.replace(old, new, 1), tmp_path, *words)


def test_other_lines_are_refused_with_their_number(
    objects: list[dict[str, object]], tmp_path: Path
) -> None:
    text = lines(objects)
    refused(text + "[1, 2]\n", tmp_path, "row 199", "not a JSON object")
    refused(text + "7\n", tmp_path, "row 199", "not a JSON object")
    refused(text + '{"a": ' + "[" * 100_000 + "\n", tmp_path, "row 199", "not a JSON object (deep)")
    refused("{}\n{}\n", tmp_path, "a header but no rows")
    refused("{", tmp_path, "row 1")
    refused('{"line": 1}\n', tmp_path, "kept for the line")
    refused(text.replace("ana", "zoë", 1).encode("cp1252"), tmp_path, "row 1", "not UTF-8")
