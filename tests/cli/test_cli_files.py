"""Files that commands write: pages, tables, the whole store, and the demonstration."""

import csv
import io
import json
import math
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers import Outcome, contents, fill, held_bytes
from strategies import box, csv_text, dated_runs, hit_rows, plan_toml, probed

from spc.pages.tables import write_csv
from spc.store.connection import open_store
from spc.studies.month import month_study
from spc.studies.spans import month

Command = Callable[..., Outcome]


def table(path: Path) -> list[dict[str, str]]:
    """Return a written table, read as a spreadsheet would."""
    data = path.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.count(b"\n") == data.count(b"\r\n")
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@pytest.fixture(scope="module")
def small_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of a dozen pieces measured in January 2026."""
    folder, rng, plan = tmp_path_factory.mktemp("small"), np.random.default_rng(1), box(check=2)
    rows = hit_rows(plan, probed(plan, rng.normal(0, 0.2, (12, 11)), rng), dated_runs(12))
    (folder / "plan.toml").write_text(plan_toml(plan))
    (folder / "hits.csv").write_text(csv_text(rows))
    fill(folder / "s.duckdb", [folder / "hits.csv"], plan=folder / "plan.toml")
    return folder / "s.duckdb"


def test_a_month_s_page_is_written_beside_an_index_of_all(
    sample_store: Path, small_store: Path, tmp_path: Path, spc: Command
) -> None:
    folder = tmp_path / "new" / "pages"
    june = spc("report", "2026-06", "--folder", folder, "--store", sample_store)
    page = folder / "LH-640-C-2026-06.html"
    assert june.done("measured again: piece H0098, H0098-2 in place of H0098-1", f"Open {page}")
    assert spc("report", "2026-01", "--folder", folder, "--store", small_store).status == 0
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert "LH-640-C-2026-06.html" in index
    assert "BX-1-A-2026-01.html" in index
    text = page.read_text(encoding="utf-8")
    assert "H0098" in text
    assert not re.findall(r"<(?:script|link|img)[^>]+(?:src|href)=[\"']https?:", text)


def test_the_same_month_twice_is_the_same_page(
    small_store: Path, tmp_path: Path, spc: Command
) -> None:
    pages = []
    for name in ("one", "two"):
        folder = tmp_path / name
        assert spc("report", "2026-01", "--folder", folder, "--store", small_store).status == 0
        pages.append((folder / "BX-1-A-2026-01.html").read_bytes())
    assert pages[0] == pages[1]


def test_a_page_that_cannot_be_written_is_one_line(
    small_store: Path, tmp_path: Path, spc: Command
) -> None:
    (tmp_path / "taken").write_text("a file")
    for words in (
        ["report", "2026-01", "--folder", "taken"],
        ["report", "2026-01", "--folder", "taken/below"],
        ["export", "2026-01", "--folder", "taken/below"],
        ["export", "--parquet", "--folder", "taken/below"],
        ["chart", "show", "check-1", "--page", "taken/chart.html"],
    ):
        outcome = spc(*words, "--store", small_store)
        assert outcome.status == 2
        assert outcome.err.count("\n") == 1
        assert outcome.err.startswith("spc: ")
    assert (tmp_path / "taken").read_text() == "a file"


def test_a_part_s_name_is_no_path(tmp_path: Path, spc: Command) -> None:
    plan = replace(box(check=2), part="../Ö 7/b", revision="a:1")
    rng = np.random.default_rng(1)
    rows = hit_rows(plan, probed(plan, rng.normal(0, 0.2, (6, 11)), rng), dated_runs(6))
    (tmp_path / "plan.toml").write_text(plan_toml(plan), encoding="utf-8")
    (tmp_path / "hits.csv").write_text(csv_text(rows), encoding="utf-8")
    fill(tmp_path / "s.duckdb", [tmp_path / "hits.csv"], plan=tmp_path / "plan.toml")
    pages, tables = tmp_path / "pages", tmp_path / "tables"
    outcome = spc("report", "2026-01", "--folder", pages, "--store", tmp_path / "s.duckdb")
    assert outcome.status == 0
    # What stands for other characters would stand for those of another part too.
    assert len(list(pages.glob(".._Ö_7_b-a_1-????????????-2026-01.html"))) == 1
    assert (
        spc("export", "2026-01", "--folder", tables, "--store", tmp_path / "s.duckdb").status == 0
    )
    assert {p.parent for p in tables.rglob("*.csv")} == {tables}
    assert all(pages in p.parents for p in tmp_path.rglob("*.html"))


def test_a_chart_can_be_written_as_a_page(sample_store: Path, tmp_path: Path, spc: Command) -> None:
    page = tmp_path / "chart.html"
    outcome = spc("chart", "show", "tail-left", "--page", page, "--store", sample_store)
    assert outcome.done("SIGNAL tail-left, mould K2", f"Wrote {page}")
    assert "tail-left" in page.read_text(encoding="utf-8")
    told = spc("chart", "show", "tail-left", "--page", page, "--json", "--store", sample_store)
    assert json.loads(told.out)["series"]["names"] == ["tail-left"]


def test_tables_of_a_month_are_the_month_s_figures_digit_by_digit(
    small_store: Path, tmp_path: Path, spc: Command
) -> None:
    outcome = spc("export", "2026-01", "--folder", tmp_path / "out", "--store", small_store)
    assert outcome.status == 0
    files = {p.stem.removeprefix("BX-1-A-2026-01-"): p for p in (tmp_path / "out").iterdir()}
    with open_store(small_store, read_only=True) as store:
        january = month_study(store, month("2026-01"))
    points = table(files["points"])
    assert [row["point"] for row in points] == [p.point for p in january.points]
    for column in ("mean", "smallest", "largest", "moved"):
        written = [float(row[column]) for row in points]
        assert written == [getattr(p, column) for p in january.points]
    charts = table(files["charts"])
    assert len(charts) == len(january.monitor.series.names) * len(january.monitor.rows.labels)
    lines = outcome.out.splitlines()
    assert len(lines) == len(files)
    said = {Path(line.rsplit(": ", 1)[0]): int(line.split(": ")[-1].split()[0]) for line in lines}
    assert said == {path: len(table(path)) for path in files.values()}
    # An index that twelve pieces cannot give is an empty field, not a word and not nought.
    assert {row["ppk"] for row in table(files["capability"])} == {""}


def test_a_name_that_looks_like_a_formula_becomes_none(tmp_path: Path) -> None:
    names = ["=1+1", "+x", "-y", "@z", "plain", 'say "no"', "a,b", "two\nlines", "é名"]
    write_csv(tmp_path / "t.csv", ["name", "value"], [[n, -1.5] for n in names])
    write_csv(tmp_path / "u.csv", ["name", "value"], [["none", math.nan], ["none", None]])
    rows = table_of(tmp_path / "t.csv")
    assert [name for name, _ in rows] == ["'=1+1", "'+x", "'-y", "'@z", *names[4:]]
    # A negative number stays a number.
    assert {value for _, value in rows} == {"-1.5"}
    # What is missing is an empty field, not a word and not nought.
    assert table_of(tmp_path / "u.csv") == [["none", ""]] * 2


def table_of(path: Path) -> list[list[str]]:
    """Return the rows of a table below its header."""
    text = path.read_bytes().decode("utf-8-sig")
    return list(csv.reader(io.StringIO(text, newline="")))[1:]


def test_the_demonstration_finds_what_was_planted(
    samples: Path, tmp_path: Path, spc: Command
) -> None:
    shutil.copytree(samples, tmp_path / "sample-runs")
    files = len(list(samples.rglob("*.csv")))
    outcome = spc("demo")
    assert outcome.done(
        f"491 runs from {files} files are in demo.duckdb",
        "bad hit: flank-1 hit 2 of piece H0188",
        "Engine hood, October 2026:",
        "Open reports/LH-640-C-2026-10.html in a browser.",
    )  # fmt: skip
    # Both moulds became smaller by 0.15 %; one of them began to twist.
    (size,) = re.findall(r"^ *size: (.*)", outcome.out, re.MULTILINE)
    assert re.findall(r"mould (K.) is 0\.1\d % smaller", size) == ["K1", "K2"]
    twists = re.findall(r"^ *twist .*?: (.*)", outcome.out, re.MULTILINE)
    assert {mould for twist in twists for mould in re.findall(r"mould (K.) by", twist)} == {"K2"}
    assert (tmp_path / "reports" / "LH-640-C-2026-10.html").exists()
    assert (tmp_path / "reports" / "index.html").exists()
    # The commands that it names next are some that work.
    (line,) = re.findall(r"Then try: (.*)", outcome.out)
    named = re.findall(r"spc ([^,]+)", line)
    assert named
    for words in named:
        assert spc(*words.split()).status == 0


def test_the_demonstration_again_changes_nothing_and_speaks_json(
    samples: Path, tmp_path: Path, spc: Command
) -> None:
    shutil.copytree(samples / "runs" / "2026-04", tmp_path / "some" / "runs")
    shutil.copy(samples / "LH-640.toml", tmp_path / "some")
    first = spc("demo", "--from", "some")
    before = held_bytes(tmp_path / "demo.duckdb")
    again = spc("demo", "--from", "some", "--json")
    assert (first.status, first.err, again.status, again.err) == (0, "", 0, "")
    document = json.loads(again.out)
    assert "46 runs from 4 files" in first.out
    assert (document["files"], document["runs"], document["suspects"]) == (4, 46, [])
    assert held_bytes(tmp_path / "demo.duckdb") == before


@pytest.mark.parametrize("name", ["empty", "file"])
def test_a_demonstration_without_samples_is_one_line(
    name: str, tmp_path: Path, spc: Command
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("")
    refused = spc("demo", "--from", name)
    assert refused.status == 2
    assert refused.err.count("\n") == 1
    assert refused.out == ""


def test_a_demonstration_into_another_program_s_file_is_one_line(
    samples: Path, tmp_path: Path, spc: Command
) -> None:
    (tmp_path / "mine.duckdb").write_text("my notes")
    assert spc("demo", "--from", samples, "--store", "mine.duckdb").refused("not a store")
    assert (tmp_path / "mine.duckdb").read_text() == "my notes"


def test_samples_that_are_not_there_are_made(
    tmp_path: Path, samples: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from spc.cli import demonstrating

    demonstrating._make_samples(tmp_path / "made")
    made = {p.relative_to(tmp_path / "made"): p.read_bytes()
            for p in (tmp_path / "made").rglob("*") if p.is_file()}  # fmt: skip
    kept = {p.relative_to(samples): p.read_bytes() for p in samples.rglob("*") if p.is_file()}
    assert made == kept


def test_every_table_of_the_store_is_exported_with_its_rows(
    sample_store: Path, tmp_path: Path, spc: Command
) -> None:
    outcome = spc(
        "export", "--parquet", "--json", "--folder", tmp_path / "p", "--store", sample_store
    )
    said = {Path(row["path"]).stem: row["rows"] for row in json.loads(outcome.out)}
    assert said == {name: len(rows) for name, rows in contents(sample_store).items()}
