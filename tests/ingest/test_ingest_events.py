"""Events come from a file or from the keyboard; the same one twice is one."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome, contents, held_bytes

Command = Callable[..., Outcome]

GOOD = (
    "at,kind,part,mould,note\n"
    "2026-04-01T04:00:00+02:00,resin lot,LH-640,,lot PE-118 opened\n"
    '2026-04-03T07:00:00+02:00,mould work,LH-640,K1,"vent cleaned, seal changed"\n'
)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GOOD.replace("resin lot", ""), ("row 2, column 'kind'", "empty")),
        (GOOD.replace("2026-04-03T07:00:00+02:00", ""), ("row 3, column 'at'", "empty")),
        (GOOD.replace("2026-04-03T07:00:00+02:00", "today"), ("row 3, column 'at'", "'today'")),
        (GOOD.replace("+02:00", ""), ("row 2, column 'at'", "no time zone")),
        (GOOD.replace("2026-04-03T", "2026-04-31T"), ("row 3", "2026-04-31")),
        (GOOD + "2026-04-03T07:00:00Z,x\n", ("row 4", "2 fields where the header has 5")),
        (GOOD.splitlines()[0], ("a header but no rows",)),
    ],
)
def test_a_bad_events_file_is_one_line_and_changes_nothing(
    text: str, words: tuple[str, ...], spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "events.csv"
    path.write_text(text)
    before = held_bytes(store_path)
    assert spc("ingest", path, "--store", store_path).refused("events.csv", *words)
    assert held_bytes(store_path) == before


def test_the_same_events_twice_or_in_a_larger_file_are_taken_once(
    spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "events.csv"
    path.write_text(GOOD)
    assert spc("ingest", path, "--store", store_path).done("2 events from 2 rows")
    before = held_bytes(store_path)
    assert spc("ingest", path, "--store", store_path).done("nothing changed")
    path.write_text(GOOD.replace("\n", "\r\n").replace("+02:00,resin", "+02:00, resin"))
    assert spc("ingest", path, "--store", store_path).done("nothing changed")
    assert held_bytes(store_path) == before
    path.write_text(GOOD + GOOD.splitlines()[1] + "\n2026-05-01T00:00:00Z,arm check,,,\n")
    assert spc("ingest", path, "--store", store_path).done("1 event from 4 rows, 2 known before")
    assert len(contents(store_path)["event"]) == 3


def test_an_event_typed_in_is_the_one_of_the_file(
    spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "events.csv"
    path.write_text(GOOD)
    said = ("--part", "LH-640", "--mould", "K1", "--note", "vent cleaned, seal changed")
    at = ("--at", "2026-04-03T05:00:00Z")
    typed = spc("event", "add", "mould work", *at, *said, "--store", store_path)
    assert typed.done("Recorded: mould work at 2026-04-03 05:00 UTC.")
    assert spc("ingest", path, "--store", store_path).done("1 event from 2 rows, 1 known before")
    listed = spc("event", "list", "--store", store_path, "--json")
    assert [(e["happened_at"], e["kind"]) for e in json.loads(listed.out)] == [
        ("2026-04-01T02:00:00", "resin lot"),
        ("2026-04-03T05:00:00", "mould work"),
    ]
    at = ("--at", "2026-04-03 07:00", "--zone", "Europe/Berlin")
    again = spc("event", "add", "mould work", *at, *said, "--store", store_path)
    assert again.done("is recorded already; nothing changed")


@pytest.mark.parametrize(
    ("kind", "options", "words"),
    [
        ("", ("--at", "2026-04-01T00:00Z"), ("KIND", "empty")),
        ("  ", ("--at", "2026-04-01T00:00Z"), ("KIND", "empty")),
        ("resin lot", ("--at", ""), ("--at", "empty")),
        ("resin lot", ("--at", "today"), ("--at", "'today' is not a time")),
        ("resin lot", ("--at", "2026-04-01T00:00"), ("--at", "no time zone", "--zone")),
        ("resin lot", ("--at", "2026-04-01T00:00", "--zone", "Mars"), ("unknown time zone",)),
        ("resin lot", (), ("--at",)),
        (
            "resin\nlot",
            ("--at", "2026-04-01T00:00Z"),
            ("line break or control character in KIND",),
        ),
        ("resin lot", ("--at", "2026-04-01T00:00Z", "--mould", "K\t1"), ("character in --mould",)),
    ],
)
def test_an_event_that_cannot_be_recorded_is_one_line(
    kind: str, options: tuple[str, ...], words: tuple[str, ...], spc: Command, store_path: Path
) -> None:
    before = held_bytes(store_path)
    outcome = spc("event", "add", kind, *options, "--store", store_path)
    assert outcome.refused(*words)
    assert held_bytes(store_path) == before


# --- arm checks ----------------------------------------------------------------------------------

HEAD = "checked_at,device,artefact,reference,uncertainty,reading,unit\n"
CHECK = "2026-04-01T06:45Z,arm-1,bar-500,500.012,0.002,500.007,mm\n"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (",0.002,", ",-0.002,", ("row 2, column 'uncertainty'", "'-0.002' is no uncertainty")),
        ("500.007", "19.685", ("row 2, column 'reading'", "a factor of 1/25.4", "inches")),
        ("500.007", "12700.2", ("row 2, column 'reading'", "a factor of 25.4")),
        ("500.007", "500007", ("row 2, column 'reading'", "a factor of 1000", "micrometres")),
        ("arm-1", "arm\x1b[31m", ("row 2, column 'device'", "control character")),
    ],
)
def test_an_arm_check_that_cannot_be_is_refused(
    old: str, new: str, words: tuple[str, ...], spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "checks.csv"
    path.write_text(HEAD + CHECK.replace(old, new), encoding="utf-8")
    before = held_bytes(store_path)
    assert spc("ingest", path, "--store", store_path).refused(*words)
    assert held_bytes(store_path) == before


def test_arm_checks_of_another_unit_than_declared_are_refused(
    spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "checks.csv"
    path.write_text(HEAD + CHECK, encoding="utf-8")
    refused = spc("ingest", path, "--unit", "in", "--store", store_path)
    assert refused.refused("column 'unit'", "says 'mm' where 'in' was declared")
    assert spc("ingest", path, "--unit", "mm", "--store", store_path).done("1 reading")


def test_arm_checks_with_decimal_commas_are_read(
    spc: Command, store_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "checks.csv"
    path.write_text((HEAD + CHECK).replace(",", ";").replace(".", ","), encoding="utf-8")
    assert spc("ingest", path, "--store", store_path).done("1 reading")
    (held,) = contents(store_path)["arm_check"]
    assert {500.012, 0.002, 500.007} <= set(held)


def test_an_event_of_what_the_store_does_not_know_is_taken_with_a_note(
    spc: Command, store_path: Path, first_batch: Path, tmp_path: Path
) -> None:
    assert spc("ingest", first_batch, "--store", store_path).status == 0
    path = tmp_path / "events.csv"
    path.write_text(GOOD.replace("LH-640,K1", "LH-64,K9"))
    notes = (
        "note: events of part 'LH-64', of which the store has no plan",
        "note: events of mould 'K9', of which the store has no piece",
    )
    taken = spc("ingest", path, "--store", store_path)
    assert taken.done("2 events from 2 rows", *notes)
    assert taken.out.count("note:") == 2
    path.write_text(GOOD)
    assert "note:" not in spc("ingest", path, "--store", store_path).out
    typed = ("event", "add", "x", "--at", "2026-05-01T00:00Z", "--store", store_path)
    assert spc(*typed, "--part", "LH-64", "--mould", "K9").done("Recorded: x", *notes)
    assert "note:" not in spc(*typed, "--part", "LH-640", "--mould", "K1").out
    told = json.loads(spc(*typed, "--part", "LH-64", "--json").out)
    assert len(told["warnings"]) == 1
    kept = "".join(str(row[8]) for row in contents(store_path)["source_file"])
    assert kept.count("events of part 'LH-64'") == 1
