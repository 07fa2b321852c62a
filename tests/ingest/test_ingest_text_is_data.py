"""Text from files is data everywhere: never SQL, HTML, a formula, a path or a terminal's order."""

import csv
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from helpers import Outcome, contents, fill
from qif_documents import Component, Doc, Feature
from strategies import box, csv_text, hit_rows, plan_toml, probed

from spc.cli.naming import safe
from spc.pages.tables import FORMULA

Command = Callable[..., Outcome]
#: Text that would do something if anything ran it; each is a name here.
NASTY = (
    "'; DROP TABLE run; --",
    '"; DELETE FROM hit; --',
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "=cmd()",
    "+1+1",
    "@SUM(A1)",
    "-2+3",
    "../../x",
    "/etc/passwd",
    "C:\\x\\..\\y",
    "$(touch pwned)",
    "`touch pwned`",
    "${HOME}",
    "{{7*7}}",
    "%s%n{0}",
    "a,b;c\"d'e",
    "NULL",
    "ünï-雪-\N{SNOWMAN}",
    "&amp;<b>",
)
PLAN = box(check=2)


class Tags(HTMLParser):
    """Collects scripts, event handlers and the text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts: list[str] = []
        self.handlers: list[str] = []
        self.images: list[str | None] = []
        self.text: list[str] = []
        self._in_script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_script = tag == "script"
        self.handlers += [name for name, _ in attrs if name.startswith("on")]
        self.images += [dict(attrs).get("src")] if tag == "img" else []

    def handle_endtag(self, tag: str) -> None:
        self._in_script = False

    def handle_data(self, data: str) -> None:
        (self.scripts if self._in_script else self.text).append(data)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds such text in every column that takes text; to be copied."""
    home = tmp_path_factory.mktemp("nasty")
    rng = np.random.default_rng(7)
    (home / "box.toml").write_text(plan_toml(PLAN))
    laid = probed(PLAN, rng.normal(0, 0.2, (len(NASTY), len(PLAN.points))), rng, hits=2)
    runs = [
        {"serial": text, "run": text, "mould": "M1", "batch": text, "operator": text,
         "device": text, "probe": text, "setup": text, "cavity": text, "unit": "mm",
         "measured_at": f"2026-01-05T{8 + at // 4:02d}:{15 * (at % 4):02d}:00Z"}
        for at, text in enumerate(NASTY)
    ]  # fmt: skip
    (home / "nasty.csv").write_text(csv_text(hit_rows(PLAN, laid, runs)), encoding="utf-8")
    events = [{"at": "2026-01-05T07:00Z", "kind": t, "part": "", "mould": "", "note": t}
              for t in NASTY]  # fmt: skip
    (home / "events.csv").write_text(csv_text(events), encoding="utf-8")
    files = [home / "nasty.csv", home / "events.csv"]
    taken = fill(home / "s.duckdb", files, plan=home / "box.toml")
    assert [t.new for t in taken] == [len(NASTY), len(NASTY)]
    return home / "s.duckdb"


@pytest.fixture
def nasty(made: Path, tmp_path: Path) -> Path:
    """Return a folder, two below the test's own, with a copy of that store."""
    home = tmp_path / "deep" / "down"
    home.mkdir(parents=True)
    shutil.copy(made, home)
    return home


def test_every_text_is_kept_as_it_is(nasty: Path) -> None:
    held = contents(nasty / "s.duckdb")
    assert len(held["run"]) == len(NASTY)
    kept = {cell for row in held["run"] for cell in row if isinstance(cell, str)}
    assert set(NASTY) <= kept
    assert len(held["hit"]) == len(NASTY) * len(PLAN.points) * 2
    assert {cell for row in held["event"] for cell in row} >= set(NASTY)


def test_lists_and_documents_show_it_as_it_is(nasty: Path, spc: Command) -> None:
    store = ("--store", nasty / "s.duckdb")
    listed = json.loads(spc("run", "list", *store, "--json").out)
    assert {row["serial"] for row in listed} == set(NASTY)
    shown = spc("run", "list", *store).out
    assert all(text in shown for text in NASTY)
    for text in NASTY:
        found = spc("run", "show", "--store", nasty / "s.duckdb", "--json", "--", text)
        assert (found.status, found.err) == (0, "")
        assert text in json.dumps(json.loads(found.out), ensure_ascii=False).replace(
            "\\\\", "\\").replace('\\"', '"')  # fmt: skip
        one = json.loads(spc("run", "list", "--batch", text, *store, "--json").out)
        assert [row["batch"] for row in one] == [text]


def test_pages_run_none_of_it(nasty: Path, spc: Command, tmp_path: Path) -> None:
    made = spc("report", "2026-01", "--store", nasty / "s.duckdb", "--folder", tmp_path / "pages")
    assert made.status == 0, made.err
    pages = list((tmp_path / "pages").rglob("*.html"))
    assert pages
    texts = ""
    for page in pages:
        tags = Tags()
        tags.feed(page.read_text(encoding="utf-8"))
        assert not [s for s in tags.scripts if s.strip() == "alert(1)"]
        assert tags.handlers == []
        assert "x" not in tags.images
        texts += "".join(tags.text)
    assert "'; DROP TABLE run; --" in texts


def test_exports_hold_no_formula_and_no_other_place(
    nasty: Path, spc: Command, tmp_path: Path
) -> None:
    made = spc("export", "2026-01", "--store", nasty / "s.duckdb", "--folder", tmp_path / "out")
    assert made.status == 0, made.err
    tables = list((tmp_path / "out").rglob("*.csv"))
    assert tables
    cells = set()
    for path in tables:
        with path.open(encoding="utf-8-sig", newline="") as file:
            cells |= {cell for row in csv.reader(file) for cell in row}
    for text in NASTY:
        if text.startswith(FORMULA):
            assert text not in cells
    assert {"'=cmd()", "'@SUM(A1)"} <= cells
    assert spc(
        "export", "--parquet", "--store", nasty / "s.duckdb", "--folder", tmp_path / "pq"
    ).done()


def test_nothing_is_written_anywhere_else(nasty: Path, spc: Command, tmp_path: Path) -> None:
    before = {p for p in tmp_path.rglob("*") if p.is_file()}
    store = ("--store", nasty / "s.duckdb")
    spc("report", "2026-01", *store, "--folder", nasty / "pages")
    spc("export", "2026-01", *store, "--folder", nasty / "out")
    after = {p for p in tmp_path.rglob("*") if p.is_file()} - before
    assert after
    assert all({"pages", "out"} & set(p.relative_to(nasty).parts[:1]) for p in after)
    assert not list(tmp_path.rglob("pwned"))
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("part", ["../../x", "a/b", "x" * 400, "ж" * 120, "=1+1"])
def test_a_part_of_any_name_has_files_of_its_own(part: str, spc: Command, tmp_path: Path) -> None:
    assert safe(part) != safe(part.replace("/", "_") + "_")
    assert len(safe(part).encode()) < 120
    home = tmp_path / "deep" / "down"
    home.mkdir(parents=True)
    rng = np.random.default_rng(7)
    for at, name in enumerate((part, part.replace("/", "_").replace("=", "_"))):
        plan = replace(PLAN, part=name)
        laid = probed(plan, rng.normal(0, 0.2, (2, len(plan.points))), rng, hits=2)
        runs = [
            {"part": name, "serial": f"S{at}{k}", "run": "1", "unit": "mm",
             "measured_at": "2026-01-05T08:00:00Z"} for k in range(2)
        ]  # fmt: skip
        (home / "plan.toml").write_text(plan_toml(plan), encoding="utf-8")
        (home / "runs.csv").write_text(csv_text(hit_rows(plan, laid, runs)), encoding="utf-8")
        store = ("--store", home / "s.duckdb")
        spc("init", *store)
        assert spc("plan", "add", home / "plan.toml", *store).status == 0
        assert spc("ingest", home / "runs.csv", *store).status == 0
        for command in ("report", "export"):
            made = spc(command, "2026-01", *store, f"--part={name}", "--folder", home / command)
            assert made.status == 0, made.err
    pages = [p.name for p in (home / "report").glob("*2026-01*.html")]
    assert len(pages) == len({part, part.replace("/", "_").replace("=", "_")})
    assert not list(tmp_path.glob("*.html"))


def test_names_of_files_are_names(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    names = ("'; DROP TABLE run; --", "<script>", "=cmd()", "$(x)", "a'b", "-x")
    for at, name in enumerate(f"{one}.csv" for one in names):
        text = good.replace("H0001", f"H1{at:03d}").replace("H0002", f"H2{at:03d}")
        text = text.replace(",934.786,", f",934.78{at},")
        (tmp_path / name).write_text(text)
        outcome = spc("ingest", "--store", store_path, "--", name)
        assert outcome.status == 0, outcome.err
        assert outcome.out.startswith(f"{name}: 2 runs")
    assert len(contents(store_path)["source_file"]) == 6


def test_control_characters_are_no_names(
    good: str, spc: Command, store_path: Path, tmp_path: Path
) -> None:
    for text in ("a\x1b[2Jb", "a\x07b", "a\x9bb", "a\x08b"):
        (tmp_path / "bad.csv").write_text(good.replace(",ana,", f",{text},"), encoding="utf-8")
        outcome = spc("ingest", "bad.csv", "--store", store_path)
        assert outcome.refused("column 'operator'", "control character in a name")
        assert outcome.err.rstrip("\n").isprintable()
    (tmp_path / "bad.csv").write_text(good.replace(",deck-1,", ",deck\x1b[2J,"))
    outcome = spc("ingest", "bad.csv", "--store", store_path)
    assert outcome.refused("unknown point 'deck\N{REPLACEMENT CHARACTER}[2J'")
    (tmp_path / "bad.csv").write_text("at,kind\n2026-01-01T00:00Z,a\x1bb\n")
    assert spc("ingest", "bad.csv", "--store", store_path).refused("column 'kind'")


def test_a_document_s_text_is_data_too(spc: Command, tmp_path: Path) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    rng = np.random.default_rng(3)
    laid = probed(PLAN, rng.normal(0, 0.2, (len(NASTY), len(PLAN.points))), rng, hits=1)
    found = [Feature(name=p.id, nominal=p.nominal, normal=p.normal,
                     locations={r: laid[r, at, 0].tolist() for r in range(len(NASTY))})
             for at, p in enumerate(PLAN.points)]  # fmt: skip
    doc = Doc(features=found, components=[Component(serial=text) for text in NASTY])
    (tmp_path / "box.qif").write_bytes(doc.bytes())
    spc("init")
    spc("plan", "add", "box.toml")
    assert spc("ingest", "box.qif").done(f"{len(NASTY)} runs")
    listed = json.loads(spc("run", "list", "--json").out)
    assert {row["serial"] for row in listed} == set(NASTY)
