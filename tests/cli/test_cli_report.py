"""What a report or an export is asked for: days, a print, a workbook; and what is refused."""

import os
import shutil
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from subprocess import DEVNULL, Popen
from typing import Any

import numpy as np
import pytest
from helpers import Outcome, fill
from strategies import box, csv_text, dated_runs, hit_rows, plan_toml, probed

from spc.cli import printing
from spc.errors import SpcError
from spc.store.connection import open_store
from spc.studies.month import Month, month_study
from spc.studies.spans import asked_period, month

Command = Callable[..., Outcome]
#: A part whose names are anything but names; a spreadsheet must not run them.
HOSTILE = "=1+1"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of a dozen pieces measured from 1 to 12 January 2026, one a day."""
    folder, rng = tmp_path_factory.mktemp("reported"), np.random.default_rng(3)
    plan = box(check=2)
    runs = [
        {**run, "batch": HOSTILE, "measured_at": f"2026-01-{day:02d}T08:00:00Z"}
        for day, run in enumerate(dated_runs(12), start=1)
    ]
    rows = hit_rows(plan, probed(plan, rng.normal(0, 0.2, (12, 11)), rng), runs)
    (folder / "plan.toml").write_text(plan_toml(plan))
    (folder / "hits.csv").write_text(csv_text(rows))
    fill(folder / "s.duckdb", [folder / "hits.csv"], plan=folder / "plan.toml")
    return folder / "s.duckdb"


@pytest.fixture(scope="module")
def january(store: Path) -> Month:
    with open_store(store, read_only=True) as opened:
        return month_study(opened, month("2026-01"))


def measured_between(store: Path, first: str, last: str) -> int:
    """Count pieces straight from the store."""
    with open_store(store, read_only=True) as opened:
        rows = opened.frame(
            "SELECT count(DISTINCT piece_id) AS n FROM run WHERE measured_at >= ?::DATE "
            "AND measured_at < ?::DATE + INTERVAL 1 DAY", [first, last],
        )  # fmt: skip
    return int(rows["n"].iloc[0])


# Days.


def test_days_are_reported_from_one_to_the_other(store: Path, tmp_path: Path, spc: Command) -> None:
    first, last = "2026-01-03", "2026-01-07"
    pieces = measured_between(store, first, last)
    assert 0 < pieces < 12
    days = ("--from", first, "--to", last, "--folder", tmp_path, "--store", store)
    assert spc("report", *days).done(f"{pieces} pieces", f"from {first} to {last}")
    page = tmp_path / f"BX-1-A-{first}_{last}.html"
    assert page.is_file()
    index = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert f'href="{page.name}"' in index
    assert f"{first} to {last}" in index
    assert spc("export", *days).done(f"BX-1-A-{first}_{last}-points.csv")


def test_days_that_make_a_month_are_that_month(store: Path, tmp_path: Path, spc: Command) -> None:
    for name, words in (("a", ["2026-01"]), ("b", ["--from", "2026-01-01", "--to", "2026-01-31"])):
        assert spc("report", *words, "--folder", tmp_path / name, "--store", store).status == 0
    pages = [(tmp_path / n / "BX-1-A-2026-01.html").read_bytes() for n in "ab"]
    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("--from", "2026-01-07", "--to", "2026-01-03"),
            ("ends before it begins", "turn it round"),
        ),
        (("--from", "2026-02-01", "--to", "2026-02-03"), ("nothing of BX-1 A was measured",)),
        (("--from", "2026-01-03"), ("one end of a period", "--from and --to")),
        (("--to", "2026-01-03"), ("one end of a period",)),
        (("--from", "03.01.2026", "--to", "2026-01-07"), ("'03.01.2026' is not a day",)),
        (("--from", "2026-01-32", "--to", "2026-02-01"), ("'2026-01-32' is not a day",)),
        (("2026-01", "--from", "2026-01-03", "--to", "2026-01-07"), ("name one of them",)),
        (("2026-01", "--to", "reports"), ("name one of them",)),
        ((), ("no month is named",)),
    ],
)
@pytest.mark.parametrize("command", ["report", "export"])
def test_days_that_are_none_are_refused_in_one_line(
    command: str, words: tuple[str, ...], said: tuple[str, ...], store: Path, tmp_path: Path,
    spc: Command,
) -> None:  # fmt: skip
    folder = tmp_path / "new"
    assert spc(command, *words, "--folder", folder, "--store", store).refused(*said)
    assert not folder.exists()


def test_a_period_ends_with_its_last_day() -> None:
    period = asked_period(None, "2026-01-03", "2026-01-07")
    assert period.start.to_pydatetime() == datetime(2026, 1, 3)
    assert period.end.to_pydatetime() == datetime(2026, 1, 8)


# Paper.


def browser_here() -> str | None:
    return next((path for name in printing.NAMES if (path := shutil.which(name))), None)


@pytest.mark.skipif(
    browser_here() is None and os.environ.get("SPC_REQUIRE_BROWSER") != "1", reason="no browser"
)
def test_a_report_is_printed_beside_its_page(store: Path, tmp_path: Path, spc: Command) -> None:
    words = ("report", "2026-01", "--folder", tmp_path, "--pdf", "--paper", "letter")
    assert spc(*words, "--store", store).done("Printed")
    data = (tmp_path / "BX-1-A-2026-01.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    # Letter is 612 by 792 points.
    assert b"/MediaBox [0 0 612 792]" in data
    assert not list(tmp_path.glob("*.part*"))


def test_without_a_browser_nothing_is_written(
    store: Path, tmp_path: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    for name in printing.WINDOWS_ROOTS:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(printing, "MACOS", ())
    pages = tmp_path / "pages"
    words = ("report", "2026-01", "--folder", pages, "--pdf", "--store", store)
    assert spc(*words).refused("no browser to print with", "SPC_BROWSER")
    monkeypatch.setenv("SPC_BROWSER", "no-such-program")
    assert spc(*words).refused("names 'no-such-program'")
    assert not pages.exists()


def test_browsers_are_looked_for_where_systems_keep_them(tmp_path: Path) -> None:
    place = tmp_path / "x86" / printing.WINDOWS[1]
    place.parent.mkdir(parents=True)
    place.write_text("")
    found = printing.find_browser({"PATH": "", "PROGRAMFILES(X86)": str(tmp_path / "x86")})
    assert Path(found) == place
    own = tmp_path / "own"
    own.write_text("#!/bin/sh\n")
    own.chmod(0o755)
    assert printing.find_browser({"PATH": str(tmp_path), "SPC_BROWSER": "own"}) == str(own)


@pytest.mark.skipif(sys.platform == "win32", reason="a script stands for the browser")
@pytest.mark.parametrize(
    "script",
    ["exit 1", 'for a; do case "$a" in --print-to-pdf=*) echo half > "${a#*=}";; esac; done'],
    ids=["nothing", "half"],
)
def test_a_browser_that_prints_nothing_leaves_nothing(script: str, tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.write_text(f"#!/bin/sh\n{script}\n")
    own.chmod(0o755)
    page = tmp_path / "page.html"
    page.write_text("<p>page</p>")
    (tmp_path / "page.pdf").write_bytes(b"the one before")
    with pytest.raises(SpcError, match="made no PDF"):
        printing.print_page(str(own), page, paper="A4", whole=False)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["own", "page.html", "page.pdf"]
    assert (tmp_path / "page.pdf").read_bytes() == b"the one before"


# A workbook.


def opened(path: Path) -> Any:
    return pytest.importorskip("openpyxl").load_workbook(path)


def test_a_workbook_holds_the_month_s_figures(
    store: Path, january: Month, tmp_path: Path, spc: Command
) -> None:
    words = ("export", "2026-01", "--xlsx", "--folder", tmp_path, "--store", store)
    assert spc(*words).done("BX-1-A-2026-01.xlsx")
    book = opened(tmp_path / "BX-1-A-2026-01.xlsx")
    assert {"about", "points", "capability", "charts"} <= set(book.sheetnames)
    head, *rows = book["points"].iter_rows()
    at = {cell.value: place for place, cell in enumerate(head)}
    for row, point in zip(rows, january.points, strict=True):
        assert row[at["point"]].value == point.point
        for name in ("mean", "smallest", "largest"):
            cell = row[at[f"{name} (mm)"]]
            assert cell.data_type == "n"
            # The package writes 16 digits, one fewer than a double may need.
            assert cell.value == pytest.approx(getattr(point, name), rel=1e-15)
    said = {row[0].value: row[1].value for row in book["about"].iter_rows()}
    assert said["data fingerprint"] == january.fingerprint
    assert not list(tmp_path.glob(".*"))


def test_text_in_a_workbook_is_never_a_formula(store: Path, tmp_path: Path, spc: Command) -> None:
    assert spc("export", "2026-01", "--xlsx", "--folder", tmp_path, "--store", store).status == 0
    book = opened(tmp_path / "BX-1-A-2026-01.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    named = [cell for cell in cells if cell.value == HOSTILE]
    assert named
    assert {cell.data_type for cell in named} == {"s"}
    assert "f" not in {cell.data_type for cell in cells}


def test_the_same_month_is_the_same_workbook(store: Path, tmp_path: Path, spc: Command) -> None:
    for name in "ab":
        words = ("export", "2026-01", "--xlsx", "--folder", tmp_path / name)
        assert spc(*words, "--store", store).status == 0
    files = [(tmp_path / n / "BX-1-A-2026-01.xlsx").read_bytes() for n in "ab"]
    assert files[0] == files[1]


def test_a_workbook_without_its_package_is_refused(
    store: Path, tmp_path: Path, spc: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    words = ("export", "2026-01", "--xlsx", "--folder", tmp_path / "new", "--store", store)
    assert spc(*words).refused("openpyxl", "pip install 'spc[xlsx]'")


# Progress.


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_a_terminal_is_told_what_is_done_and_a_pipe_is_not(store: Path, tmp_path: Path) -> None:
    import pty

    command = [sys.executable, "-c", "from spc.cli import main; main()", "report", "2026-01",
               "--folder", str(tmp_path), "--store", str(store)]  # fmt: skip
    main, side = pty.openpty()
    with Popen(command, stdin=DEVNULL, stdout=DEVNULL, stderr=side) as running:
        os.close(side)
        heard = b""
        while True:
            try:
                part = os.read(main, 4096)
            except OSError:
                break
            if not part:
                break
            heard += part
        assert running.wait() == 0
    os.close(main)
    for words in (b"charts", b"capability", b"Writing BX-1-A-2026-01.html"):
        assert words in heard
    # The line is gone at the end.
    assert heard.endswith(b" \r")
