"""Drafts and trials: a plan from a QIF document, a mapping, and what a file would bring."""

import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import pytest
from helpers import SAMPLES, Outcome, held_bytes
from openpyxl import Workbook
from qif_documents import Characteristic, Doc, Feature, Hits, unit_xml
from strategies import box, csv_text, plan_toml, probed

from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.draft_mapping import draft_mapping
from spc.ingest.mapping import read_mapping
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.plan import Plan

Command = Callable[..., Outcome]


# --- plans ---------------------------------------------------------------------------------------


def document(plan: Plan, *, per: float = 1.0, unit: str = "mm") -> Doc:
    """Return a document that holds a plan's nominals and tolerances, and one measured piece."""
    rng = np.random.default_rng(2)
    laid = probed(plan, rng.normal(0, 0.2, (1, len(plan.points))), rng) / per
    found = [
        Feature(name=p.id, nominal=[v / per for v in p.nominal], normal=p.normal,
                hits={0: Hits(positions=laid[0, at].tolist())})
        for at, p in enumerate(plan.points)
    ]  # fmt: skip
    told = [
        Characteristic(
            name=f"c-{p.id}", features=[p.id],
            definition=f"<ToleranceValue>{(p.upper - p.lower) / per!r}</ToleranceValue>"
            f"<OuterDisposition>{p.upper / per!r}</OuterDisposition>",
        )
        for p in plan.points
        if p.lower is not None and p.upper is not None
    ]  # fmt: skip
    return Doc(
        features=found, characteristics=told, part=plan.part, version=plan.revision, unit=unit
    )


@pytest.mark.parametrize(("unit", "per"), [("mm", 1.0), ("inch", 25.4)])
def test_a_plan_goes_into_a_document_and_comes_out_of_it(
    unit: str, per: float, spc: Command, tmp_path: Path
) -> None:
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    (tmp_path / "hood.qif").write_bytes(document(plan, per=per, unit=unit).bytes())
    names = ",".join(p.id for p in plan.fit_points)
    outcome = spc("plan", "draft", "hood.qif", "--fit", names, "--to", "hood.toml")
    assert outcome.done("Wrote hood.toml: 33 points, 9 of them for the fit.")
    assert "to do" not in outcome.out
    drafted, warnings = read_plan(tmp_path / "hood.toml")
    assert warnings == ()
    assert drafted.unit == {"mm": "mm", "inch": "in"}[unit]
    assert (drafted.part, drafted.revision) == (plan.part, plan.revision)
    for one, other in zip(drafted.points, plan.points, strict=True):
        assert (one.id, one.role) == (other.id, other.role)
        assert one.nominal == pytest.approx(other.nominal, abs=1e-8)
        assert one.normal == pytest.approx(other.normal, abs=1e-8)
        assert (one.lower, one.upper) == pytest.approx((other.lower, other.upper), abs=1e-8)


def test_the_document_is_then_taken_against_its_own_draft(spc: Command, tmp_path: Path) -> None:
    (tmp_path / "box.qif").write_bytes(document(box()).bytes())
    spc("init")
    spc("plan", "draft", "box.qif", "--fit", "top-*,side-*", "--fit", "front-*", "--to", "b.toml")
    assert spc("plan", "add", "b.toml").done("9 fit points, 4 check points")
    taken = spc("ingest", "box.qif")
    assert taken.done("1 run from 39 rows")
    assert taken.out.count("note") == 1
    assert "the part 'BX-1' is the only one of the document" in taken.out


def test_roles_are_left_to_people(spc: Command, tmp_path: Path) -> None:
    (tmp_path / "box.qif").write_bytes(document(box()).bytes())
    printed = spc("plan", "draft", "box.qif")
    assert printed.done("# To do: say which points hold the alignment", 'role = "undecided"')
    (tmp_path / "b.toml").write_text(printed.out)
    spc("init")
    spc("plan", "add", "b.toml").refused("point 'top-1'", "role 'undecided'; use fit or check")
    spc("plan", "draft", "box.qif", "--fit", "topp-1").refused("no point 'topp-1'", "top-1, top-2")
    spc("plan", "draft", "box.qif", "--to", "b.toml").refused("a file of that name already")


def test_what_is_missing_is_said_and_refused_until_filled_in(spc: Command, tmp_path: Path) -> None:
    doc = document(box())
    doc.features[0].normal = None
    doc.features[1].normal = (0.0, 0.0, 0.98)
    doc.characteristics[2].definition += "<OffsetZone>true</OffsetZone>"
    doc.part = ""
    (tmp_path / "box.qif").write_bytes(doc.bytes())
    outcome = spc("plan", "draft", "box.qif", "--fit", "top-*", "--json")
    found = json.loads(outcome.out)
    assert found["open"] == [
        "fill in part", "fill in revision", "fill in name", "fill in the normal of top-1",
        "correct the normal, which is not 1 long, of top-2", "decide the tolerance of top-3",
    ]  # fmt: skip
    said = tomllib.loads(found["text"])
    assert said["point"][0]["normal"] == []
    assert "tolerance" not in said["point"][2]
    named = spc("plan", "draft", "box.qif", "--part", "BX-2", "--revision", "B", "--json")
    assert json.loads(named.out)["part"] == "BX-2"


def test_one_sided_tolerances_are_drafted_added_and_shown(spc: Command, tmp_path: Path) -> None:
    text = plan_toml(box()).replace("tolerance = [-2.0, 2.0]", "tolerance = [-inf, 0.75]", 1)
    (tmp_path / "box.toml").write_text(text)
    plan, _ = read_plan(tmp_path / "box.toml")
    assert (plan.points[0].lower, plan.points[0].upper) == (None, 0.75)
    spc("init")
    assert spc("plan", "add", "box.toml").done("Added the plan")
    shown = next(line for line in spc("plan", "show").out.splitlines() if line.startswith("top-1"))
    assert "+0.750" in shown
    assert shown.split()[-3] == "\N{EN DASH}"


def test_names_are_text_in_a_draft_whatever_they_hold(spc: Command, tmp_path: Path) -> None:
    names = ['a"b', "a\\b", "a'b", "# x", "]]", "=cmd()", "Ünter-ß", "\N{SNOWMAN} 雪", "<b>&amp;",
             "x\u202ey", "${x}"]  # fmt: skip
    found = [Feature(name=n, nominal=(i, 0, 0)) for i, n in enumerate(names)]
    (tmp_path / "a.qif").write_bytes(Doc(features=found, components=[], part='p"\\').bytes())
    printed = spc("plan", "draft", "a.qif")
    said = tomllib.loads(printed.out)
    assert [p["id"] for p in said["point"]] == [" ".join(n.split()) for n in names]
    assert said["part"] == 'p"\\'


def test_only_such_documents_give_a_draft(spc: Command, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("a,b\n1,2\n")
    spc("plan", "draft", "a.csv").refused("a plan is drafted from a QIF document only")
    spc("plan", "draft", "none.qif").refused("no such file")
    (tmp_path / "b.qif").write_bytes(Doc(components=[]).bytes())
    spc("plan", "draft", "b.qif").refused("no point has a nominal")
    twice = [Feature(name="a", nominal=(1, 2, 3)), Feature(name="a", nominal=(1, 2, 4))]
    (tmp_path / "c.qif").write_bytes(Doc(features=twice, components=[]).bytes())
    spc("plan", "draft", "c.qif").refused("two points are called 'a'", "UUID")
    other = Doc(features=twice[:1], unit_block=f"<FileUnits>{unit_xml('mm')}</FileUnits>",
                components=[])  # fmt: skip
    (tmp_path / "d.qif").write_bytes(other.bytes())
    spc("plan", "draft", "d.qif").refused("names no unit of length", "--unit")
    assert spc("plan", "draft", "d.qif", "--unit", "in").done('unit = "in"')


# --- mappings ------------------------------------------------------------------------------------

FOREIGN = """Export Halle 2;;
Arm 1;;

Seriennr;Lauf;Datum;Uhrzeit;Merkmal;Antastung;X [mm];Y [mm];Z [mm];Prüfer;Notiz
Y0390;1;28.10.2026;09:23;deck-1;1;1165,952;729,695;373,635;zoë;ok
Y0390;1;28.10.2026;09:23;deck-1;2;1160,545;741,698;373,731;zoë;
Y0390;1;28.10.2026;09:24;deck-2;1;1161,545;741,698;373,731;zoë;
Y0390;1;28.10.2026;09:24;deck-2;2;1162,545;741,698;373,731;zoë;
"""


def finished(draft: str, **said: str) -> str:
    """Return a draft with its open lines filled in as a person would."""
    for key, value in said.items():
        draft, count = re.subn(rf"^# {key} = .*$", f'{key} = "{value}"', draft, flags=re.MULTILINE)
        assert count == 1, (key, draft)
    return draft


def test_a_drafted_mapping_takes_the_file_once_it_is_filled_in(tmp_path: Path) -> None:
    path = tmp_path / "hall2.txt"
    path.write_bytes(FOREIGN.encode("cp1252"))
    draft = draft_mapping(path, Declared())
    assert set(draft.open) == {"unit", "zone", "part"}
    (tmp_path / "m.toml").write_text(
        finished(draft.text, unit="mm", zone="Europe/Berlin", part="LH-640"), encoding="utf-8"
    )
    results = read_file(path, read_mapping(tmp_path / "m.toml"))
    assert results.runs["serial"].tolist() == ["Y0390"]  # type: ignore[union-attr]
    assert results.runs["operator"].tolist() == ["zoë"]  # type: ignore[union-attr]
    assert str(results.runs["measured_at"][0]) == "2026-10-28 08:23:00"  # type: ignore[union-attr]
    assert results.values["x"].tolist() == [  # type: ignore[union-attr]
        1165.952, 1160.545, 1161.545, 1162.545,
    ]  # fmt: skip
    assert results.warnings == ("column 'Notiz' is not used",)  # type: ignore[union-attr]


def test_times_of_which_the_day_is_open_are_left_to_fill_in(tmp_path: Path) -> None:
    path = tmp_path / "hall3.csv"
    path.write_text(FOREIGN.replace("28.10.2026", "10/28/2026"), encoding="utf-8")
    draft = draft_mapping(path, Declared())
    assert set(draft.open) == {"unit", "zone", "part", "time_format"}
    (tmp_path / "m.toml").write_text(
        finished(draft.text, unit="mm", zone="Europe/Berlin", part="LH-640",
                 time_format="%m/%d/%Y %H:%M"), encoding="utf-8")  # fmt: skip
    results = read_file(path, read_mapping(tmp_path / "m.toml"))
    assert str(results.runs["measured_at"][0]) == "2026-10-28 08:23:00"  # type: ignore[union-attr]


def test_a_separator_that_is_not_found_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "hall4.csv"
    path.write_text(FOREIGN.replace(";", "~"), encoding="utf-8")
    text = draft_mapping(path, Declared()).text
    assert "say what stands between columns as delimiter" in text
    mapping = tmp_path / "m.toml"
    mapping.write_text('delimiter = "~"\n')
    assert 'serial = "' in draft_mapping(path, read_mapping(mapping)).text


def test_guesses_are_marked_and_units_are_left_open(tmp_path: Path) -> None:
    path = tmp_path / "hall2.txt"
    path.write_bytes(FOREIGN.encode("cp1252"))
    text = draft_mapping(path, Declared()).text
    unit = next(line for line in text.splitlines() if "unit" in line)
    assert unit.startswith('# unit = "..."')
    assert "never guessed" in unit
    assert "[mm]" in unit
    said = tomllib.loads(text)
    assert said["skip_rows"] == 3
    assert "unit" not in said
    guessed = [
        x for x in text.splitlines() if re.match(r"(skip_rows|encoding|time_format|\w+ = \")", x)
    ]
    assert len(guessed) > 9
    assert all("guess" in line for line in guessed)


def test_our_own_names_need_no_guess(good: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(good)
    draft = draft_mapping(path, Declared())
    assert draft.open == ()
    assert "guess by" not in draft.text
    (tmp_path / "m.toml").write_text(draft.text)
    assert len(read_file(path, read_mapping(tmp_path / "m.toml")).runs) == 2  # type: ignore[union-attr]


def test_wide_files(tmp_path: Path) -> None:
    rows = [{"Teil": "BX-1", "Seriennr": f"S{i}", "Lauf": "1", "Einheit": "mm",
             "Bemerkung": "gut", **{p.id: f"{0.1 * i + 0.01:.3f}" for p in box().points}}
            for i in range(4)]  # fmt: skip
    path = tmp_path / "wide.csv"
    path.write_text(csv_text(rows))
    draft = draft_mapping(path, Declared())
    assert draft.open == ()
    said = tomllib.loads(draft.text)
    assert (said["wide"], said["ignore"]) == (True, ["Bemerkung"])
    (tmp_path / "m.toml").write_text(draft.text)
    results = read_file(path, read_mapping(tmp_path / "m.toml"))
    assert len(results.values) == 4 * len(box().points)  # type: ignore[union-attr]


@pytest.mark.parametrize("style", ["{p}.{a}", "{p} {A}", "{A}_{p}"])
def test_wide_positions(style: str, tmp_path: Path) -> None:
    rows = [{"part": "BX-1", "serial": "S1", "run": "1", "unit": "mm",
             **{style.format(p=p.id, a=a, A=a.upper()): k * 1.5
                for p in box().points for k, a in enumerate("xyz")}}]  # fmt: skip
    path = tmp_path / "wide.csv"
    path.write_text(csv_text(rows))
    draft = draft_mapping(path, Declared())
    (tmp_path / "m.toml").write_text(draft.text)
    results = read_file(path, read_mapping(tmp_path / "m.toml"))
    assert results.depth == "points"  # type: ignore[union-attr]
    assert results.values["point"].tolist() == [  # type: ignore[union-attr]
        p.id for p in box().points
    ]


def test_other_kinds_of_files(good: str, tmp_path: Path) -> None:
    with duckdb.connect() as connection:
        (tmp_path / "a.csv").write_text(good)
        connection.execute(
            f"COPY (SELECT serial AS \"SN\", * EXCLUDE serial FROM '{tmp_path / 'a.csv'}') "
            f"TO '{tmp_path / 'a.parquet'}' (FORMAT parquet)"
        )
    assert (
        'serial = "SN"  # guess by its name'
        in draft_mapping(tmp_path / "a.parquet", Declared()).text
    )
    book = Workbook()
    assert book.active is not None
    book.active.title = "Hits"
    for line in good.splitlines():
        book.active.append(line.split(","))
    book.create_sheet("Notes").append(["x"])
    book.save(tmp_path / "a.xlsx")
    assert 'sheet = "Hits"  # guess' in draft_mapping(tmp_path / "a.xlsx", Declared()).text


def test_whatever_a_file_holds_its_draft_is_toml(tmp_path: Path) -> None:
    names = ['a"b', "a\\b", "a\tb", "# n", "]", "=cmd()", "ü", "'''", '"""', "\x7f", "{}", "%"]
    path = tmp_path / "a.csv"
    path.write_text(csv_text([dict.fromkeys(names, "x")], separator=";"), encoding="utf-8")
    said = tomllib.loads(draft_mapping(path, Declared()).text)
    assert said["columns"] == {}


def test_the_command_prints_it(spc: Command, tmp_path: Path) -> None:
    (tmp_path / "hall2.txt").write_bytes(FOREIGN.encode("cp1252"))
    outcome = spc("ingest", "--draft-mapping", "hall2.txt")
    assert outcome.done('serial = "Seriennr"  # guess by its name')
    tomllib.loads(outcome.out)
    assert json.loads(spc("ingest", "--draft-mapping", "hall2.txt", "--json").out)["open"]
    spc("ingest", "--draft-mapping", "a", "b").refused("--draft-mapping takes one file")
    (tmp_path / "a.qif").write_bytes(Doc().bytes())
    spc("ingest", "--draft-mapping", "a.qif").refused("a QIF document names its own places")


# --- trials --------------------------------------------------------------------------------------


def test_a_trial_shows_what_would_be_taken_and_writes_nothing(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "good.csv").write_text(good)
    before = held_bytes(store_path)
    outcome = spc("ingest", "--dry-run", "good.csv", SAMPLES / "events.csv", "--store", store_path)
    assert outcome.done("good.csv", "hits", "198", "H0001-1", "LH-640 C", "2026-04-02 10:50",
                        "events", "Nothing was written.")  # fmt: skip
    assert held_bytes(store_path) == before
    spc("ingest", "good.csv", "--store", store_path)
    again = json.loads(spc("ingest", "--dry-run", "good.csv", "--store", store_path, "--json").out)
    assert [(f["new"], f["known"], f["compared"]) for f in again] == [(0, 2, True)]


def test_a_trial_shows_each_file_that_could_not_be_taken(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "good.csv").write_text(good)
    (tmp_path / "bad.csv").write_text(good.replace(",deck-1,", ",deck-77,"))
    outcome = spc("ingest", "--dry-run", "none.csv", "bad.csv", "good.csv", "--store", store_path)
    assert (outcome.status, outcome.err) == (2, "")
    assert "cannot be taken: none.csv: no such file" in outcome.out
    assert "cannot be taken: bad.csv, row 2, column 'point': unknown point 'deck-77'" in outcome.out
    assert outcome.out.count("H0002-1") == 2


def test_a_trial_needs_no_store(good: str, spc: Command, tmp_path: Path) -> None:
    (tmp_path / "good.csv").write_text(good)
    outcome = spc("ingest", "--dry-run", "good.csv")
    assert outcome.done("H0001-1", "No store here, so nothing was held against a plan.")
    assert not (tmp_path / "spc.duckdb").exists()


def test_a_trial_says_what_taking_would_say(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "good.csv").write_text(good)
    (tmp_path / "again.csv").write_text(good.replace("H0001-1", "H0001-9").replace("H0002-1", "x"))
    spc("ingest", "good.csv", "--store", store_path)
    tried = json.loads(spc("ingest", "--dry-run", "again.csv", "--store", store_path, "--json").out)
    taken = json.loads(spc("ingest", "again.csv", "--store", store_path, "--json").out)
    assert tried[0]["warnings"] == taken[0]["warnings"]
    assert len(tried[0]["warnings"]) == 4


@pytest.mark.parametrize("name", ["events.csv", "arm-checks.csv"])
def test_a_file_that_has_our_names_of_events_or_arm_checks_needs_no_mapping(
    name: str, samples: Path
) -> None:
    with pytest.raises(InputError, match="take it as it is: it needs no mapping"):
        draft_mapping(samples / name, Declared())
